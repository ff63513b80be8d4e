//! One line of the CSV contract as a typed row: what one observer saw of one shot.

mod column;
mod decimal;
mod delay;
mod harmless;
mod marks;
mod parse;
mod weather;

use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};

pub(super) use column::{Column, plain_header};
pub(super) use decimal::Decimal;
pub use decimal::DecimalMark;
pub(super) use harmless::{harmless, unmarked};
pub(super) use marks::Marks;
pub(super) use parse::{CellError, Cells, NOT_A_TIME, moment, parse_row, readable_name};
pub(super) use weather::{humidity, temperature, wind};

use crate::facts::{Cause, Conditions, Delay, DelayInterval, Ignition, Moment, OutingKind, Transfer, WiringKind};

/// What stands for the unit of an igniter that has no number or label. The contract asks for a unit in every row, so
/// "not numbered" is said and never left to an empty cell.
pub const UNNUMBERED: &str = "?";

/// What one observer saw of one shot, with the names as people write them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// The outing's name.
    pub outing: String,
    /// Test or show.
    pub outing_kind: Option<OutingKind>,
    /// The outing's limit for slow shots, in milliseconds.
    pub slow_limit_ms: Option<u16>,
    /// When the pulse was given.
    pub time: Option<Moment>,
    /// The device that wrote it.
    pub device: Option<String>,
    /// Who saw it.
    pub observer: Option<String>,
    /// The volley's label.
    pub volley: Option<String>,
    /// The firing module.
    pub module: Option<String>,
    /// Its channel.
    pub channel: Option<u16>,
    /// How the volley was wired.
    pub wiring: Option<WiringKind>,
    /// How many igniters the string has that this one is in.
    pub string_length: Option<u16>,
    /// The position in the volley, from 1.
    pub position: Option<u16>,
    /// The lot's batch mark.
    pub lot: String,
    /// The unit's number or label, or [`UNNUMBERED`].
    pub unit: String,
    /// Which try of this unit it is, from 1.
    pub attempt: Option<u8>,
    /// The fuse it had to light.
    pub fuse: Option<String>,
    /// What was seen of the igniter.
    pub ignition: Ignition,
    /// What was seen of the fuse.
    pub transfer: Option<Transfer>,
    /// From pulse to first light: five columns, see `delay_ms` and its neighbours in the contract.
    pub delay: Option<Delay>,
    /// Strength of the flame, 1 to 5.
    pub strength: Option<u8>,
    /// What the observer takes the cause to be.
    pub cause: Option<Cause>,
    /// The weather.
    pub conditions: Conditions,
    /// Anything else.
    pub note: Option<String>,
}

/// Divides once, so that the number prints with four decimals at most; adding two rounded ends would print sixteen.
fn middle_ms(i: DelayInterval) -> f64 {
    (f64::from(i.low_us) + f64::from(i.high_us)) / 2000.0
}

/// The value of one column of a row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Cell<'r> {
    Absent,
    Text(&'r str),
    Word(&'static str),
    Time(Moment),
    Whole(u32),
    Decimal(f64),
}

fn text(t: &Option<String>) -> Cell<'_> {
    t.as_deref().map_or(Cell::Absent, Cell::Text)
}

impl Row {
    pub(super) fn cell(&self, column: Column) -> Cell<'_> {
        let whole = |n: Option<u32>| n.map_or(Cell::Absent, Cell::Whole);
        let decimal = |d: Option<f64>| d.map_or(Cell::Absent, Cell::Decimal);
        let word = |w: Option<&'static str>| w.map_or(Cell::Absent, Cell::Word);
        let interval = || self.delay.and_then(|d| d.checked_interval().ok());
        match column {
            Column::Outing => Cell::Text(&self.outing),
            Column::OutingKind => word(self.outing_kind.map(OutingKind::word)),
            Column::SlowLimitMs => whole(self.slow_limit_ms.map(u32::from)),
            Column::Time => self.time.map_or(Cell::Absent, Cell::Time),
            Column::Device => text(&self.device),
            Column::Observer => text(&self.observer),
            Column::Volley => text(&self.volley),
            Column::Module => text(&self.module),
            Column::Channel => whole(self.channel.map(u32::from)),
            Column::Wiring => word(self.wiring.map(WiringKind::word)),
            Column::StringLength => whole(self.string_length.map(u32::from)),
            Column::Position => whole(self.position.map(u32::from)),
            Column::Lot => Cell::Text(&self.lot),
            Column::Unit => Cell::Text(&self.unit),
            Column::Attempt => whole(self.attempt.map(u32::from)),
            Column::Fuse => text(&self.fuse),
            Column::Ignition => Cell::Word(self.ignition.word()),
            Column::Transfer => word(self.transfer.map(Transfer::word)),
            Column::DelayMs => decimal(interval().map(middle_ms)),
            Column::DelayLowMs => decimal(interval().map(|i| i.low_ms())),
            Column::DelayHighMs => decimal(interval().map(|i| i.high_ms())),
            Column::Frames => whole(self.clip().map(|(frames, _)| frames)),
            Column::Fps => decimal(self.clip().map(|(_, per_1000_s)| f64::from(per_1000_s) / 1000.0)),
            Column::Strength => whole(self.strength.map(u32::from)),
            Column::Cause => word(self.cause.map(Cause::word)),
            Column::TemperatureC => decimal(self.conditions.temperature.map(|t| t.as_f64())),
            Column::HumidityPct => decimal(self.conditions.humidity.map(|h| h.as_f64())),
            Column::WindMS => decimal(self.conditions.wind.map(|w| w.as_f64())),
            Column::Precipitation => word(self.conditions.precipitation.map(|p| p.word())),
            Column::Note => text(&self.note),
        }
    }

    /// Returns the frames counted and the frame rate in a thousand seconds, of a delay read off a clip.
    fn clip(&self) -> Option<(u32, u32)> {
        match self.delay? {
            Delay::Clip { pulse_frame, light_frame, frames_per_1000_s } => {
                Some((light_frame.checked_sub(pulse_frame)?, frames_per_1000_s))
            }
            _ => None,
        }
    }
}

impl Serialize for Row {
    /// Writes a map of the contract's columns; numbers are numbers, absent ones are left out.
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        for (column, name) in Column::TABLE {
            match self.cell(column) {
                Cell::Absent => {}
                Cell::Text(text) => map.serialize_entry(name, text)?,
                Cell::Word(word) => map.serialize_entry(name, word)?,
                Cell::Time(at) => map.serialize_entry(name, &at.to_string())?,
                Cell::Whole(n) => map.serialize_entry(name, &n)?,
                Cell::Decimal(d) if d.fract() == 0.0 => map.serialize_entry(name, &(d as i64))?,
                Cell::Decimal(d) => map.serialize_entry(name, &d)?,
            }
        }
        map.end()
    }
}
