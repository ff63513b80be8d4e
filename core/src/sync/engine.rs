//! The conversation: events in, effects out.

use super::frame::{BUCKETS, Frame, OutlineItem, Short, VERSION, grammar};
use super::guard::Guard;
use super::limits::Limits;
use super::outline::Outline;
use super::peer::Peer;
use super::refusal::Refusal;
use crate::facts::{DeviceId, DocumentId};
use crate::log::{Allowance, Log, LogError, MessageLimits, PeerState};
use crate::store::{Store, Write};

/// How many items of an outline go into one frame: 50 bytes each.
const ITEMS_PER_FRAME: usize = 4_000;

/// After how many rounds in which neither side gave the other anything all is asked for anew. An exchange that comes to
/// its end has two at most: each side says what it has, and what it lacks.
///
/// A change that waits for a missing one is kept in memory only, and can be lost here while the peer counts it as sent.
/// The CRDT's own sync then goes on for ever, each side saying what it lacks.
const EMPTY_ROUNDS: u32 = 3;

/// After how many nothing more is said, until there is something to give or the answer is overdue.
const MOST_EMPTY_ROUNDS: u32 = 6;

/// Room for a message's own head beside its changes.
const HEAD_BYTES: usize = 64 << 10;

/// What a conversation needs to know from the start.
#[derive(Debug, Clone)]
pub struct Config {
    /// This side's device.
    pub device: DeviceId,
    /// What the peer may send.
    pub limits: Limits,
    /// Whether the peer may only read: nothing that it sends is taken in.
    pub peer_reads_only: bool,
}

/// Something that happened.
#[derive(Debug, Clone, Copy)]
pub enum Event<'a> {
    /// The connection is open; the opening side speaks first. The answering side does nothing.
    Opened,
    /// One whole frame came.
    Frame(&'a [u8]),
    /// This side's log has changed in these documents, by whatever else writes to it.
    Changed(&'a [DocumentId]),
    /// Time has passed. To be told every few seconds.
    Tick,
    /// The connection is gone; what was learnt is kept.
    Closed,
}

/// Something to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Effect {
    /// Send one frame, in this order.
    Send(Vec<u8>),
    /// What the peer sent for this document was taken in and is durable here.
    Changed {
        /// The document.
        document: DocumentId,
        /// How many entries were new.
        entries: usize,
    },
    /// Both sides have what the other had. Said each time that becomes true again.
    Met,
    /// The conversation is over: send what is left to send, then close the connection.
    Close(Refusal),
}

/// How far a conversation is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Stage {
    /// Nobody has spoken yet.
    #[default]
    Silent,
    /// The opening side waits for the first answer.
    Calling,
    /// Documents are being exchanged.
    Exchanging,
    /// Both sides had the same when last looked at.
    Met,
    /// It is over.
    Over,
}

/// What came and went so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Progress {
    /// How far the conversation is.
    pub stage: Stage,
    /// The peer's device, once it has spoken.
    pub peer: Option<DeviceId>,
    /// Whether the peer takes in what this side writes.
    pub may_write: bool,
    /// By how much the peer's clock is ahead of this one, in milliseconds.
    pub clock_ahead_ms: i64,
    /// Entries that came and were new here.
    pub entries_in: u64,
    /// Entries that went, and were answered for: the peer keeps them.
    pub entries_out: u64,
    /// Documents that are still to be exchanged, or under way.
    pub documents_left: u64,
    /// Frames received.
    pub frames_in: u64,
    /// Frames sent.
    pub frames_out: u64,
    /// Bytes received.
    pub bytes_in: u64,
    /// Bytes sent.
    pub bytes_out: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Opening,
    Answering,
}

/// One side of one conversation.
#[derive(Debug)]
pub struct Engine {
    side: Side,
    config: Config,
    guard: Guard,
    peer: Peer,
    progress: Progress,
    /// What the opening side held when it called, to be compared with the answer.
    outline: Outline,
    /// Items of the peer's outline, while more of it is to come.
    listed: Vec<OutlineItem>,
    called_ms: u64,
    /// The answering side has shown that something differs, and the other side has not begun yet.
    expecting: bool,
}

/// Why an event could not be dealt with.
enum Stop {
    /// The peer's doing.
    Refused(Refusal),
    /// This side's own.
    Failed(LogError),
}

impl From<Refusal> for Stop {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(refusal)
    }
}

impl From<LogError> for Stop {
    fn from(error: LogError) -> Self {
        Self::Failed(error)
    }
}

impl Engine {
    /// Begins the side that opens.
    #[must_use]
    pub fn opener(config: Config) -> Self {
        Self::new(Side::Opening, config)
    }

    /// Begins the side that answers.
    #[must_use]
    pub fn answerer(config: Config) -> Self {
        Self::new(Side::Answering, config)
    }

    fn new(side: Side, config: Config) -> Self {
        let progress = Progress { may_write: true, ..Progress::default() };
        let (guard, peer) = (Guard::new(config.limits), Peer::default());
        Self {
            side,
            config,
            guard,
            peer,
            progress,
            outline: Outline::default(),
            listed: Vec::new(),
            called_ms: 0,
            expecting: false,
        }
    }

    /// Returns what came and went so far.
    #[must_use]
    pub fn progress(&self) -> Progress {
        Progress { documents_left: self.peer.left() as u64, ..self.progress }
    }

    /// How long nothing more should be read from the peer, in milliseconds: it is ahead of its rate.
    #[must_use]
    pub fn pause_ms(&self) -> u64 {
        self.guard.pause_ms()
    }

    /// Ends the conversation from this side.
    pub fn refuse(&mut self, refusal: Refusal) -> Vec<Effect> {
        if self.progress.stage == Stage::Over {
            return Vec::new();
        }
        let mut effects = Vec::new();
        self.send(&Frame::Refuse(refusal.clone()), &mut effects);
        self.progress.stage = Stage::Over;
        effects.push(Effect::Close(refusal));
        effects
    }

    /// Deals with an event. `now_ms` is the driver's clock in milliseconds since 1970; it only times answers.
    ///
    /// What a peer does wrong ends the conversation with an [`Effect::Close`], and costs this side nothing else.
    ///
    /// # Errors
    /// This side's own log failed. What was acknowledged stands; the conversation is over and can be begun again later.
    pub fn handle<S: Store>(
        &mut self,
        log: &mut Log<S>,
        now_ms: u64,
        event: Event<'_>,
    ) -> Result<Vec<Effect>, LogError> {
        let mut effects = Vec::new();
        if self.progress.stage == Stage::Over {
            return Ok(effects);
        }
        match self.step(log, now_ms, event, &mut effects) {
            Ok(()) => Ok(effects),
            Err(Stop::Refused(refusal)) => {
                effects.extend(self.refuse(refusal));
                Ok(effects)
            }
            Err(Stop::Failed(error)) => {
                self.progress.stage = Stage::Over;
                Err(error)
            }
        }
    }

    fn step<S: Store>(
        &mut self,
        log: &mut Log<S>,
        now_ms: u64,
        event: Event<'_>,
        out: &mut Vec<Effect>,
    ) -> Result<(), Stop> {
        match event {
            Event::Opened => {
                if self.side == Side::Opening && self.progress.stage == Stage::Silent {
                    self.call(log, now_ms, out)?;
                }
            }
            Event::Frame(bytes) => {
                self.progress.frames_in += 1;
                self.progress.bytes_in += bytes.len() as u64;
                if let Some(frame) = self.guard.admit(bytes, now_ms)? {
                    self.receive(log, now_ms, frame, out)?;
                }
            }
            Event::Changed(documents) => {
                // Before that the outline is still to be made, and will show it; between the call and its answer the
                // outline that is compared does not, so it waits in line.
                if matches!(self.progress.stage, Stage::Calling | Stage::Exchanging | Stage::Met) {
                    documents.iter().for_each(|document| self.peer.want(*document));
                }
            }
            Event::Tick => self.tick(log, now_ms, out)?,
            Event::Closed => {
                self.keep(log)?;
                self.progress.stage = Stage::Over;
                return Ok(());
            }
        }
        self.go_on(log, now_ms, out)
    }

    fn call<S: Store>(&mut self, log: &mut Log<S>, now_ms: u64, out: &mut Vec<Effect>) -> Result<(), Stop> {
        self.outline = Outline::of(log)?;
        let buckets = self.outline.buckets();
        let hello = Frame::Hello { version: VERSION, device: self.config.device, clock_ms: now_ms as i64, buckets };
        self.send(&hello, out);
        self.listed.clear();
        self.called_ms = now_ms;
        self.progress.stage = Stage::Calling;
        Ok(())
    }

    fn receive<S: Store>(
        &mut self,
        log: &mut Log<S>,
        now_ms: u64,
        frame: Frame,
        out: &mut Vec<Effect>,
    ) -> Result<(), Stop> {
        match (frame, self.side) {
            (Frame::Hello { version, device, clock_ms, buckets }, Side::Answering) => {
                if version != VERSION {
                    return Err(Refusal::Version { found: version, known: VERSION }.into());
                }
                self.answer(log, now_ms, device, clock_ms, &buckets, out)
            }
            (Frame::Outline { device, clock_ms, may_write, differing, documents, more }, Side::Opening) => {
                if self.progress.stage != Stage::Calling {
                    // The answer to a call that was made twice, because the first one took long.
                    return Ok(());
                }
                self.met_device(device, clock_ms, now_ms);
                self.progress.may_write = may_write;
                self.listed.extend(documents);
                if self.listed.len() > self.config.limits.documents {
                    let (bytes, most) = (self.listed.len() as u64, self.config.limits.documents as u64);
                    return Err(Refusal::TooLarge { what: "a list of documents".to_owned(), bytes, most }.into());
                }
                if !more {
                    let listed = std::mem::take(&mut self.listed);
                    let outline = std::mem::take(&mut self.outline);
                    outline.to_exchange(differing, &listed).into_iter().for_each(|d| self.peer.want(d));
                    self.progress.stage = Stage::Exchanging;
                }
                Ok(())
            }
            (Frame::Document { document, message }, _) => {
                if !matches!(self.progress.stage, Stage::Exchanging | Stage::Met) {
                    return Err(grammar("a document before the first words").into());
                }
                self.document(log, now_ms, document, &message, out)
            }
            (Frame::Refuse(refusal), _) => {
                self.progress.stage = Stage::Over;
                self.keep(log)?;
                out.push(Effect::Close(refusal));
                Ok(())
            }
            (Frame::Gone { document }, _) => {
                // What is here stays until the register itself says that it is forgotten.
                self.peer.end(document);
                self.expecting = false;
                Ok(())
            }
            (Frame::Unknown(_), _) => Ok(()),
            (Frame::Hello { .. } | Frame::Outline { .. } | Frame::Piece { .. }, _) => {
                Err(grammar("a frame that this side does not send").into())
            }
        }
    }

    fn answer<S: Store>(
        &mut self,
        log: &mut Log<S>,
        now_ms: u64,
        device: DeviceId,
        clock_ms: i64,
        buckets: &[Short],
        out: &mut Vec<Effect>,
    ) -> Result<(), Stop> {
        debug_assert_eq!(buckets.len(), BUCKETS, "the frame's reader sees to that");
        self.met_device(device, clock_ms, now_ms);
        self.peer.forget_all();
        let outline = Outline::of(log)?;
        let differing = outline.differing(buckets);
        let documents = outline.in_groups(differing);
        let count = documents.chunks(ITEMS_PER_FRAME).len().max(1);
        for n in 0..count {
            let part = documents.iter().skip(n * ITEMS_PER_FRAME).take(ITEMS_PER_FRAME).copied().collect();
            let frame = Frame::Outline {
                device: self.config.device,
                clock_ms: now_ms as i64,
                may_write: !self.config.peer_reads_only,
                differing,
                documents: part,
                more: n + 1 < count,
            };
            self.send(&frame, out);
        }
        self.expecting = differing != 0;
        self.progress.stage = Stage::Exchanging;
        Ok(())
    }

    fn met_device(&mut self, device: DeviceId, clock_ms: i64, now_ms: u64) {
        self.peer.device = Some(device);
        self.progress.peer = Some(device);
        self.progress.clock_ahead_ms = clock_ms.saturating_sub(now_ms as i64);
    }

    fn message_limits(&self) -> MessageLimits {
        let limits = &self.config.limits;
        MessageLimits {
            out_bytes: limits.message_bytes.saturating_sub(HEAD_BYTES),
            allowance: Allowance { inflated_bytes: limits.inflated_bytes, rows: limits.rows, chunks: limits.changes },
            waiting: limits.waiting_changes,
        }
    }

    fn document<S: Store>(
        &mut self,
        log: &mut Log<S>,
        now_ms: u64,
        document: DocumentId,
        message: &[u8],
        out: &mut Vec<Effect>,
    ) -> Result<(), Stop> {
        if self.is_gone(log, document, out)? {
            self.expecting = false;
            return Ok(());
        }
        self.exchange(log, document)?;
        let limits = self.message_limits();
        let Some(exchange) = self.peer.get(document) else { return Ok(()) };
        let heard = match log.hear(document, &mut exchange.state, message, &limits) {
            Err(LogError::Unreadable { document, what }) => {
                return Err(Refusal::Contents { document: document.to_string(), what }.into());
            }
            Err(LogError::TooNew { found, .. }) => {
                let what = format!("it is of schema {found}, which is newer than this side knows");
                return Err(Refusal::Contents { document: document.to_string(), what }.into());
            }
            heard => heard?,
        };
        exchange.awaiting_since = None;
        exchange.unkept = true;
        self.progress.entries_out += std::mem::take(&mut exchange.unanswered);
        exchange.empty = if heard.changed { 0 } else { exchange.empty + 1 };
        if exchange.empty == EMPTY_ROUNDS {
            exchange.state.forget_unanswered();
        }
        self.expecting = false;
        self.progress.entries_in += heard.added.len() as u64;
        if heard.changed {
            out.push(Effect::Changed { document, entries: heard.added.len() });
            if matches!(document, DocumentId::Register { .. }) {
                self.let_go(log)?;
            }
        }
        self.speak(log, now_ms, document, out)
    }

    /// Tells whether a document was dropped for good here, and if so says it to the peer and speaks no more of it: a
    /// device that was away while a name was forgotten is not turned away for that.
    fn is_gone<S: Store>(
        &mut self,
        log: &Log<S>,
        document: DocumentId,
        out: &mut Vec<Effect>,
    ) -> Result<bool, LogError> {
        let gone = log.is_dropped(&document)?;
        if gone {
            self.peer.end(document);
            self.send(&Frame::Gone { document }, out);
        }
        Ok(gone)
    }

    /// Speaks no more of what the register, as it now stands, has forgotten.
    fn let_go<S: Store>(&mut self, log: &Log<S>) -> Result<(), LogError> {
        for document in self.peer.documents() {
            if log.is_dropped(&document)? {
                self.peer.end(document);
            }
        }
        Ok(())
    }

    /// Makes sure that an exchange is there, begun from what is kept of the peer.
    fn exchange<S: Store>(&mut self, log: &mut Log<S>, document: DocumentId) -> Result<(), Stop> {
        if self.peer.get(document).is_some() {
            return Ok(());
        }
        let kept = match (self.side, self.peer.device) {
            // To a peer that takes nothing in, nothing is sent unasked.
            (Side::Opening, Some(peer)) if self.progress.may_write => {
                log.store().kept(&key(peer, document)).map_err(LogError::from)?
            }
            _ => None,
        };
        let state = match kept {
            Some(bytes) => PeerState::resumed(&bytes),
            None if self.config.peer_reads_only => PeerState::of_a_reader(),
            None => PeerState::new(),
        };
        self.peer.begin(document, state);
        Ok(())
    }

    /// Sends the next message about a document, unless an answer to the last one is still awaited.
    fn speak<S: Store>(
        &mut self,
        log: &mut Log<S>,
        now_ms: u64,
        document: DocumentId,
        out: &mut Vec<Effect>,
    ) -> Result<(), Stop> {
        if self.is_gone(log, document, out)? {
            return Ok(());
        }
        self.exchange(log, document)?;
        let limits = self.message_limits();
        let Some(exchange) = self.peer.get(document) else { return Ok(()) };
        let silent = exchange.empty > MOST_EMPTY_ROUNDS;
        if exchange.awaiting_since.is_some() && !silent {
            return Ok(());
        }
        let Some(outgoing) = log.greeting(document, &mut exchange.state, &limits)? else {
            exchange.empty = 0;
            return Ok(());
        };
        if outgoing.change_bytes > 0 {
            exchange.empty = 0;
        } else if silent {
            exchange.awaiting_since.get_or_insert(now_ms);
            return Ok(());
        }
        exchange.awaiting_since = outgoing.wants_answer.then_some(now_ms);
        exchange.unanswered += outgoing.entries as u64;
        self.send(&Frame::Document { document, message: outgoing.bytes }, out);
        Ok(())
    }

    fn tick<S: Store>(&mut self, log: &mut Log<S>, now_ms: u64, out: &mut Vec<Effect>) -> Result<(), Stop> {
        let answer_ms = self.config.limits.answer_ms;
        if self.progress.stage == Stage::Calling && now_ms.saturating_sub(self.called_ms) >= answer_ms {
            self.call(log, now_ms, out)?;
        }
        for document in self.peer.unanswered(now_ms, answer_ms) {
            if let Some(exchange) = self.peer.get(document) {
                (exchange.awaiting_since, exchange.unanswered, exchange.empty) = (None, 0, 0);
                exchange.state.forget_unanswered();
            }
            self.speak(log, now_ms, document, out)?;
        }
        Ok(())
    }

    /// Begins what is in line, and says when there is nothing left.
    fn go_on<S: Store>(&mut self, log: &mut Log<S>, now_ms: u64, out: &mut Vec<Effect>) -> Result<(), Stop> {
        if !matches!(self.progress.stage, Stage::Exchanging | Stage::Met) {
            return Ok(());
        }
        // Documents whose answer is awaited are spoken of again when it comes.
        for _ in 0..self.peer.left() {
            let Some(document) = self.peer.next(self.config.limits.documents_at_once) else { break };
            self.speak(log, now_ms, document, out)?;
        }
        let met = self.peer.left() == 0 && !self.expecting;
        if met && self.progress.stage == Stage::Exchanging {
            self.keep(log)?;
            self.progress.stage = Stage::Met;
            out.push(Effect::Met);
        } else if !met {
            self.progress.stage = Stage::Exchanging;
        }
        self.peer.drop_old();
        Ok(())
    }

    /// Keeps what was learnt of the peer. Only the opening side does: the other side hears it from the first message.
    fn keep<S: Store>(&mut self, log: &mut Log<S>) -> Result<(), Stop> {
        self.let_go(log)?;
        let unkept = self.peer.take_unkept();
        let (Side::Opening, Some(peer)) = (self.side, self.peer.device) else { return Ok(()) };
        let writes: Vec<Write> =
            unkept.into_iter().map(|(document, value)| Write::Keep { key: key(peer, document), value }).collect();
        if !writes.is_empty() {
            log.store_mut().commit(&writes).map_err(LogError::from)?;
        }
        Ok(())
    }

    fn send(&mut self, frame: &Frame, out: &mut Vec<Effect>) {
        for bytes in self.guard.cut(frame.to_bytes()) {
            self.progress.frames_out += 1;
            self.progress.bytes_out += bytes.len() as u64;
            out.push(Effect::Send(bytes));
        }
    }
}

/// The name under which it is kept what a peer is known to have of a document.
fn key(peer: DeviceId, document: DocumentId) -> String {
    format!("met/{peer}/{document}")
}
