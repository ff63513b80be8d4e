//! One WebSocket of one automerge-repo client: messages in, messages out, news of what others write, patience.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::body::Bytes;
use axum::extract::ws::{Message, WebSocket};
use embertally_core::facts::DocumentId;
use embertally_core::log::{Log, LogError};
use embertally_core::sync::repo::{RepoConfig, RepoSession};
use embertally_core::sync::{Effect, Refusal};
use futures_util::stream::{SplitSink, SplitStream};
use futures_util::{SinkExt, StreamExt};
use tokio::time::{Instant as At, sleep_until, timeout, timeout_at};

use crate::bucket::Bucket;
use crate::clock::now_ms;
use crate::crews::{Reason, Usage};
use crate::hub::App;
use crate::metrics::Metrics;
use crate::socket::{Rights, SIGNS, counted, last_words, spoilt};
use crate::stores::BoxStore;

/// Holds the conversation until either side ends it.
pub(super) async fn serve(app: Arc<App>, socket: WebSocket, rights: Rights) {
    counted(&app, &rights, converse(&app, socket, &rights)).await;
}

async fn converse(app: &Arc<App>, socket: WebSocket, rights: &Rights) -> Reason {
    let (sink, stream) = socket.split();
    let (now, signs) = (At::now(), Bucket::new(SIGNS.0, SIGNS.1, Instant::now()));
    let ear = Ear { stream, signs, idle: app.limits.idle, heard: now, from: now };
    let mut talk = Talk { app, rights, sink };
    let reason = talk.go_on(ear).await.err().unwrap_or(Reason::Gone);
    if reason != Reason::Gone {
        last_words(&mut talk.sink, reason).await;
    }
    reason
}

/// What a crew's thread works with while it deals with this client.
struct Desk {
    session: RepoSession,
    usage: Usage,
}

/// What is read from the client.
struct Ear {
    stream: SplitStream<WebSocket>,
    signs: Bucket,
    idle: Duration,
    /// When it last gave a sign of life.
    heard: At,
    /// Nothing more is read before.
    from: At,
}

impl Ear {
    /// Waits for the next message; anything but messages and signs of life ends the conversation. Nothing is lost if
    /// this is given up before it is done.
    async fn next(&mut self) -> Result<Bytes, Reason> {
        sleep_until(self.from).await;
        self.heard = self.heard.max(self.from);
        loop {
            let until = self.heard.checked_add(self.idle).unwrap_or(self.heard);
            let came = timeout_at(until, self.stream.next()).await.map_err(|_| Reason::Idle)?;
            self.heard = At::now();
            match came {
                Some(Ok(Message::Binary(bytes))) => return Ok(bytes),
                Some(Ok(Message::Ping(_) | Message::Pong(_))) => {
                    if !self.signs.take(1, Instant::now()) {
                        return Err(Reason::NoFrame);
                    }
                }
                Some(Ok(Message::Text(_))) => return Err(Reason::NoFrame),
                Some(Ok(Message::Close(_))) | None => return Err(Reason::Gone),
                Some(Err(error)) => return Err(spoilt(error)),
            }
        }
    }
}

struct Talk<'a> {
    app: &'a Arc<App>,
    rights: &'a Rights,
    sink: SplitSink<WebSocket, Message>,
}

impl Talk<'_> {
    async fn go_on(&mut self, mut ear: Ear) -> Result<(), Reason> {
        let (app, crew, limits) = (self.app, self.rights.crew, &self.app.limits);
        // Nothing is done for a client before its first message, and the crew's log is not even opened.
        let mut first = tokio::select! {
            first = timeout(limits.opening, ear.next()) => {
                Some(first.map_err(|_| Reason::Silent)??)
            }
            () = app.until_closing() => return Err(Reason::Closing),
        };
        let desk = self.desk().await?;
        let mut news = app.crews.listen(crew);
        let mut ping = At::now() + limits.ping;
        let token = self.rights.seat.token().clone();
        let revoked = token.until_revoked();
        tokio::pin!(revoked);
        loop {
            let next = async {
                match first.take() {
                    Some(first) => Ok(first),
                    None => ear.next().await,
                }
            };
            let effects = tokio::select! {
                biased;
                () = &mut revoked => {
                    let what = token.why_closed().unwrap_or_default();
                    let last = lock(&desk).session.refuse(Refusal::NotAllowed { what });
                    let _ = self.act(last).await;
                    return Err(Reason::Revoked);
                }
                () = app.until_closing() => return Err(Reason::Closing),
                () = sleep_until(ping) => {
                    ping = At::now() + limits.ping;
                    self.send(Message::Ping(Bytes::new())).await?;
                    if !lock(&desk).session.is_late(now_ms()) {
                        continue;
                    }
                    self.work(&desk, 0, |session, log, out| session.tick(log, now_ms(), out)).await?
                }
                documents = news.recv() => {
                    let mut documents: BTreeSet<DocumentId> = match documents {
                        Some(documents) => documents.iter().copied().collect(),
                        None => {
                            // The crew's log was put away meanwhile, and nobody told what came after.
                            news = app.crews.listen(crew);
                            lock(&desk).session.followed().into_iter().collect()
                        }
                    };
                    while let Ok(more) = news.try_recv() {
                        documents.extend(more.iter().copied());
                    }
                    documents.retain(|document| lock(&desk).session.is_news(*document));
                    if documents.is_empty() {
                        continue;
                    }
                    let documents: Vec<DocumentId> = documents.into_iter().collect();
                    self.work(&desk, 0, move |session, log, out| session.changed(log, &documents, out)).await?
                }
                bytes = next => {
                    let bytes = bytes?;
                    Metrics::add(&app.metrics.frames_in, 1);
                    Metrics::add(&app.metrics.bytes_in, bytes.len() as u64);
                    let (length, came) = (bytes.len(), At::now());
                    let effects = self.work(&desk, length, move |session, log, out| {
                        session.hear(log, now_ms(), &bytes, out)
                    });
                    let effects = effects.await?;
                    let pause = Duration::from_millis(lock(&desk).session.pause_ms()).max(token.frame());
                    ear.from = came.checked_add(pause).unwrap_or(came);
                    effects
                }
            };
            self.act(effects).await?;
        }
    }

    /// Opens the crew's log, and begins.
    async fn desk(&self) -> Result<Arc<Mutex<Desk>>, Reason> {
        let (app, crew, reads_only) = (self.app.clone(), self.rights.crew, self.rights.reads_only);
        let opened = self.app.crews.with_log(crew, move |log| {
            let usage = Usage::of(log);
            let desk = usage.map(|usage| {
                let config = RepoConfig {
                    peer: format!("embertally-{}", app.device),
                    crew: crew.as_bytes().to_vec(),
                    limits: app.limits.sync,
                    peer_reads_only: reads_only || usage.over(&app.quota).is_some(),
                };
                Desk { session: RepoSession::new(config), usage }
            });
            (desk, Vec::new())
        });
        let desk = opened.await.ok_or(Reason::Refused("E_SYNC_STORE", true))?.map_err(|error| {
            self.app.metrics.store_failed();
            tracing::error!(%crew, code = error.code(), %error, "a crew's log failed");
            Reason::Refused("E_SYNC_STORE", true)
        })?;
        Ok(Arc::new(Mutex::new(desk)))
    }

    /// Lets the crew's thread deal with something, as soon as the crew's inbox has room for it.
    async fn work<F>(&self, desk: &Arc<Mutex<Desk>>, bytes: usize, work: F) -> Result<Vec<Effect>, Reason>
    where
        F: FnOnce(&mut RepoSession, &mut Log<BoxStore>, &mut Vec<Effect>) -> Result<(), LogError> + Send + 'static,
    {
        let (app, crew, desk, came) = (self.app.clone(), self.rights.crew, desk.clone(), Instant::now());
        let inbox = app.crews.inbox(crew);
        let room = inbox.acquire_many_owned(app.crews.units(bytes)).await.map_err(|_| Reason::Closing)?;
        let done = self.app.crews.with_log(crew, move |log| {
            let _room = room;
            app.metrics.lag(came.elapsed());
            let mut desk = lock(&desk);
            let mut out = Vec::new();
            let worked = work(&mut desk.session, log, &mut out);
            let changed = changed_in(&out);
            if !changed.is_empty() {
                let entries = changed.iter().map(|(_, entries)| entries).sum();
                app.metrics.took_in(entries);
                desk.usage.add(entries, bytes, log);
                if let Some(what) = desk.usage.over(&app.quota) {
                    out.extend(desk.session.refuse(Refusal::NotAllowed { what }));
                }
            }
            if let Err(error) = worked {
                app.metrics.store_failed();
                tracing::error!(%crew, code = error.code(), %error, "a crew's log failed");
                let what = format!("{}; try again later", error.code());
                out.extend(desk.session.refuse(Refusal::Store { what }));
            }
            (out, changed.into_iter().map(|(document, _)| document).collect())
        });
        done.await.ok_or(Reason::Refused("E_SYNC_STORE", true))
    }

    /// Does what a session asks for.
    async fn act(&mut self, effects: Vec<Effect>) -> Result<(), Reason> {
        for effect in effects {
            match effect {
                Effect::Send(bytes) => {
                    Metrics::add(&self.app.metrics.frames_out, 1);
                    Metrics::add(&self.app.metrics.bytes_out, bytes.len() as u64);
                    self.send(Message::Binary(bytes.into())).await?;
                }
                Effect::Close(refusal) => return Err(Reason::of(&refusal)),
                Effect::Changed { .. } | Effect::Met => {}
            }
        }
        Ok(())
    }

    /// Sends one message. While the client does not read it, nothing of it is read either, and not for long.
    async fn send(&mut self, message: Message) -> Result<(), Reason> {
        let token = self.rights.seat.token();
        let was_revoked = token.is_closed();
        let until = At::now() + self.app.limits.idle;
        tokio::select! {
            sent = timeout_at(until, self.sink.send(message)) => match sent {
                Ok(Ok(())) => Ok(()),
                Ok(Err(_)) => Err(Reason::Gone),
                Err(_) => Err(Reason::Slow),
            },
            // A client that does not read must not keep its connection after its token is gone.
            () = token.until_revoked(), if !was_revoked => Err(Reason::Revoked),
            () = self.app.until_closing() => Err(Reason::Closing),
        }
    }
}

fn lock(desk: &Mutex<Desk>) -> std::sync::MutexGuard<'_, Desk> {
    desk.lock().unwrap_or_else(PoisonError::into_inner)
}

fn changed_in(effects: &[Effect]) -> Vec<(DocumentId, usize)> {
    let changed = effects.iter().filter_map(|effect| match effect {
        Effect::Changed { document, entries } => Some((*document, *entries)),
        _ => None,
    });
    changed.collect()
}
