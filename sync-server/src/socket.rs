//! One WebSocket of one device: frames in, frames out, signs of life, patience.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use axum::body::Bytes;
use axum::extract::ws::{CloseFrame, Message, WebSocket};
use embertally_core::facts::CrewId as Founded;
use embertally_core::sync::{Frame as Word, Refusal};
use futures_util::stream::{SplitSink, SplitStream};
use futures_util::{SinkExt, StreamExt};
use tokio::sync::mpsc::UnboundedReceiver;
use tokio::time::{Instant as At, sleep, timeout};
use tokio_tungstenite::tungstenite::Error;
use tokio_tungstenite::tungstenite::error::ProtocolError;

use crate::access::{Seat, Token};
use crate::bucket::Bucket;
use crate::clock::now_ms;
use crate::crews::{Frame, Job, Line, Out, Reason, SessionId};
use crate::hub::App;
use crate::ids::CrewId;
use crate::listen::Visit;
use crate::metrics::Metrics;

/// How long the last words may take.
const LAST_WORDS: Duration = Duration::from_secs(2);

/// Signs of life that a device may send at once, and then each second.
pub(crate) const SIGNS: (u32, f64) = (60, 2.0);

/// What a device may do in its conversation.
pub(crate) struct Rights {
    pub(crate) crew: CrewId,
    pub(crate) seat: Seat,
    pub(crate) reads_only: bool,
    /// Which crew's log the device says it brings.
    pub(crate) told: Option<Founded>,
    /// Counts as one of its address's connections for as long as it lasts.
    pub(crate) visit: Arc<Visit>,
}

/// Holds the conversation until either side ends it.
pub(crate) async fn serve(app: Arc<App>, socket: WebSocket, rights: Rights) {
    counted(&app, &rights, converse(&app, socket, &rights)).await;
}

/// Counts a session for as long as it lasts, and notes why it ended.
pub(crate) async fn counted(app: &Arc<App>, rights: &Rights, session: impl Future<Output = Reason>) {
    let _alive = app.alive();
    app.metrics.sessions.fetch_add(1, Ordering::Relaxed);
    Metrics::add(&app.metrics.joins, 1);
    let began = Instant::now();
    let reason = session.await;
    app.metrics.sessions.fetch_sub(1, Ordering::Relaxed);
    app.metrics.ended(reason.code());
    if reason.is_fault() {
        rights.seat.token().at_fault();
    }
    let (crew, token) = (rights.crew, rights.seat.token().record().id);
    let seconds = began.elapsed().as_secs();
    tracing::info!(%crew, %token, address = %rights.visit.address(), reason = reason.code(), seconds, "session ended");
}

async fn converse(app: &Arc<App>, socket: WebSocket, rights: &Rights) -> Reason {
    let token = rights.seat.token();
    let (mut sink, mut stream) = socket.split();
    // Nothing is done for a device before its first frame, and the crew's log is not even opened.
    let first = tokio::select! {
        first = timeout(app.limits.opening, next_frame(&mut stream)) => first.unwrap_or(Err(Reason::Silent)),
        () = app.until_closing() => Err(Reason::Closing),
    };
    let first = match first {
        Ok(frame) => frame,
        Err(reason) => {
            last_words(&mut sink, reason).await;
            return reason;
        }
    };
    let (line, waiting) = Line::new(token.clone(), rights.reads_only, rights.told, app.limits.waiting_bytes);
    let session = SessionId(app.sessions.fetch_add(1, Ordering::Relaxed));
    if !app.crews.send(Job::Opened { crew: rights.crew, session, line: line.clone() }) {
        last_words(&mut sink, Reason::Closing).await;
        return Reason::Closing;
    }
    let reading = Reading { app, crew: rights.crew, session, line: &line };
    let reason = tokio::select! {
        reason = reading.go_on(&mut stream, first) => {
            // What the log's thread has said meanwhile is still to be sent, if the device is there to hear it.
            reason
        }
        reason = write(app, &mut sink, waiting, &line, token) => reason,
        reason = line.until_cut() => reason,
    };
    app.crews.send(Job::Closed { crew: rights.crew, session });
    if matches!(reason, Reason::Idle | Reason::NoFrame) {
        last_words(&mut sink, reason).await;
    }
    reason
}

/// Waits for the next frame; anything that is no frame ends the conversation.
async fn next_frame(stream: &mut SplitStream<WebSocket>) -> Result<Bytes, Reason> {
    let mut signs = Bucket::new(SIGNS.0, SIGNS.1, Instant::now());
    loop {
        match stream.next().await {
            Some(Ok(Message::Binary(bytes))) => return Ok(bytes),
            Some(Ok(Message::Ping(_) | Message::Pong(_))) => {
                if !signs.take(1, Instant::now()) {
                    return Err(Reason::NoFrame);
                }
            }
            Some(Ok(Message::Text(_))) => return Err(Reason::NoFrame),
            Some(Ok(Message::Close(_))) | None => return Err(Reason::Gone),
            Some(Err(error)) => return Err(spoilt(error)),
        }
    }
}

/// Tells a broken connection from bytes that are no WebSocket frame, or one that is too large.
pub(crate) fn spoilt(error: axum::Error) -> Reason {
    match error.into_inner().downcast::<Error>().as_deref() {
        Ok(Error::Protocol(ProtocolError::ResetWithoutClosingHandshake)) => Reason::Gone,
        Ok(Error::Capacity(_) | Error::Protocol(_) | Error::Utf8(_)) => Reason::NoFrame,
        _ => Reason::Gone,
    }
}

struct Reading<'a> {
    app: &'a Arc<App>,
    crew: CrewId,
    session: SessionId,
    line: &'a Line,
}

impl Reading<'_> {
    /// Hands frames to the crew's thread, and reads no more while there is no room for them.
    async fn go_on(&self, stream: &mut SplitStream<WebSocket>, first: Bytes) -> Reason {
        let inbox = self.app.crews.inbox(self.crew);
        let mut next = first;
        let mut signs = Bucket::new(SIGNS.0, SIGNS.1, Instant::now());
        loop {
            let metrics = &self.app.metrics;
            Metrics::add(&metrics.frames_in, 1);
            Metrics::add(&metrics.bytes_in, next.len() as u64);
            let units = self.app.crews.units(next.len());
            let Ok(place) = self.line.under_way.clone().acquire_owned().await else { return Reason::Closing };
            let Ok(room) = inbox.clone().acquire_many_owned(units).await else { return Reason::Closing };
            if self.line.token.is_closed() {
                return Reason::Revoked;
            }
            let frame = Frame { bytes: next, came: Instant::now(), room: (place, room) };
            if !self.app.crews.send(Job::Frame { crew: self.crew, session: self.session, frame }) {
                return Reason::Closing;
            }
            let wait = Duration::from_millis(self.line.paused_until().saturating_sub(now_ms()));
            sleep(wait.max(self.line.token.frame())).await;
            next = loop {
                match timeout(self.app.limits.idle, stream.next()).await {
                    Err(_) => return Reason::Idle,
                    Ok(Some(Ok(Message::Binary(bytes)))) => break bytes,
                    Ok(Some(Ok(Message::Ping(_) | Message::Pong(_)))) => {
                        if !signs.take(1, Instant::now()) {
                            return Reason::NoFrame;
                        }
                    }
                    Ok(Some(Ok(Message::Text(_)))) => return Reason::NoFrame,
                    Ok(Some(Ok(Message::Close(_))) | None) => return Reason::Gone,
                    Ok(Some(Err(error))) => return spoilt(error),
                }
            };
        }
    }
}

/// Sends what waits, and asks a quiet device for a sign of life.
async fn write(
    app: &Arc<App>,
    sink: &mut SplitSink<WebSocket, Message>,
    mut waiting: UnboundedReceiver<Out>,
    line: &Line,
    token: &Token,
) -> Reason {
    let mut ping = At::now() + app.limits.ping;
    let revoked = token.until_revoked();
    tokio::pin!(revoked);
    loop {
        let out = tokio::select! {
            biased;
            () = &mut revoked => {
                let refusal = Refusal::NotAllowed { what: token.why_closed().unwrap_or_default() };
                let word = Message::Binary(Word::Refuse(refusal).to_bytes().into());
                let _ = timeout(LAST_WORDS, sink.send(word)).await;
                last_words(sink, Reason::Revoked).await;
                return Reason::Revoked;
            }
            out = waiting.recv() => out,
            () = tokio::time::sleep_until(ping) => {
                ping = At::now() + app.limits.ping;
                if sink.send(Message::Ping(Bytes::new())).await.is_err() {
                    return Reason::Gone;
                }
                continue;
            }
        };
        match out {
            Some(Out::Frame(bytes)) => {
                let length = bytes.len();
                let sending = sink.send(Message::Binary(bytes.into()));
                tokio::select! {
                    sent = sending => if sent.is_err() { return Reason::Gone },
                    // A device that does not read must not keep its session after its token is gone.
                    () = &mut revoked => return Reason::Revoked,
                }
                line.sent(length);
                Metrics::add(&app.metrics.frames_out, 1);
                Metrics::add(&app.metrics.bytes_out, length as u64);
            }
            Some(Out::Close(reason)) => {
                last_words(sink, reason).await;
                return reason;
            }
            None => return Reason::Closing,
        }
    }
}

/// Closes the WebSocket with a status and a code, if the device still reads.
pub(crate) async fn last_words(sink: &mut SplitSink<WebSocket, Message>, reason: Reason) {
    let close = CloseFrame { code: reason.status(), reason: reason.code().into() };
    let _ = timeout(LAST_WORDS, sink.send(Message::Close(Some(close)))).await;
}
