//! The conversation with the crew's server, as the core has it; whoever owns the socket brings the frames.

use embertally_core::facts::DocumentId;
use embertally_core::log::Home;
use embertally_core::store::{Store, StoreError};
use embertally_core::sync::{Config, Effect, Engine, Event, Frame, Limits, Refusal, Stage};
use serde_json::{Value, json};

use super::{App, Now};
use crate::error::Refused;

/// How many entries the log held when it last was the same as the server's.
const MET: &str = "sync/met_entries";
/// When that was, in milliseconds since 1970.
const MET_AT: &str = "sync/met_ms";

/// A conversation under way.
#[derive(Debug)]
pub struct Meeting {
    engine: Engine,
    frames: Vec<Vec<u8>>,
    /// Why it is over, if it is.
    over: Option<Over>,
}

#[derive(Debug, Clone)]
struct Over {
    code: &'static str,
    text: String,
    may_pass: bool,
}

impl<S: Store> App<S> {
    /// Begins a conversation; the socket to the server is open.
    ///
    /// # Errors
    /// What the log gives.
    pub fn meet(&mut self, now: Now) -> Result<(), Refused> {
        // The server is known by its certificate, and one's own log is small beside a network: its rate is not held back
        // as the server does with its many devices.
        let limits = Limits { sustained_bytes_per_s: 16 << 20, burst_bytes: 64 << 20, ..Limits::default() };
        let config = Config { device: self.device, limits, peer_reads_only: false };
        self.meeting = Some(Meeting { engine: Engine::opener(config), frames: Vec::new(), over: None });
        self.tell(Event::Opened, now)
    }

    /// Takes one frame from the server.
    ///
    /// # Errors
    /// What the log gives; the conversation is over then.
    pub fn hear(&mut self, frame: &[u8], now: Now) -> Result<(), Refused> {
        self.tell(Event::Frame(frame), now)
    }

    /// Lets time pass; to be called every few seconds.
    ///
    /// # Errors
    /// As [`App::hear`].
    pub fn tick(&mut self, now: Now) -> Result<(), Refused> {
        self.tell(Event::Tick, now)
    }

    /// Ends the conversation: the socket is gone.
    ///
    /// # Errors
    /// As [`App::hear`].
    pub fn part(&mut self, now: Now) -> Result<(), Refused> {
        let told = self.tell(Event::Closed, now);
        self.meeting = None;
        told
    }

    /// Takes the frames that are to be sent, in order.
    pub fn frames(&mut self) -> Vec<Vec<u8>> {
        self.meeting.as_mut().map(|m| std::mem::take(&mut m.frames)).unwrap_or_default()
    }

    fn tell(&mut self, event: Event<'_>, now: Now) -> Result<(), Refused> {
        let Some(meeting) = &mut self.meeting else { return Ok(()) };
        let now_ms = u64::try_from(now.0.unix_ms).unwrap_or_default();
        let effects = match meeting.engine.handle(&mut self.log, now_ms, event) {
            Ok(effects) => effects,
            Err(error) => {
                // The other side is told that it is not to blame.
                let refusal = Refusal::Store { what: error.code().to_owned() };
                meeting.frames.push(Frame::Refuse(refusal).to_bytes());
                meeting.over = Some(Over { code: error.code(), text: error.to_string(), may_pass: true });
                return Err(error.into());
            }
        };
        for effect in effects {
            match effect {
                Effect::Send(frame) => meeting.frames.push(frame),
                Effect::Changed { document, .. } => drop(self.came.insert(document)),
                Effect::Met => {}
                Effect::Close(refusal) => {
                    let (code, may_pass) = (refusal.code(), refusal.may_pass());
                    meeting.over = Some(Over { code, text: refusal.to_string(), may_pass });
                }
            }
        }
        if meeting.engine.progress().stage == Stage::Met {
            self.keep_met(now)?;
        }
        Ok(())
    }

    /// Tells the conversation that this device wrote into some homes: into their last parts, or those before if one was
    /// just begun.
    pub(super) fn tell_written(&mut self, homes: &[Home], now: Now) {
        if self.meeting.is_none() {
            return;
        }
        let Ok(listed) = self.log.list() else { return };
        let mut documents: Vec<DocumentId> = Vec::new();
        for home in homes {
            let mut parts: Vec<_> = listed.iter().map(|l| l.document).filter(|d| d.home() == *home).collect();
            parts.sort_unstable();
            documents.extend(parts.iter().rev().take(2));
        }
        self.tell_changed(&documents, now);
    }

    /// Tells the conversation that these documents changed here.
    pub(super) fn tell_changed(&mut self, documents: &[DocumentId], now: Now) {
        // What goes wrong here is told as the end of the conversation; the next one begins with a comparison.
        let _ = self.tell(Event::Changed(documents), now);
    }

    fn entries(&self) -> Result<u64, StoreError> {
        let listed = self.log.store().list()?;
        Ok(listed.iter().map(|l| l.summary.entries).sum())
    }

    fn keep_met(&mut self, now: Now) -> Result<(), Refused> {
        let entries = self.entries()?.to_string();
        if self.kept(MET)?.as_deref() != Some(entries.as_str()) {
            self.keep(MET, entries.as_bytes())?;
            self.keep(MET_AT, now.0.unix_ms.to_string().as_bytes())?;
        }
        Ok(())
    }

    /// Returns how the log stands to the server's: how many entries may be here alone, and how the conversation goes.
    pub(super) fn meeting_json(&self) -> Result<Value, Refused> {
        let met: u64 = self.kept(MET)?.and_then(|t| t.parse().ok()).unwrap_or(0);
        let waiting = self.entries()?.saturating_sub(met);
        let progress = self.meeting.as_ref().map(|m| m.engine.progress());
        let stage = progress.map_or("apart", |p| match p.stage {
            Stage::Silent | Stage::Calling => "calling",
            Stage::Exchanging => "exchanging",
            Stage::Met => "met",
            Stage::Over => "over",
        });
        let over = self.meeting.as_ref().and_then(|m| m.over.as_ref());
        Ok(json!({
            "stage": stage, "waiting": waiting, "left": progress.map_or(0, |p| p.documents_left),
            "met_at_ms": self.kept(MET_AT)?.and_then(|t| t.parse::<i64>().ok()),
            "may_write": progress.is_none_or(|p| p.may_write),
            "clock_ahead_ms": progress.map_or(0, |p| p.clock_ahead_ms),
            "pause_ms": self.meeting.as_ref().map_or(0, |m| m.engine.pause_ms()),
            "over": over.map(|o| json!({ "code": o.code, "text": o.text, "may_pass": o.may_pass })),
        }))
    }

    /// Returns how the conversation goes, as JSON.
    ///
    /// # Errors
    /// What the store gives.
    pub fn meeting(&self) -> Result<String, Refused> {
        super::said(&self.meeting_json()?)
    }
}
