//! One crew: its log, and the engines of its sessions.

use std::collections::{BTreeMap, HashMap};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::Instant;

use embertally_core::facts::DocumentId;
use embertally_core::log::{Home, Log, LogError};
use embertally_core::sync::{Config, Effect, Engine, Event, Frame as Word, Refusal};
use tokio::sync::mpsc;

use super::job::{Frame, SessionId, Work};
use super::line::{Line, Reason};
use super::membership::Membership;
use super::{Setting, Usage};
use crate::clock::{now_ms, random_bits};
use crate::ids::CrewId;
use crate::stores::BoxStore;

pub(super) struct Session {
    pub(super) engine: Engine,
    pub(super) line: Arc<Line>,
}

impl Drop for Session {
    /// However it ends here, the socket hears of it. What is in line is sent first if a closing was put in line.
    fn drop(&mut self) {
        self.line.close(Reason::Closing);
    }
}

/// Who changed a document since the others were last told: one session, or more than one (or something else).
type Changed = BTreeMap<DocumentId, Option<SessionId>>;

/// A crew at work.
pub(in crate::crews) struct Crew {
    pub(super) id: CrewId,
    pub(super) setting: Arc<Setting>,
    pub(super) log: Log<BoxStore>,
    usage: Usage,
    pub(super) membership: Membership,
    pub(super) sessions: HashMap<SessionId, Session>,
    listeners: Vec<mpsc::UnboundedSender<Arc<[DocumentId]>>>,
    changed: Changed,
    /// Since when nobody is here.
    pub(super) idle_since: Option<Instant>,
}

fn open_log(setting: &Setting, crew: CrewId) -> Result<Log<BoxStore>, LogError> {
    Ok(Log::open(setting.stores.open(crew)?, random_bits))
}

impl Crew {
    pub(super) fn open(setting: &Arc<Setting>, id: CrewId) -> Result<Self, LogError> {
        let mut log = open_log(setting, id)?;
        // What is there now is no news.
        log.refresh()?;
        let usage = Usage::of(&log)?;
        let mut crew = Self {
            id,
            setting: setting.clone(),
            log,
            usage,
            membership: Membership::default(),
            sessions: HashMap::new(),
            listeners: Vec::new(),
            changed: Changed::new(),
            idle_since: Some(Instant::now()),
        };
        crew.look_at_members(true)?;
        Ok(crew)
    }

    pub(super) fn begin(&mut self, session: SessionId, line: Arc<Line>) {
        let reads_only = line.reads_only || self.usage.over(&self.setting.quota).is_some();
        let config =
            Config { device: self.setting.device, limits: self.setting.limits.sync, peer_reads_only: reads_only };
        self.sessions.insert(session, Session { engine: Engine::answerer(config), line });
        self.idle_since = None;
        self.event(session, Event::Opened);
    }

    pub(super) fn frame(&mut self, session: SessionId, frame: &Frame) {
        self.setting.metrics.lag(frame.came.elapsed());
        self.event(session, Event::Frame(&frame.bytes));
        let Some(there) = self.sessions.get(&session) else { return };
        let pause = there.engine.pause_ms();
        if pause > 0 {
            there.line.pause_until(now_ms().saturating_add(pause));
        }
    }

    pub(super) fn end(&mut self, session: SessionId) {
        self.event(session, Event::Closed);
        self.sessions.remove(&session);
        self.look_whether_idle();
    }

    /// Notes since when nobody is here; listeners go without a word.
    fn look_whether_idle(&mut self) {
        self.listeners.retain(|listener| !listener.is_closed());
        if self.sessions.is_empty() && self.listeners.is_empty() {
            self.idle_since.get_or_insert_with(Instant::now);
        }
    }

    pub(super) fn tick(&mut self) {
        let ids: Vec<SessionId> = self.sessions.keys().copied().collect();
        for session in ids {
            self.event(session, Event::Tick);
        }
        self.look_whether_idle();
    }

    /// Looks for what others wrote into the store.
    pub(super) fn elsewhere(&mut self) {
        match self.log.refresh() {
            Ok(documents) => self.changed.extend(documents.into_iter().map(|document| (document, None))),
            Err(error) => tracing::warn!(crew = %self.id, code = error.code(), %error, "cannot look for news"),
        }
        self.heed_members();
    }

    pub(super) fn work(&mut self, work: Work) {
        match catch_unwind(AssertUnwindSafe(|| work(&mut self.log))) {
            Ok(documents) => self.changed.extend(documents.into_iter().map(|document| (document, None))),
            Err(_) => self.reopen(),
        }
    }

    pub(super) fn listen(&mut self, listener: mpsc::UnboundedSender<Arc<[DocumentId]>>) {
        self.listeners.push(listener);
        self.idle_since = None;
    }

    /// Ends everything: the server is closing.
    pub(super) fn close(&mut self) {
        for (_, mut session) in self.sessions.drain() {
            // What was learnt of the peer is kept first, since the refusal ends the conversation.
            let kept = session.engine.handle(&mut self.log, now_ms(), Event::Closed);
            let refusal = Refusal::Closing { what: "the server is closing for a while; try again soon".to_owned() };
            drop(kept);
            say(&session.line, &refusal);
        }
    }

    /// Lets a session's engine deal with an event, and does what it asks for.
    fn event(&mut self, id: SessionId, event: Event<'_>) {
        let Some(session) = self.sessions.get_mut(&id) else { return };
        if session.line.token.is_closed() {
            // Its socket says why.
            self.sessions.remove(&id);
            return;
        }
        let frame_bytes = if let Event::Frame(bytes) = event { bytes.len() } else { 0 };
        let (engine, log) = (&mut session.engine, &mut self.log);
        // The log contains the CRDT's panics itself; this is for what nobody thought of.
        match catch_unwind(AssertUnwindSafe(|| engine.handle(log, now_ms(), event))) {
            Ok(Ok(effects)) => self.act(id, effects, frame_bytes),
            Ok(Err(error)) => {
                self.setting.metrics.store_failed();
                tracing::error!(crew = %self.id, code = error.code(), %error, "a crew's log failed");
                let refusal = Refusal::Store { what: format!("{}; try again later", error.code()) };
                self.refuse(id, &refusal);
            }
            Err(_) => {
                self.setting.metrics.panicked();
                tracing::error!(crew = %self.id, "a fault in this program; the crew's log is opened anew");
                session.line.token.at_fault();
                self.refuse(id, &Refusal::Store { what: "a fault in the server, which was contained".to_owned() });
                self.reopen();
            }
        }
    }

    fn act(&mut self, id: SessionId, effects: Vec<Effect>, frame_bytes: usize) {
        let mut entries_in = 0;
        let (mut changes, mut met) = (false, false);
        for effect in effects {
            let Some(session) = self.sessions.get(&id) else { return };
            match effect {
                Effect::Send(bytes) => session.line.send(bytes),
                Effect::Changed { document, entries } => {
                    (entries_in, changes) = (entries_in + entries, true);
                    let by = self.changed.entry(document).or_insert(Some(id));
                    if *by != Some(id) {
                        *by = None;
                    }
                }
                Effect::Met => met = true,
                Effect::Close(refusal) => {
                    session.line.close(Reason::of(&refusal));
                    self.sessions.remove(&id);
                }
            }
        }
        if changes {
            self.setting.metrics.took_in(entries_in);
            self.usage.add(entries_in, frame_bytes, &self.log);
            if let Some(what) = self.usage.over(&self.setting.quota) {
                self.refuse(id, &Refusal::NotAllowed { what });
            }
        }
        if met {
            self.learn_whose_it_is(id);
        }
    }

    /// Tells the other sessions what changed, all of it at once: however many frames came, each is told once.
    pub(super) fn announce(&mut self) {
        if self.changed.is_empty() {
            return;
        }
        let changed = std::mem::take(&mut self.changed);
        if changed.keys().any(|document| document.home() == Home::Register) {
            self.membership.register_changed();
            self.heed_members();
        }
        let ids: Vec<SessionId> = self.sessions.keys().copied().collect();
        for id in ids {
            let news: Vec<DocumentId> =
                changed.iter().filter(|(_, by)| **by != Some(id)).map(|(document, _)| *document).collect();
            if !news.is_empty() {
                self.event(id, Event::Changed(&news));
            }
        }
        let all: Arc<[DocumentId]> = changed.into_keys().collect();
        self.listeners.retain(|listener| listener.send(all.clone()).is_ok());
        if self.sessions.is_empty() && self.listeners.is_empty() {
            self.idle_since.get_or_insert_with(Instant::now);
        }
    }

    /// Ends a session whose engine can say nothing any more.
    fn refuse(&mut self, id: SessionId, refusal: &Refusal) {
        if let Some(session) = self.sessions.remove(&id) {
            say(&session.line, refusal);
        }
    }

    /// Opens the log anew, after a panic: what was in memory may be half done, what is in the store is not.
    fn reopen(&mut self) {
        match open_log(&self.setting, self.id) {
            Ok(log) => {
                self.log = log;
                self.heed_members();
            }
            Err(error) => {
                tracing::error!(crew = %self.id, code = error.code(), %error, "a crew's log cannot be opened anew");
                let ids: Vec<SessionId> = self.sessions.keys().copied().collect();
                let refusal = Refusal::Store { what: format!("{}; try again later", error.code()) };
                ids.into_iter().for_each(|id| self.refuse(id, &refusal));
            }
        }
    }
}

/// Sends a refusal as the last frame.
pub(super) fn say(line: &Line, refusal: &Refusal) {
    line.send(Word::Refuse(refusal.clone()).to_bytes());
    line.close(Reason::of(refusal));
}
