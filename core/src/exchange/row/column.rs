//! The columns of the CSV contract, in one table.

/// A column of the contract; JSON fields have the same names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(in super::super) enum Column {
    Outing,
    OutingKind,
    SlowLimitMs,
    Time,
    Device,
    Observer,
    Volley,
    Module,
    Channel,
    Wiring,
    StringLength,
    Position,
    Lot,
    Unit,
    Attempt,
    Fuse,
    Ignition,
    Transfer,
    DelayMs,
    DelayLowMs,
    DelayHighMs,
    Frames,
    Fps,
    Strength,
    Cause,
    TemperatureC,
    HumidityPct,
    WindMS,
    Precipitation,
    Note,
}

impl Column {
    /// How many there are.
    pub(in super::super) const COUNT: usize = Self::TABLE.len();

    /// The columns in the order in which they are written, with their names. `INVARIANT:` ordered as the enum is.
    pub(in super::super) const TABLE: [(Self, &'static str); 30] = [
        (Self::Outing, "outing"),
        (Self::OutingKind, "outing_kind"),
        (Self::SlowLimitMs, "slow_limit_ms"),
        (Self::Time, "time"),
        (Self::Device, "device"),
        (Self::Observer, "observer"),
        (Self::Volley, "volley"),
        (Self::Module, "module"),
        (Self::Channel, "channel"),
        (Self::Wiring, "wiring"),
        (Self::StringLength, "string_length"),
        (Self::Position, "position"),
        (Self::Lot, "lot"),
        (Self::Unit, "unit"),
        (Self::Attempt, "attempt"),
        (Self::Fuse, "fuse"),
        (Self::Ignition, "ignition"),
        (Self::Transfer, "transfer"),
        (Self::DelayMs, "delay_ms"),
        (Self::DelayLowMs, "delay_low_ms"),
        (Self::DelayHighMs, "delay_high_ms"),
        (Self::Frames, "frames"),
        (Self::Fps, "fps"),
        (Self::Strength, "strength"),
        (Self::Cause, "cause"),
        (Self::TemperatureC, "temperature_c"),
        (Self::HumidityPct, "humidity_pct"),
        (Self::WindMS, "wind_m_s"),
        (Self::Precipitation, "precipitation"),
        (Self::Note, "note"),
    ];

    /// The columns without which a file says nothing.
    pub(in super::super) const REQUIRED: [Self; 4] = [Self::Outing, Self::Lot, Self::Unit, Self::Ignition];

    pub(in super::super) fn index(self) -> usize {
        self as usize
    }

    pub(in super::super) fn name(self) -> &'static str {
        Self::TABLE.get(self.index()).map_or("", |(_, name)| *name)
    }

    /// Returns the column that a header names, whatever its case, with spaces or hyphens for underscores.
    pub(in super::super) fn from_header(header: &str) -> Option<Self> {
        let plain = plain_header(header);
        Self::TABLE.iter().find(|(_, name)| *name == plain).map(|(column, _)| *column)
    }
}

/// Returns a header in lower case, with underscores for spaces and hyphens.
pub(in super::super) fn plain_header(header: &str) -> String {
    header
        .split(|c: char| c.is_whitespace() || c == '-' || c == '_')
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join("_")
        .to_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_stands_in_the_order_of_the_enum() {
        for (place, (column, name)) in Column::TABLE.iter().enumerate() {
            assert_eq!((column.index(), column.name()), (place, *name));
            assert_eq!(Column::from_header(&name.to_uppercase().replace('_', " ")), Some(*column));
        }
        assert_eq!(Column::from_header("delay"), None);
    }
}
