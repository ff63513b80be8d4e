//! Names and short ids, as people read them.

use embertally_core::facts::{FactId, RegisterId, ShotId, VolleyId};
use embertally_core::ledger::{Ledger, Observer};

use crate::error::Refused;

/// How many letters of an entry's id are shown; its beginning is a time, its end is random.
const SHORT: usize = 8;

/// The most characters of a name that is given here.
const MOST_IN_NAME: usize = 80;

pub(super) fn short_fact(id: FactId) -> String {
    let entry = id.entry.to_string();
    let end = entry.get(entry.len().saturating_sub(SHORT)..).unwrap_or(&entry);
    if id.place == 0 { end.to_owned() } else { format!("{end}.{}", id.place) }
}

pub(super) fn short_volley(id: VolleyId) -> String {
    short_fact(id.0)
}

pub(super) fn short_shot(id: ShotId) -> String {
    format!("{}:{}", short_volley(id.volley), id.position)
}

/// Characters that steer instead of being shown: control characters and those that turn the direction of writing.
fn is_steering(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// Returns a text of one line without what would steer.
pub(super) fn clean(text: &str) -> String {
    text.chars().map(|c| if is_steering(c) { char::REPLACEMENT_CHARACTER } else { c }).collect()
}

/// Returns a thing's name as it is shown, or its id if nobody has stated it.
pub(super) fn name_of(ledger: &Ledger, id: RegisterId) -> String {
    clean(&ledger.register().name(id).map_or_else(|| id.to_string(), str::to_owned))
}

pub(super) fn observer_name(ledger: &Ledger, observer: Observer) -> String {
    name_of(
        ledger,
        match observer {
            Observer::Person(id) => RegisterId::Person(id),
            Observer::Device(id) => RegisterId::Device(id),
        },
    )
}

/// Returns a new name as it is to be written, or refuses it.
pub(super) fn name_given(name: &str) -> Result<String, Refused> {
    let name = name.trim();
    if name.is_empty() {
        return Err(Refused::entry("A name must not be empty."));
    }
    let letters = name.chars().count();
    if letters > MOST_IN_NAME {
        return Err(Refused::entry(format!("A name of {letters} characters is too long; the most is {MOST_IN_NAME}.")));
    }
    if name.chars().any(is_steering) {
        return Err(Refused::entry("The name holds control characters; type it without them."));
    }
    Ok(name.to_owned())
}

/// Returns a text of several lines that somebody typed, or nothing if it is empty.
pub(super) fn text_given(text: Option<String>) -> Option<String> {
    text.map(|t| t.trim().to_owned()).filter(|t| !t.is_empty())
}
