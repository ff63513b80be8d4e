//! Names and short ids, as people type and read them.

use embertally_core::facts::{FactId, OutingId, PersonId, RegisterId, ShotId, VolleyId, checked_name, nearest_name};
use embertally_core::ledger::{Ledger, Observer};

use crate::error::{CliError, sentence};
use crate::output::{clean, counted};
use crate::session::Session;

/// Shows a volley by the end of its entry's id, which is random; the beginning is a time.
pub(crate) fn short_fact(id: FactId) -> String {
    id.short()
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

/// Returns a new name as it is to be written, or refuses it: what is empty, too long for any list, or steers a terminal
/// is no name.
pub(crate) fn name_given(name: &str) -> Result<String, CliError> {
    checked_name(name).map_err(|e| CliError::Usage(sentence(&e.to_string())))
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
    let hint = nearest_name(name, known.iter().map(String::as_str)).map(|near| format!(" Did you mean {near:?}?"));
    let hint = hint.unwrap_or_default();
    CliError::refused(
        "E_UNKNOWN_NAME",
        format!("The register holds no {what} called {name:?}.{hint} Add it with `{add} {name:?}`."),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_fingers_is_near() {
        let said = unknown("lot", "KB-140", vec!["XX-9".into(), "KB-104".into()], "embertally lot add").to_string();
        assert!(said.contains("Did you mean \"KB-104\"?"), "{said}");
    }

    #[test]
    fn what_is_no_id_is_a_wrong_call() {
        assert!(matches!(take_apart("zz"), Err(CliError::Usage(_))));
        assert!(matches!(take_apart("zzzzzzzz:1"), Err(CliError::Usage(_))));
        assert!(take_apart("0c07398f.2:11").is_ok());
    }
}
