//! What the invented crew owns and how its lots behave. Nothing here is a real make, lot, place or person.

use embertally_core::facts::{
    Current, Date, Fact, FiringModule, Fuse, FuseKind, IgniterType, Impulse, Lot, Moment, Outing, OutingKind, Person,
    Resistance, Role, SourceKind, TypeId, Voltage,
};

use crate::error::CliError;

/// One lot of the story, and how it truly behaves: what the crew cannot know and the log should find out.
#[derive(Debug, Clone, Copy)]
pub(super) struct TrueLot {
    pub(super) mark: &'static str,
    pub(super) igniter_type: &'static str,
    made_on: &'static str,
    use_by: &'static str,
    count: u32,
    /// How often its igniters fail by themselves.
    pub(super) fails: f64,
    /// How often they fire late.
    pub(super) slow: f64,
    /// Strength of the flame, 1 to 5.
    pub(super) strength: u8,
}

const fn lot(
    mark: &'static str,
    igniter_type: &'static str,
    (made_on, use_by): (&'static str, &'static str),
    count: u32,
    (fails, slow, strength): (f64, f64, u8),
) -> TrueLot {
    TrueLot { mark, igniter_type, made_on, use_by, count, fails, slow, strength }
}

pub(super) const LOTS: [TrueLot; 6] = [
    lot("SR-21", "sorrel", ("2034-09-03", "2037-09-03"), 400, (0.004, 0.01, 4)),
    lot("SR-22", "sorrel", ("2035-01-20", "2038-01-20"), 400, (0.006, 0.01, 4)),
    lot("BK-07", "bracken", ("2030-06-11", "2034-06-11"), 150, (0.10, 0.14, 3)),
    lot("BK-12", "bracken", ("2034-11-30", "2038-11-30"), 300, (0.01, 0.02, 3)),
    lot("TZ-03", "teasel", ("2034-02-14", "2037-02-14"), 250, (0.008, 0.01, 2)),
    lot("TZ-04", "teasel", ("2034-12-01", "2037-12-01"), 250, (0.006, 0.02, 2)),
];

pub(super) const QUICKMATCH: &str = "quickmatch, paper pipe";
pub(super) const VISCO: &str = "visco, green";
pub(super) const TIME_FUSE: &str = "time fuse, tarred";
pub(super) const BLACK_MATCH: &str = "black match, bare";

/// How often a shot that fired leaves its fuse unlit: weak flames do not get through a coating, least of all when wet.
pub(super) fn leaves_unlit(lot: &TrueLot, fuse: &str, wet: bool) -> f64 {
    let coating = match fuse {
        QUICKMATCH => 0.004,
        BLACK_MATCH => 0.008,
        VISCO => 0.03,
        _ => 0.05,
    };
    let weak = if lot.strength <= 2 && (fuse == TIME_FUSE || fuse == VISCO) { 5.0 } else { 1.0 };
    let damp = if wet { 2.0 } else { 1.0 };
    f64::min(coating * weak * damp, 0.9)
}

pub(super) const NORTH: &str = "north box";
pub(super) const SOUTH: &str = "south box";

pub(super) const CHIEF: &str = "Orla";
pub(super) const MARLO: &str = "Marlo";
pub(super) const PIM: &str = "Pim";
pub(super) const TAMSIN: &str = "Tamsin";

pub(super) const TEST: &str = "Harrowmere test, 14 March 2036";
pub(super) const SHOW: &str = "Harrowmere lantern night, 2 May 2036";

fn parsed<T: std::str::FromStr>(text: &str) -> Result<T, CliError> {
    text.parse().map_err(|_| CliError::refused("E_INTERNAL", format!("The demo's own data is wrong at {text:?}.")))
}

pub(super) fn moment(text: &str) -> Result<Moment, CliError> {
    parsed(text)
}

pub(super) fn date(text: &str) -> Result<Date, CliError> {
    parsed(text)
}

/// The register, as the chief wrote it down at home.
pub(super) fn register() -> Result<Vec<Fact>, CliError> {
    let igniter_type = |name: &str, bridge, no_fire, all_fire, series, impulse| {
        Fact::IgniterType(IgniterType {
            name: name.to_owned(),
            bridge_resistance: Some(Resistance(bridge)),
            no_fire_current: Some(Current(no_fire)),
            all_fire_current: Some(Current(all_fire)),
            series_current: Some(Current(series)),
            firing_impulse: Some(Impulse(impulse)),
            impulse_spread: None,
            lag: None,
            lag_spread: None,
            bridge_tolerance: None,
            source: Some("invented for the demo".to_owned()),
        })
    };
    let mut facts = vec![
        igniter_type("sorrel", 1_600, 200, 500, 800, 1_800),
        igniter_type("bracken", 1_100, 250, 700, 1_000, 3_000),
        igniter_type("teasel", 1_900, 180, 450, 750, 1_500),
    ];
    for lot in &LOTS {
        facts.push(Fact::Lot(Lot {
            mark: lot.mark.to_owned(),
            igniter_type: Some(TypeId::named(lot.igniter_type)),
            made_on: Some(date(lot.made_on)?),
            use_by: Some(date(lot.use_by)?),
            count: Some(lot.count),
            storage: Some("dry, in the boathouse".to_owned()),
        }));
    }
    let fuses = [
        (QUICKMATCH, FuseKind::Quickmatch, "paper", "tied in the pipe"),
        (VISCO, FuseKind::Visco, "nitrocellulose coat", "taped head to end"),
        (TIME_FUSE, FuseKind::TimeFuse, "tarred thread", "cross-matched"),
        (BLACK_MATCH, FuseKind::BlackMatch, "none", "laid in"),
    ];
    facts.extend(fuses.map(|(name, kind, sheath, coupling)| {
        Fact::Fuse(Fuse {
            name: name.to_owned(),
            kind,
            sheath: Some(sheath.to_owned()),
            coupling: Some(coupling.to_owned()),
        })
    }));
    facts.extend([(NORTH, 24_000), (SOUTH, 12_000)].map(|(name, supply)| {
        Fact::Module(FiringModule {
            name: name.to_owned(),
            channels: Some(16),
            source_kind: Some(SourceKind::ConstantVoltage),
            supply: Some(Voltage(supply)),
            source_resistance: Some(Resistance(900)),
            capacitance: None,
        })
    }));
    Ok(facts)
}

/// The crew, whose names stand apart from the register.
pub(super) fn people() -> [Person; 4] {
    [(CHIEF, Role::Chief), (MARLO, Role::Recorder), (PIM, Role::Recorder), (TAMSIN, Role::Recorder)]
        .map(|(name, role)| Person { name: name.to_owned(), role })
}

pub(super) fn outing(name: &str, kind: OutingKind, begins: &str) -> Result<Outing, CliError> {
    Ok(Outing {
        name: name.to_owned(),
        kind,
        place: Some("Harrowmere, an invented island".to_owned()),
        begins: Some(moment(begins)?),
        slow_limit_ms: Some(150),
        wait_minutes: Some(30),
    })
}
