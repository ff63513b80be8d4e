//! A reading of a shot's bridge, taken after the shot.

use clap::Args;
use embertally_core::facts::{Bridge, BridgeReading, Fact, Moment, OutingId, Resistance};
use embertally_core::ledger::{BridgeFinding, BridgeReadingView, Ledger, ShotView};
use embertally_core::log::Home;
use serde_json::{Value, json};

use super::Context;
use super::rates::parsed;
use super::register::measure;
use crate::error::CliError;
use crate::names::{find_shot, observer_id, observer_name, person_of, short_shot, stated_name};
use crate::output::{self, CAUTION, clean, say};
use crate::session::now;

/// The cautions wherever a bridge is measured.
pub(crate) const BRIDGE_CAUTION: &str = "Read bridges only with an instrument made for live igniters, only after the wait \
                                         that the site's rules give, and treat the shot as live whatever it reads.";

#[derive(Debug, Args)]
pub(crate) struct BridgeArgs {
    /// The shot, as lists print it
    shot: String,
    /// What the instrument shows, ohm
    #[arg(long, value_name = "OHM", required_unless_present = "open")]
    ohm: Option<f64>,
    /// The bridge is open: no way through
    #[arg(long, conflicts_with = "ohm")]
    open: bool,
    /// When it was read (RFC 3339) [default: now]
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// The instrument, in words
    #[arg(long)]
    instrument: Option<String>,
    /// Who read it [default: the observer of this device]
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
}

/// Returns a shot's readings for programs.
pub(super) fn readings_json(ledger: &Ledger, shot: &ShotView<'_>) -> Vec<Value> {
    let one = |r: BridgeReadingView<'_>| {
        let ohm = match r.reading.bridge {
            Bridge::Measured(resistance) => Some(resistance.as_f64()),
            Bridge::Open => None,
        };
        json!({
            "fact": r.fact.to_string(),
            "ohm": ohm,
            "open": ohm.is_none(),
            "at": r.reading.at.to_string(),
            "instrument": r.reading.instrument,
            "by": stated_name(ledger, observer_id(r.by)),
            "counts": r.shows != BridgeFinding::Nothing,
            "shows": r.shows.word(),
        })
    };
    shot.bridge_readings().into_iter().map(one).collect()
}

/// Returns a line for each of a shot's readings.
pub(super) fn reading_lines(ledger: &Ledger, shot: &ShotView<'_>) -> Vec<String> {
    let one = |r: BridgeReadingView<'_>| {
        let shows = match r.shows {
            BridgeFinding::Nothing => "taken before the volley, so it does not count",
            BridgeFinding::AsStated => "as its type states",
            BridgeFinding::Open => "no way through",
            BridgeFinding::Outside => "not as its type states",
            _ => "its type states nothing to compare with",
        };
        let with = r.reading.instrument.as_deref().map_or_else(String::new, |i| format!(" with {}", clean(i)));
        let by = observer_name(ledger, r.by);
        format!("bridge {} ({shows}), read by {by}{with} at {}", r.reading.bridge, r.reading.at)
    };
    shot.bridge_readings().into_iter().map(one).collect()
}

/// Tells how long after the shot a reading was taken, in minutes, if that is sooner than the outing's rules give.
fn too_soon(ledger: &Ledger, outing: OutingId, fired_ms: Option<i64>, at: Moment) -> Option<(i64, u16)> {
    let wait = ledger.register().outings().get(outing)?.value.wait_minutes?;
    let passed = (at.unix_ms - fired_ms?).div_euclid(60_000);
    (passed >= 0 && passed < i64::from(wait)).then_some((passed, wait))
}

pub(super) fn bridge(context: &Context, args: &BridgeArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let mut ledger = session.ledger()?;
    let shot = find_shot(&ledger, &args.shot)?;
    let found = ledger.volley(shot.volley).map(|v| v.volley.outing);
    let outing = found.ok_or_else(|| CliError::refused("E_NOT_FOUND", "That shot is not in the log."))?;
    let bridge = match measure(args.ohm, "resistance in ohm", Resistance::from_f64)? {
        Some(resistance) => Bridge::Measured(resistance),
        None => Bridge::Open,
    };
    let at = args.at.as_deref().map(parsed::<Moment>).transpose()?.unwrap_or_else(now);
    let by = person_of(&session, &ledger, args.by.as_deref())?;
    let mut entry = session.entry();
    let reading = BridgeReading { shot, bridge, at, instrument: args.instrument.clone(), by };
    let id = entry.state(Fact::BridgeReading(reading));
    session.write_to(Home::Outing(outing), &mut entry)?;
    let id = entry.own(id);
    ledger.add(&entry);
    ledger.settle();
    let view = ledger.finding(shot);
    let blame = view.and_then(|v| v.finding.blame);
    let soon = too_soon(&ledger, outing, view.and_then(|v| v.stated_at()), at);
    let counts =
        view.is_some_and(|v| v.bridge_readings().iter().any(|r| r.fact == id && r.shows != BridgeFinding::Nothing));
    if context.json {
        return output::json(&json!({
            "saved": true,
            "shot": shot.to_string(),
            "fact": id.to_string(),
            "counts": counts,
            "shows": view.map(|v| v.finding.bridge.word()),
            "cause": blame.map(|b| b.cause.word()),
            "reason": blame.map(|b| b.grounds.reason()),
            "before_wait_minutes": soon.map(|(_, wait)| wait),
            "caution": format!("{CAUTION} {BRIDGE_CAUTION}"),
        }));
    }
    say(&format!("Saved on this device: the bridge of shot {} reads {bridge}.", short_shot(shot)));
    match blame {
        _ if !counts => say("It was taken before the volley, so it says nothing of why the shot failed."),
        Some(blame) => say(&format!("Its failure is booked so: {}. {}", blame.cause, blame.grounds.reason())),
        None => say("No failure is recorded of that shot, so the reading changes nothing."),
    }
    if let Some((passed, wait)) = soon {
        say(&format!(
            "! It was read {passed} min after the shot; the outing's rules give {wait} min before anybody approaches."
        ));
    }
    say(&format!("If that was a mistake: embertally withdraw {id} --reason …"));
    say(&format!("{CAUTION}\n{BRIDGE_CAUTION}"));
    Ok(())
}
