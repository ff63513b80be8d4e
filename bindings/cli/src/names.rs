//! Names and short ids, as people type and read them.

use embertally_core::facts::{FactId, OutingId, PersonId, RegisterId, ShotId, VolleyId};
use embertally_core::ledger::{Ledger, Observer};

use crate::error::CliError;
use crate::output::{clean, counted, is_steering};
use crate::session::Session;

/// How many letters of an entry's id are shown.
const SHORT: usize = 8;

/// Shows a volley by the end of its entry's id, which is random; the beginning is a time.
pub(crate) fn short_fact(id: FactId) -> String {
    let entry = id.entry.to_string();
    let end = entry.get(entry.len().saturating_sub(SHORT)..).unwrap_or(&entry);
    if id.place == 0 { end.to_owned() } else { format!("{end}.{}", id.place) }
}

/// Shows a volley shortly.
pub(crate) fn short_volley(id: VolleyId) -> String {
    short_fact(id.0)
}

/// Shows a shot shortly.
pub(crate) fn short_shot(id: ShotId) -> String {
    format!("{}:{}", short_volley(id.volley), id.position)
}

/// A short or whole id, taken apart.
struct Typed<'a> {
    entry: String,
    place: Option<u16>,
    position: Option<&'a str>,
}

fn take_apart(text: &str) -> Result<Typed<'_>, CliError> {
    let bad = || CliError::Usage(format!("{text:?} is not an id; copy it as lists print it, such as 0c07398f:3."));
    let (volley, position) = text.split_once(':').map_or((text, None), |(v, p)| (v, Some(p)));
    let (entry, place) = match volley.split_once('.') {
        Some((e, p)) => (e, Some(p.parse().map_err(|_| bad())?)),
        None => (volley, None),
    };
    let entry = entry.trim().to_lowercase();
    if entry.len() < 4 || !entry.chars().all(|c| c.is_ascii_hexdigit() || c == '-') {
        return Err(bad());
    }
    Ok(Typed { entry, place, position })
}

/// Finds the volley that somebody means.
pub(crate) fn find_volley(ledger: &Ledger, text: &str) -> Result<VolleyId, CliError> {
    let typed = take_apart(text)?;
    let fits = |id: &VolleyId| {
        id.0.entry.to_string().ends_with(&typed.entry) && typed.place.is_none_or(|place| place == id.0.place)
    };
    let found: Vec<VolleyId> = ledger.volleys().map(|v| v.id).filter(fits).take(5).collect();
    match found.as_slice() {
        [one] => Ok(*one),
        [] => Err(CliError::refused("E_NOT_FOUND", format!("No volley's id ends with {text:?}."))),
        several => {
            let ids: Vec<String> = several.iter().map(ToString::to_string).collect();
            let ids = ids.join(", ");
            Err(CliError::refused("E_AMBIGUOUS", format!("{text:?} may be any of: {ids}. Type more of the id.")))
        }
    }
}

/// Finds the shot that somebody means.
pub(crate) fn find_shot(ledger: &Ledger, text: &str) -> Result<ShotId, CliError> {
    let position = take_apart(text)?.position.and_then(|p| p.parse::<u16>().ok());
    let volley = find_volley(ledger, text)?;
    let shots = ledger.volley(volley).map_or(0, |v| v.volley.shots.len());
    match position {
        Some(p) if (1..=shots).contains(&usize::from(p)) => Ok(ShotId { volley, position: p }),
        None if shots == 1 => Ok(ShotId { volley, position: 1 }),
        Some(p) => Err(CliError::refused(
            "E_NOT_FOUND",
            format!("That volley has {}, and no shot {p}.", counted(shots, "shot", "shots")),
        )),
        None => Err(CliError::Usage(format!("{text:?} names a volley of {shots}; add which shot, such as {text}:1."))),
    }
}

/// Returns a thing's name to be shown, or its id if nobody has stated it.
pub(crate) fn name_of(ledger: &Ledger, id: RegisterId) -> String {
    clean(&stated_name(ledger, id))
}

/// Returns a thing's name exactly as it was stated, for programs.
pub(crate) fn stated_name(ledger: &Ledger, id: RegisterId) -> String {
    ledger.register().name(id).map_or_else(|| id.to_string(), str::to_owned)
}

/// Returns what the register calls an observer by.
pub(crate) fn observer_id(observer: Observer) -> RegisterId {
    match observer {
        Observer::Person(id) => RegisterId::Person(id),
        Observer::Device(id) => RegisterId::Device(id),
    }
}

/// Returns an observer's name to be shown.
pub(crate) fn observer_name(ledger: &Ledger, observer: Observer) -> String {
    name_of(ledger, observer_id(observer))
}

/// The most characters of a name that is given here.
const MOST_IN_NAME: usize = 80;

/// Returns a new name as it is to be written, or refuses it: what is empty, too long for any list, or steers a terminal
/// is no name.
pub(crate) fn name_given(name: &str) -> Result<String, CliError> {
    let name = name.trim();
    if name.is_empty() {
        return Err(CliError::Usage("A name must not be empty.".to_owned()));
    }
    let letters = name.chars().count();
    if letters > MOST_IN_NAME {
        return Err(CliError::Usage(format!(
            "A name of {letters} characters is too long; the most is {MOST_IN_NAME}."
        )));
    }
    if name.chars().any(is_steering) {
        return Err(CliError::Usage(format!("The name {name:?} holds control characters; type it without them.")));
    }
    Ok(name.to_owned())
}

/// Returns the outing that is named, or the one that this device is at.
pub(crate) fn outing_of(session: &Session, ledger: &Ledger, name: Option<&str>) -> Result<OutingId, CliError> {
    match name {
        Some(name) => {
            let id = OutingId::named(name);
            ledger.register().outings().get(id).map(|_| id).ok_or_else(|| {
                let known = ledger.register().outings().iter().map(|(_, o)| o.value.name.clone()).collect();
                unknown("outing", name, known, "embertally outing begin")
            })
        }
        None => session.current_outing()?.ok_or_else(|| {
            CliError::refused(
                "E_NO_OUTING",
                "This device is at no outing. Begin one with `embertally outing begin NAME`, or go to one with \
                 `embertally outing go NAME`.",
            )
        }),
    }
}

/// Returns the person who is named, or the observer of this device.
pub(crate) fn person_of(session: &Session, ledger: &Ledger, name: Option<&str>) -> Result<Option<PersonId>, CliError> {
    let Some(name) = name else { return session.observer() };
    let id = PersonId::named(name);
    if ledger.register().people().get(id).is_none() {
        let known = ledger.register().people().iter().map(|(_, p)| p.value.name.clone()).collect();
        return Err(unknown("member of the crew", name, known, "embertally crew add"));
    }
    Ok(Some(id))
}

/// Says that a name is not known, and which one may have been meant.
pub(crate) fn unknown(what: &str, name: &str, known: Vec<String>, add: &str) -> CliError {
    let near = known
        .iter()
        .map(|k| (distance(&k.to_lowercase(), &name.to_lowercase()), k))
        .filter(|(d, k)| *d <= 2.max(k.chars().count() / 3))
        .min();
    let hint = match near {
        Some((_, k)) => format!(" Did you mean {k:?}?"),
        None => String::new(),
    };
    CliError::refused(
        "E_UNKNOWN_NAME",
        format!("The register holds no {what} called {name:?}.{hint} Add it with `{add} {name:?}`."),
    )
}

/// The fewest letters to add, drop, change or (side by side) swap to make one text of the other.
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().take(64).collect(), b.chars().take(64).collect());
    let mut before: Vec<usize> = Vec::new();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut next = vec![i];
        for j in 1..=b.len() {
            let change = row[j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut best = change.min(row[j] + 1).min(next[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(before[j - 2] + 1);
            }
            next.push(best);
        }
        before = std::mem::replace(&mut row, next);
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_fingers_is_near() {
        assert_eq!(distance("kb-104", "kb-140"), 1);
        assert_eq!(distance("kb-104", "kb-104"), 0);
        assert_eq!(distance("", "abc"), 3);
        let said = unknown("lot", "KB-140", vec!["XX-9".into(), "KB-104".into()], "embertally lot add").to_string();
        assert!(said.contains("Did you mean \"KB-104\"?"), "{said}");
    }

    #[test]
    fn a_name_is_short_and_steers_nothing() {
        assert_eq!(name_given(" KB-104 ").unwrap(), "KB-104");
        for bad in ["", "a\u{1b}[2J", "a\nb", "a\u{202e}b", "a\u{9b}1m", &"x".repeat(81)] {
            assert!(matches!(name_given(bad), Err(CliError::Usage(_))), "{bad:?}");
        }
    }

    #[test]
    fn what_is_no_id_is_a_wrong_call() {
        assert!(matches!(take_apart("zz"), Err(CliError::Usage(_))));
        assert!(matches!(take_apart("zzzzzzzz:1"), Err(CliError::Usage(_))));
        assert!(take_apart("0c07398f.2:11").is_ok());
    }
}
