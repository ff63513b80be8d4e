//! A moment as a device wrote it: milliseconds since 1970, and the offset from UTC that was in force there.
//!
//! The offset is kept because an evening crosses midnight and a crew reads local times. Moments come from devices whose
//! clocks may be wrong; they are shown and used to find the nearest weather reading, never to decide what wins.

use std::fmt;
use std::str::FromStr;

use chrono::{DateTime, FixedOffset, NaiveDate, SecondsFormat};
use thiserror::Error;

/// Why a text is not a moment or a date.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum TimeError {
    /// Not an RFC 3339 date and time with an offset.
    #[error("{text:?} is not a date and time with an offset, such as 2031-05-09T21:30:00+02:00 (RFC 3339)")]
    NotATime {
        /// The text.
        text: String,
    },
    /// Not a calendar date.
    #[error("{text:?} is not a date, such as 2031-05-09 (RFC 3339)")]
    NotADate {
        /// The text.
        text: String,
    },
}

/// A moment with the offset from UTC of the place where it was written.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Moment {
    /// Milliseconds since 1970-01-01T00:00:00Z.
    pub unix_ms: i64,
    /// Minutes east of UTC, from −1439 to 1439.
    pub offset_minutes: i16,
}

impl Moment {
    /// Returns this moment moved by `ms` milliseconds; held at the ends of the range.
    #[must_use]
    pub fn plus_ms(self, ms: i64) -> Self {
        Self { unix_ms: self.unix_ms.saturating_add(ms), ..self }
    }

    fn to_chrono(self) -> Option<DateTime<FixedOffset>> {
        let offset = FixedOffset::east_opt(i32::from(self.offset_minutes) * 60)?;
        Some(DateTime::from_timestamp_millis(self.unix_ms)?.with_timezone(&offset))
    }

    /// Returns the calendar date at the place; `None` outside the years that a calendar here can show.
    #[must_use]
    pub fn date(self) -> Option<Date> {
        self.to_chrono().map(|t| Date(t.date_naive()))
    }
}

impl fmt::Display for Moment {
    /// RFC 3339, with milliseconds only where there are any.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.to_chrono() {
            Some(t) => f.write_str(&t.to_rfc3339_opts(SecondsFormat::AutoSi, true)),
            None => write!(f, "{} ms after 1970", self.unix_ms),
        }
    }
}

impl fmt::Debug for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Moment {
    type Err = TimeError;

    /// Reads RFC 3339; parts of a second finer than a millisecond are cut towards the past.
    fn from_str(text: &str) -> Result<Self, TimeError> {
        let t = DateTime::parse_from_rfc3339(text.trim()).map_err(|_| TimeError::NotATime { text: text.to_owned() })?;
        Ok(Self { unix_ms: t.timestamp_millis(), offset_minutes: (t.offset().local_minus_utc() / 60) as i16 })
    }
}

/// A calendar date, such as a made-on or a use-by mark.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Date(NaiveDate);

impl Date {
    /// Returns the days since 1970-01-01, as they are stored.
    #[must_use]
    pub fn days(self) -> i32 {
        self.0.to_epoch_days()
    }

    /// Takes days since 1970-01-01; `None` outside the years that a calendar here can show.
    #[must_use]
    pub fn from_days(days: i32) -> Option<Self> {
        NaiveDate::from_epoch_days(days).map(Self)
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl fmt::Debug for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl FromStr for Date {
    type Err = TimeError;

    fn from_str(text: &str) -> Result<Self, TimeError> {
        NaiveDate::parse_from_str(text.trim(), "%Y-%m-%d")
            .map(Self)
            .map_err(|_| TimeError::NotADate { text: text.to_owned() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_examples_of_rfc_3339_5_8_give_their_moments() {
        // RFC 3339 section 5.8; the third has a negative, fractional time, where cutting must go towards the past.
        for (text, ms) in [
            ("1985-04-12T23:20:50.52Z", 482_196_050_520),
            ("1996-12-19T16:39:57-08:00", 851_042_397_000),
            ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
        ] {
            assert_eq!(text.parse::<Moment>().unwrap().unix_ms, ms, "{text}");
        }
        assert!("1996-12-19T16:39:57".parse::<Moment>().is_err(), "a time without an offset is not guessed");
        assert!("".parse::<Moment>().is_err());
    }

    #[test]
    fn a_moment_prints_as_it_was_read() {
        for text in ["2031-05-09T23:59:59.250+02:00", "2031-05-10T00:00:00-09:30"] {
            assert_eq!(text.parse::<Moment>().unwrap().to_string(), text);
        }
        let far = Moment { unix_ms: i64::MAX, offset_minutes: 0 };
        assert!(far.to_string().contains("ms after 1970"), "out of range is shown, not a panic");
    }

    #[test]
    fn dates_keep_their_days() {
        let d: Date = "2029-02-28".parse().unwrap();
        assert_eq!(Date::from_days(d.days()), Some(d));
        assert!("2029-02-30".parse::<Date>().is_err());
        assert_eq!(Date::from_days(i32::MAX), None);
    }
}
