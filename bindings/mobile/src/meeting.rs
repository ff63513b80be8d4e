//! Meeting the crew's server, in the background or once. The log is opened beside for it, so nobody waits for a network.

use std::sync::Arc;

use embertally_core::log::Log;
use embertally_link::{Courier, Invitation, Note, Stopper, Tally, Until};

use crate::desk::{Desk, Result, SqliteLog, held};
use crate::error::{EmbertallyError, sentence};
use crate::long::{Cancel, guarded};
use crate::views::{SyncOutcome, SyncState, SyncStatus, SyncTally};

/// Under which name the invitation is kept with the log; the command-line tool's too.
const KEPT: &str = "link/invitation";

/// What runs in the background.
#[derive(Default)]
pub(crate) struct Sync {
    pub(crate) status: SyncStatus,
    stopper: Option<Stopper>,
    /// Which run may speak: one that was stopped still takes its leave.
    run: u64,
}

impl Sync {
    /// Ends the run; conversations are closed properly, which goes on beside.
    pub(crate) fn stop(&mut self) {
        if let Some(stopper) = self.stopper.take() {
            stopper.stop();
            self.run += 1;
            self.status.state = SyncState::Off;
        }
    }
}

impl From<Tally> for SyncTally {
    fn from(t: Tally) -> Self {
        Self {
            entries_came: t.entries_came,
            entries_went: t.entries_went,
            bytes_came: t.bytes_came,
            bytes_went: t.bytes_went,
            reads_only: t.reads_only,
        }
    }
}

fn parsed(text: &str) -> Result<Invitation> {
    text.trim().parse().map_err(|e| EmbertallyError::refused("E_INVITATION", sentence(&e)))
}

fn kept(log: &SqliteLog) -> Result<Option<String>> {
    Ok(Desk::kept(log, KEPT)?.map(|bytes| String::from_utf8_lossy(&bytes).into_owned()))
}

impl Desk {
    /// Returns the invitation given, which is kept from now on, or the one kept.
    fn invitation(&self, given: Option<&str>) -> Result<Invitation> {
        let mut log = self.log();
        let known = kept(&log)?;
        let Some(given) = given else {
            let text = "No invitation is kept with this log. Ask whoever runs the crew's server for one.";
            return parsed(&known.ok_or_else(|| EmbertallyError::refused("E_NO_INVITATION", text))?);
        };
        let invitation = parsed(given)?;
        if known.and_then(|text| text.parse::<Invitation>().ok()).is_some_and(|other| other.crew != invitation.crew) {
            let text = "This log belongs to another crew. Two crews' logs that have met cannot be parted again: use a log \
                        of its own for this one.";
            return Err(EmbertallyError::refused("E_OTHER_CREW", text));
        }
        Self::keep(&mut log, KEPT, invitation.reveal().as_bytes())?;
        Ok(invitation)
    }

    pub(crate) fn start_sync(self: &Arc<Self>, invitation: Option<&str>) -> Result<()> {
        let invitation = self.invitation(invitation)?;
        let mut courier = Courier::new(self.device)?;
        let run = {
            let mut sync = held(&self.sync);
            if sync.stopper.is_some() {
                return Err(EmbertallyError::Usage { reason: "Sync is running already.".to_owned() });
            }
            sync.stopper = Some(courier.stopper());
            sync.run += 1;
            sync.status = SyncStatus { state: SyncState::Meeting, tally: SyncTally::default() };
            sync.run
        };
        // The thread holds no more than a weak hand on the desk while it waits, so that closing ends it.
        let desk = Arc::downgrade(self);
        let work = move || {
            let told = |change: &dyn Fn(&mut SyncStatus)| {
                if let Some(desk) = desk.upgrade() {
                    desk.sync_told(run, change);
                }
            };
            let log = desk.upgrade().map(|desk| desk.another());
            let met = match log {
                Some(Ok(mut log)) => {
                    let mut tell = |_: &mut SqliteLog, note: Note| {
                        if matches!(note, Note::Came { .. })
                            && let Some(desk) = desk.upgrade()
                        {
                            desk.crier.came();
                        }
                        told(&|status| take(status, &note));
                    };
                    let sync = || {
                        courier.sync(&mut log, &invitation, Until::Stopped, &mut tell).map_err(EmbertallyError::from)
                    };
                    caught(&desk, sync).map(drop)
                }
                Some(Err(error)) => Err(error),
                None => Ok(()),
            };
            let end = match met {
                Ok(()) => SyncState::Off,
                Err(error) => ended(&error),
            };
            if let Some(desk) = desk.upgrade() {
                desk.sync_told(run, &|status| status.state = end.clone());
                let mut sync = held(&desk.sync);
                if sync.run == run {
                    sync.stopper = None;
                }
            }
        };
        let spawned = std::thread::Builder::new().name("embertally-sync".to_owned()).spawn(work);
        if let Err(e) = spawned {
            held(&self.sync).stop();
            return Err(EmbertallyError::no_thread(&e));
        }
        self.crier.sync_changed();
        Ok(())
    }

    fn sync_told(&self, run: u64, change: &dyn Fn(&mut SyncStatus)) {
        let mut sync = held(&self.sync);
        if sync.run == run {
            change(&mut sync.status);
            drop(sync);
            self.crier.sync_changed();
        }
    }

    pub(crate) fn stop_sync(&self) {
        held(&self.sync).stop();
        self.crier.sync_changed();
    }

    /// Meets the server once: all that both had is on both sides' disks when it returns.
    pub(crate) fn sync_once(&self, invitation: Option<&str>, cancel: &Cancel) -> Result<SyncOutcome> {
        let invitation = self.invitation(invitation)?;
        let mut courier = Courier::new(self.device)?;
        let stopper = courier.stopper();
        cancel.then(move || stopper.stop());
        let mut log = self.another()?;
        let mut meet = |log: &mut SqliteLog| {
            let outcome = courier.sync(log, &invitation, Until::Met, &mut |_: &mut Log<_>, _| ())?;
            if outcome.stopped { Err(EmbertallyError::Cancelled) } else { Ok(outcome.tally) }
        };
        let before = self.live_so_far();
        let mut met = meet(&mut log);
        self.log().refresh()?;
        if met.is_ok() && self.confirm_joinings()? > 0 {
            // Those who joined wait for this word.
            log.refresh()?;
            met = meet(&mut log);
        }
        // What came before it was cut is saved all the same.
        self.brought()?;
        let (tally, after) = (met?, self.live_so_far());
        let (newly_live, no_longer_live) = (after.0 - before.0, after.1 - before.1);
        Ok(SyncOutcome { tally: tally.into(), newly_live, no_longer_live })
    }
}

fn caught<T>(desk: &std::sync::Weak<Desk>, work: impl FnOnce() -> Result<T>) -> Result<T> {
    // The desk itself is not held while the run goes on; after a panic it is asked for again.
    let result = std::panic::catch_unwind(std::panic::AssertUnwindSafe(work));
    result.unwrap_or_else(|panic| match desk.upgrade() {
        Some(desk) => guarded(&desk, || std::panic::resume_unwind(panic)),
        None => Err(EmbertallyError::Cancelled),
    })
}

/// What a note says of the state.
fn take(status: &mut SyncStatus, note: &Note) {
    match note {
        Note::Meeting { .. } => status.state = SyncState::Meeting,
        Note::Came { entries, .. } => status.tally.entries_came += *entries as u64,
        Note::UpToDate { tally, .. } => {
            status.state = SyncState::UpToDate;
            status.tally = (*tally).into();
        }
        Note::Offline { error, again, .. } => {
            let again_ms = again.map_or(0, |wait| u64::try_from(wait.as_millis()).unwrap_or(u64::MAX));
            status.state = SyncState::Offline { code: error.code().to_owned(), reason: sentence(error), again_ms };
        }
        _ => {}
    }
}

fn ended(error: &EmbertallyError) -> SyncState {
    let (code, reason) = match error {
        EmbertallyError::Refused { code, reason }
        | EmbertallyError::TryAgain { code, reason }
        | EmbertallyError::Damaged { code, reason } => (code.clone(), reason.clone()),
        other => ("E_INTERNAL".to_owned(), other.to_string()),
    };
    SyncState::Refused { code, reason }
}
