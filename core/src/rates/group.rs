//! By what rates can be grouped and filtered.

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

use crate::ledger::WeatherField;

/// A grouping.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Group {
    /// By lot.
    Lot,
    /// By fuse.
    Fuse,
    /// By igniter type.
    Type,
    /// By firing module.
    Module,
    /// By outing.
    Outing,
    /// By wiring.
    Wiring,
    /// By several parts of the weather together.
    Weather,
    /// By one part of the weather.
    Part(WeatherField),
}

/// A word that names no grouping.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error(
    "{0:?} is nothing to group by; use some of: lot, fuse, type, module, outing, wiring, weather, wet, temperature, humidity, wind"
)]
pub struct GroupError(pub String);

impl Group {
    /// Returns its word, which is also its field in JSON.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Lot => "lot",
            Self::Fuse => "fuse",
            Self::Type => "type",
            Self::Module => "module",
            Self::Outing => "outing",
            Self::Wiring => "wiring",
            Self::Weather => "weather",
            Self::Part(part) => part.word(),
        }
    }
}

impl fmt::Display for Group {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// Reads the word of a part of the weather.
///
/// # Errors
/// [`GroupError`].
pub fn weather_field(text: &str) -> Result<WeatherField, GroupError> {
    let word = text.trim().to_lowercase();
    let found = WeatherField::ALL.iter().copied().find(|p| p.word() == word);
    found.ok_or_else(|| GroupError(text.to_owned()))
}

impl FromStr for Group {
    type Err = GroupError;

    fn from_str(text: &str) -> Result<Self, GroupError> {
        let word = text.trim().to_lowercase();
        [Self::Lot, Self::Fuse, Self::Type, Self::Module, Self::Outing, Self::Wiring, Self::Weather]
            .into_iter()
            .find(|g| g.word() == word)
            .map_or_else(|| weather_field(text).map(Self::Part), Ok)
    }
}
