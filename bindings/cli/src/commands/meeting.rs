//! What is said and printed while logs meet, and what the meeting did to the live list.

use std::io::{self, IsTerminal};

use embertally_core::facts::DeviceId;
use embertally_core::ledger::{Ledger, LiveChanges};
use embertally_core::log::Log;
use embertally_core::store::{Store, Write};
use embertally_link::{Courier, LinkError, Note, Tally};
use embertally_store_sqlite::SqliteStore;
use fast_qr::{ECL, QRBuilder};
use serde_json::{Value, json};

use super::qr::half_blocks;
use crate::error::{CliError, sentence};
use crate::output::{self, counted, fancy, raw_line, say};
use crate::session::now;

/// Under which name it is kept how another device's clock stood when it was last met; its id follows.
const CLOCK: &str = "link/clock/";
/// From how much on people are told of it.
const CLOCK_MATTERS_MS: u64 = 60_000;

/// Says why logs did not meet; what was saved is safe whatever it was.
pub(super) fn refused(error: &LinkError) -> CliError {
    let text = format!("{} What was saved on this device is safe.", sentence(&error.to_string()));
    CliError::refused(error.code(), text)
}

/// Ends the courier's run at Ctrl-C, or when the system asks for it.
pub(super) fn stop_at_signal(courier: &Courier) -> Result<(), CliError> {
    let stopper = courier.stopper();
    super::serve::at_signal(move || stopper.stop())
}

/// Shows a text as a QR code, where somebody watches.
pub(super) fn show_code(text: &str) -> Result<(), CliError> {
    if !io::stdout().is_terminal() {
        return Ok(());
    }
    // On a screen there is nothing to be mended: the lowest level makes the smallest code.
    let code = QRBuilder::new(text)
        .ecl(ECL::L)
        .build()
        .map_err(|e| CliError::refused("E_INTERNAL", format!("A code cannot be drawn: {e}.")))?;
    raw_line(&half_blocks(&code, fancy()))
}

/// Reads the log into a ledger; what could not be read is said by whoever opened the log.
fn ledger_of(log: &mut Log<SqliteStore>) -> Option<Ledger> {
    let mut ledger = Ledger::new();
    log.replay(|_, entry| ledger.add(&entry)).ok()?;
    ledger.settle();
    Some(ledger)
}

/// What the entries that came did.
pub(super) struct Effects {
    newly_live: usize,
    no_longer_live: usize,
    disputes: usize,
    proposals: usize,
}

impl Effects {
    pub(super) fn between(before: &Ledger, after: &Ledger) -> Self {
        let LiveChanges { new: newly_live, gone: no_longer_live } = after.live_changes(before);
        Self { newly_live, no_longer_live, disputes: after.disputes().len(), proposals: after.proposals().len() }
    }

    fn json(&self) -> Value {
        json!({
            "newly_live": self.newly_live, "no_longer_live": self.no_longer_live,
            "disputes": self.disputes, "proposals": self.proposals,
        })
    }

    fn say(&self) {
        if self.newly_live + self.no_longer_live > 0 {
            say(&format!(
                "The live list changed: {} new on it, {} left it. Look before anybody walks: embertally live.",
                counted(self.newly_live, "shot is", "shots are"),
                self.no_longer_live
            ));
        }
        if self.disputes + self.proposals > 0 {
            let disputes = counted(self.disputes, "dispute", "disputes");
            let proposals = counted(self.proposals, "proposal", "proposals");
            say(&format!("{disputes} and {proposals} to look at: embertally disputes."));
        }
    }
}

fn tally_json(tally: &Tally) -> Value {
    json!({
        "met": tally.met, "entries_came": tally.entries_came, "entries_went": tally.entries_went,
        "bytes_came": tally.bytes_came, "bytes_went": tally.bytes_went, "reads_only": tally.reads_only,
        "clock_ahead_ms": tally.clock_ahead_ms,
    })
}

/// Joins two JSON objects.
fn joined(mut one: Value, other: Value) -> Value {
    if let (Value::Object(one), Value::Object(other)) = (&mut one, other) {
        one.extend(other);
    }
    one
}

/// Says how long something is, in the largest unit that fits.
fn roughly(ms: u64) -> String {
    let minutes = usize::try_from(ms / 60_000).unwrap_or(usize::MAX);
    match minutes {
        0..120 => counted(minutes, "minute", "minutes"),
        120..2880 => counted(minutes / 60, "hour", "hours"),
        _ => counted(minutes / 1440, "day", "days"),
    }
}

fn kilobytes(bytes: u64) -> String {
    format!("{} kB", bytes.div_ceil(1000))
}

/// Says what a meeting that is over came to, or prints it as an object.
pub(super) fn summary(as_json: bool, tally: &Tally, effects: &Effects, sent: &str) -> Result<(), CliError> {
    if as_json {
        return output::json(&joined(tally_json(tally), effects.json()));
    }
    say(&format!(
        "Saved on this device: {} new. {sent} {} came; {} and {} went.",
        counted(usize::try_from(tally.entries_came).unwrap_or(usize::MAX), "entry is", "entries are"),
        kilobytes(tally.bytes_came),
        counted(usize::try_from(tally.entries_went).unwrap_or(usize::MAX), "entry", "entries"),
        kilobytes(tally.bytes_went),
    ));
    effects.say();
    Ok(())
}

/// Tells of what happens as it happens.
pub(super) struct Teller {
    as_lines: bool,
    /// The log as it was when the live list was last spoken of, in a run that goes on.
    before: Option<Ledger>,
    came: usize,
}

impl Teller {
    /// With `before`, the live list is compared each time something came; without, at the end only.
    pub(super) fn new(as_json: bool, before: Option<Ledger>) -> Self {
        Self { as_lines: as_json && before.is_some(), before, came: 0 }
    }

    /// Prints an event as one line of JSON.
    fn line(&self, event: Value) {
        if self.as_lines {
            // Who closed the other end has had enough.
            let _ = raw_line(&output::escaped(&event.to_string()));
        }
    }

    fn say(&self, text: &str) {
        if !self.as_lines {
            say(text);
        }
    }

    pub(super) fn tell(&mut self, log: &mut Log<SqliteStore>, note: Note) {
        match note {
            Note::Listening { address } => {
                self.line(json!({ "event": "listening", "address": address.to_string() }));
                self.say(&format!("Other devices of the crew can call {address}."));
            }
            Note::Meeting { place } => {
                self.line(json!({ "event": "meeting", "place": place }));
                self.say(&format!("Meeting {place}."));
            }
            Note::Clock { place, device, ahead_ms } => self.clock(log, &place, device, ahead_ms),
            Note::Came { document, entries } => {
                self.came += entries;
                self.line(json!({ "event": "came", "document": document.to_string(), "entries": entries }));
            }
            Note::UpToDate { place, tally } => self.up_to_date(log, &place, &tally),
            Note::Offline { place, error, again } => {
                let again_ms = again.map(|wait| u64::try_from(wait.as_millis()).unwrap_or(u64::MAX));
                self.line(json!({
                    "event": "offline", "place": place, "error": error.code(), "message": error.to_string(),
                    "again_ms": again_ms,
                }));
                let again =
                    again.map_or_else(String::new, |wait| format!(" Trying again in {:.1} s.", wait.as_secs_f64()));
                self.say(&format!("{}{again}", sentence(&error.to_string())));
            }
            Note::Stranger { error } => {
                self.line(json!({ "event": "stranger", "error": error.code(), "message": error.to_string() }));
                self.say(&format!("Somebody called who is not of this crew: {error}."));
            }
            _ => {}
        }
    }

    /// Keeps how another device's clock stood, and speaks of it where it matters.
    fn clock(&self, log: &mut Log<SqliteStore>, place: &str, device: DeviceId, ahead_ms: i64) {
        let value = json!({ "ahead_ms": ahead_ms, "seen": now().to_string() }).to_string().into_bytes();
        // Where nothing can be written now, it is kept the next time.
        let _ = log.store_mut().commit(&[Write::Keep { key: format!("{CLOCK}{device}"), value }]);
        if ahead_ms.unsigned_abs() > CLOCK_MATTERS_MS {
            self.line(json!({ "event": "clock", "place": place, "device": device.to_string(), "ahead_ms": ahead_ms }));
            let (by, way) = (roughly(ahead_ms.unsigned_abs()), if ahead_ms > 0 { "behind" } else { "ahead of" });
            self.say(&format!(
                "This device's clock is {by} {way} that of {place}. Set the wrong one right; the order of what is logged \
                 does not hang on it."
            ));
        }
    }

    fn up_to_date(&mut self, log: &mut Log<SqliteStore>, place: &str, tally: &Tally) {
        let Some(before) = &self.before else { return };
        let came = std::mem::take(&mut self.came);
        let effects =
            if came == 0 { None } else { ledger_of(log).map(|after| (Effects::between(before, &after), after)) };
        let event = joined(json!({ "event": "up_to_date", "place": place }), tally_json(tally));
        self.line(joined(event, effects.as_ref().map_or(Value::Null, |(effects, _)| effects.json())));
        let came = if came == 0 {
            String::new()
        } else {
            format!(" Saved on this device: {} new.", counted(came, "entry is", "entries are"))
        };
        self.say(&format!("Up to date with {place}.{came}"));
        if let Some((effects, after)) = effects {
            if !self.as_lines {
                effects.say();
            }
            self.before = Some(after);
        }
    }
}
