//! What is measured of a shot's circumstances, as whole numbers of a small unit.

use std::fmt;
use std::str::FromStr;

use super::group::GroupError;
use crate::ledger::{Ledger, ShotView};

/// A quantity along which failures may rise or fall.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// The age of the lot on the day of the shot.
    Age,
    /// Air temperature.
    Temperature,
    /// Relative humidity.
    Humidity,
    /// Wind speed.
    Wind,
}

/// Milliseconds of a day.
const DAY_MS: i64 = 86_400_000;

/// Days of a month, on average.
const MONTH_DAYS: f64 = 30.436_875;

impl Quantity {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Age, Self::Temperature, Self::Humidity, Self::Wind];

    /// Returns its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Age => "age",
            Self::Temperature => "temperature",
            Self::Humidity => "humidity",
            Self::Wind => "wind",
        }
    }

    /// Returns the unit that scores and values are in.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Age => "years",
            Self::Temperature => "°C",
            Self::Humidity => "%",
            Self::Wind => "m/s",
        }
    }

    /// Returns a step that says something, in that unit: an odds ratio is for so much more.
    pub(super) const fn step(self) -> f64 {
        match self {
            Self::Age | Self::Wind => 1.0,
            Self::Temperature | Self::Humidity => 10.0,
        }
    }

    /// Returns the value that a whole number of [`Quantity::of`] stands for.
    pub(super) fn value(self, whole: i64) -> f64 {
        match self {
            Self::Age => whole as f64 / 12.0,
            _ => whole as f64,
        }
    }

    /// Returns the quantity of a shot, rounded: whole months, °C, percent, m/s. None where the log does not say.
    pub(super) fn of(self, ledger: &Ledger, shot: &ShotView<'_>) -> Option<i64> {
        let rounded = |value: f64| value.round() as i64;
        match self {
            Self::Temperature => shot.conditions.temperature.map(|t| rounded(t.as_f64())),
            Self::Humidity => shot.conditions.humidity.map(|h| rounded(h.as_f64())),
            Self::Wind => shot.conditions.wind.map(|w| rounded(w.as_f64())),
            Self::Age => {
                let made = ledger.register().lots().get(shot.lot)?.value.made_on?;
                let day = shot.stated_at()?.div_euclid(DAY_MS);
                let age = day - i64::from(made.days());
                // Shot before it was made: one of the two dates is wrong.
                (age >= 0).then(|| rounded(age as f64 / MONTH_DAYS))
            }
        }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for Quantity {
    type Err = GroupError;

    fn from_str(text: &str) -> Result<Self, GroupError> {
        let word = text.trim().to_lowercase();
        Self::ALL.into_iter().find(|q| q.word() == word).ok_or_else(|| GroupError(text.to_owned()))
    }
}
