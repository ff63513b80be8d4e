//! The log's side of all conversations: one engine each, over one log, on one thread.

use std::collections::BTreeMap;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use embertally_core::facts::{DeviceId, DocumentId};
use embertally_core::log::{Log, LogError};
use embertally_core::store::Store;
use embertally_core::sync::{Config, Effect, Engine, Event, Frame, Limits, Refusal, Stage};

use crate::error::LinkError;
use crate::line::{Arrival, LineId, Outbox};
use crate::nearby::Found;
use crate::note::{Note, Tally};

/// Milliseconds since 1970 that never go back, whatever happens to the system's clock meanwhile.
#[derive(Debug, Clone, Copy)]
struct Clock {
    began: Instant,
    began_ms: u64,
}

impl Clock {
    fn now() -> Self {
        let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        Self { began: Instant::now(), began_ms: u64::try_from(since.as_millis()).unwrap_or_default() }
    }

    fn ms(&self) -> u64 {
        self.began_ms + u64::try_from(self.began.elapsed().as_millis()).unwrap_or_default()
    }
}

/// One conversation.
struct Talk {
    engine: Engine,
    outbox: Outbox,
    place: String,
    opens: bool,
    /// Whether something came since it was last said that both are up to date.
    news: bool,
    /// Whether it was told how the other side's clock stands.
    clock_told: bool,
    /// Why it was ended from here; what comes after that is not looked at.
    error: Option<LinkError>,
}

/// What an arrival came to, where the driver has to do something.
pub(crate) enum Step {
    /// Both sides have what the other had.
    Met(LineId),
    /// A conversation is over.
    Over { line: LineId, place: String, opens: bool, met: bool, error: Option<LinkError> },
    /// A connection did not come about.
    Failed { line: LineId, error: LinkError },
    /// Another device is near.
    Found(Found),
}

/// Who is told what happens; the log is at hand for it, to be read.
pub(crate) type Notes<'a, S> = dyn FnMut(&mut Log<S>, Note) + 'a;

/// All conversations over one log.
pub(crate) struct Desk<'a, S> {
    log: &'a mut Log<S>,
    notes: &'a mut Notes<'a, S>,
    config: Config,
    talks: BTreeMap<LineId, Talk>,
    /// Of the conversations that are over, and the entries of all.
    tally: Tally,
    clock: Clock,
}

impl<'a, S: Store> Desk<'a, S> {
    pub(crate) fn new(log: &'a mut Log<S>, device: DeviceId, notes: &'a mut Notes<'a, S>) -> Result<Self, LinkError> {
        // What is written from now on counts as new; what was before is in the first comparison.
        log.refresh()?;
        // The other side is known by its certificate or by the crew's code, and one's own log is small beside a
        // network: its rate is not held back as a server does with its many devices.
        let limits = Limits { sustained_bytes_per_s: 16 << 20, burst_bytes: 64 << 20, ..Limits::default() };
        let config = Config { device, limits, peer_reads_only: false };
        Ok(Self { log, notes, config, talks: BTreeMap::new(), tally: Tally::default(), clock: Clock::now() })
    }

    /// Reports something.
    pub(crate) fn note(&mut self, note: Note) {
        (self.notes)(self.log, note);
    }

    /// Returns what came and went so far.
    pub(crate) fn tally(&self) -> Tally {
        let mut tally = self.tally;
        self.talks.values().for_each(|talk| add(&mut tally, talk));
        tally
    }

    pub(crate) fn is_idle(&self) -> bool {
        self.talks.is_empty()
    }

    /// Tells whether somebody at this IP address talks with this device now.
    pub(crate) fn talks_with(&self, host: &str) -> bool {
        self.talks.values().any(|talk| talk.place.rsplit_once(':').is_some_and(|(ip, _)| ip == host))
    }

    /// Takes what the network tells.
    pub(crate) fn take(&mut self, arrival: Arrival) -> Option<Step> {
        match arrival {
            Arrival::Opened { line, place, opens, outbox } => {
                let new = if opens { Engine::opener } else { Engine::answerer };
                let engine = new(self.config.clone());
                self.talks.insert(
                    line,
                    Talk { engine, outbox, place: place.clone(), opens, news: false, clock_told: false, error: None },
                );
                self.note(Note::Meeting { place });
                // The comparison is of what the store holds; what is in memory must not be older.
                if let Err(error) = self.look() {
                    self.talks.get_mut(&line)?.end(error);
                    return None;
                }
                self.tell(line, Event::Opened)
            }
            Arrival::Frame { line, bytes } => self.tell(line, Event::Frame(&bytes)),
            Arrival::Ended { line, error } => {
                let mut talk = self.talks.remove(&line)?;
                let met = talk.engine.progress().stage == Stage::Met;
                let closed = talk.engine.handle(self.log, self.clock.ms(), Event::Closed);
                add(&mut self.tally, &talk);
                let error = talk.error.or(closed.err().map(LinkError::Log)).or(error);
                Some(Step::Over { line, place: talk.place, opens: talk.opens, met, error })
            }
            Arrival::Failed { line, error } => Some(Step::Failed { line, error }),
            Arrival::Found(found) => Some(Step::Found(found)),
        }
    }

    /// Tells one engine what happened, and does what it wants done.
    fn tell(&mut self, line: LineId, event: Event<'_>) -> Option<Step> {
        let now = self.clock.ms();
        let talk = self.talks.get_mut(&line).filter(|talk| talk.error.is_none())?;
        let effects = match talk.engine.handle(self.log, now, event) {
            Ok(effects) => effects,
            Err(error) => {
                talk.fail(error);
                return None;
            }
        };
        talk.outbox.pause(talk.engine.pause_ms());
        let (mut changed, mut met) = (Vec::new(), false);
        for effect in effects {
            match effect {
                Effect::Send(frame) => {
                    if !talk.outbox.send(frame) {
                        let what = "it does not take what is sent".to_owned();
                        talk.end(LinkError::Cut { place: talk.place.clone(), what });
                        return None;
                    }
                }
                Effect::Changed { document, entries } => changed.push((document, entries)),
                Effect::Met => met = true,
                Effect::Close(refusal) => {
                    talk.end(LinkError::Refused { place: talk.place.clone(), refusal });
                }
            }
        }
        // The answering side finds nothing to do at first, before the other has said what it has.
        met &= talk.opens || talk.engine.progress().frames_in > 1;
        talk.news = !met && (talk.news || !changed.is_empty());
        let place = talk.place.clone();
        let progress = talk.engine.progress();
        let clock = progress.peer.filter(|_| !std::mem::replace(&mut talk.clock_told, progress.peer.is_some()));
        if let Some(device) = clock {
            self.note(Note::Clock { place: place.clone(), device, ahead_ms: progress.clock_ahead_ms });
        }
        for (document, entries) in changed {
            self.tally.entries_came += entries as u64;
            self.changed(&[document], Some(line));
            self.note(Note::Came { document, entries });
        }
        if met {
            self.tally.met += 1;
            let tally = self.tally();
            self.note(Note::UpToDate { place, tally });
            return Some(Step::Met(line));
        }
        None
    }

    /// Tells the engines of all other conversations that the log has changed.
    fn changed(&mut self, documents: &[DocumentId], but: Option<LineId>) {
        let lines: Vec<LineId> = self.talks.keys().copied().filter(|line| Some(*line) != but).collect();
        for line in lines {
            self.tell(line, Event::Changed(documents));
        }
    }

    /// Lets time pass.
    pub(crate) fn tick(&mut self) {
        let lines: Vec<LineId> = self.talks.keys().copied().collect();
        for line in lines {
            self.tell(line, Event::Tick);
        }
    }

    /// Looks for what other processes wrote into the same store, and tells of it; and says who is up to date again after
    /// something came. A peer that gives what is new says no word that it was all; so it is looked now and then.
    pub(crate) fn look(&mut self) -> Result<(), LinkError> {
        let tally = self.tally();
        let is_even = |talk: &&mut Talk| talk.news && talk.engine.progress().stage == Stage::Met;
        let mut even = Vec::new();
        for talk in self.talks.values_mut().filter(is_even) {
            talk.news = false;
            even.push(talk.place.clone());
        }
        even.into_iter().for_each(|place| self.note(Note::UpToDate { place, tally }));
        match self.log.refresh() {
            Ok(documents) if documents.is_empty() => Ok(()),
            Ok(documents) => {
                self.changed(&documents, None);
                Ok(())
            }
            Err(error) => {
                let error = LinkError::Log(error);
                // Somebody else is writing: it is there at the next look.
                if error.may_pass() { Ok(()) } else { Err(error) }
            }
        }
    }

    /// Ends one conversation properly.
    pub(crate) fn close(&self, line: LineId) {
        if let Some(talk) = self.talks.get(&line) {
            talk.outbox.close();
        }
    }

    /// Ends all conversations properly.
    pub(crate) fn close_all(&self) {
        self.talks.values().for_each(|talk| talk.outbox.close());
    }
}

impl Talk {
    /// Ends the conversation from here.
    fn end(&mut self, error: LinkError) {
        self.error = Some(error);
        self.outbox.close();
    }

    /// Ends the conversation because this side's own log failed; the other side is told that it is not to blame.
    fn fail(&mut self, error: LogError) {
        let refusal = Refusal::Store { what: error.code().to_owned() };
        // Whether there is still room for it makes no difference.
        let _ = self.outbox.send(Frame::Refuse(refusal).to_bytes());
        self.end(LinkError::Log(error));
    }
}

fn add(tally: &mut Tally, talk: &Talk) {
    let progress = talk.engine.progress();
    tally.entries_went += progress.entries_out;
    tally.bytes_came += progress.bytes_in;
    tally.bytes_went += progress.bytes_out;
    tally.reads_only |= talk.opens && !progress.may_write;
    let clocks = tally.clock_ahead_ms.into_iter().chain(progress.peer.map(|_| progress.clock_ahead_ms));
    tally.clock_ahead_ms = clocks.max_by_key(|ms| ms.unsigned_abs());
}
