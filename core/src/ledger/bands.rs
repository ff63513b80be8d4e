//! Weather bands: the few classes into which temperature, humidity, rain and wind are cut for counting.

use crate::facts::{Conditions, Humidity, Precipitation, Temperature, WindSpeed};

/// The code of the band of what is not known, in every field.
pub const UNKNOWN_BAND: u8 = 0;

/// One field of the weather.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum WeatherField {
    /// Air temperature.
    Temperature,
    /// Relative humidity.
    Humidity,
    /// Whether anything falls.
    Wet,
    /// Wind speed.
    Wind,
}

impl WeatherField {
    /// All fields, in the order in which they are shown.
    pub const ALL: &'static [Self] = &[Self::Temperature, Self::Humidity, Self::Wet, Self::Wind];

    /// Returns its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Temperature => "temperature",
            Self::Humidity => "humidity",
            Self::Wet => "wet",
            Self::Wind => "wind",
        }
    }
}

/// Where the weather is cut into bands, and how old a reading may be.
///
/// A value on a cut point belongs to the band above it. At most 253 cut points a field; more are left out.
///
/// # Source
/// The wind's cut points are the limits of Beaufort 2, 4 and 6 in metres a second (WMO-No. 8); the others are chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bands {
    /// Cut points of the air temperature.
    pub temperature: Vec<Temperature>,
    /// Cut points of the relative humidity.
    pub humidity: Vec<Humidity>,
    /// Cut points of the wind speed.
    pub wind: Vec<WindSpeed>,
    /// The age up to which a reading holds for a shot, in minutes.
    pub max_age_minutes: u32,
}

impl Default for Bands {
    /// 0, 10, 20, 30 °C; 50, 70, 85 %; 1.6, 5.5, 10.8 m/s; readings up to 90 minutes old.
    fn default() -> Self {
        Self {
            temperature: [0, 1000, 2000, 3000].map(Temperature).to_vec(),
            humidity: [500, 700, 850].map(Humidity).to_vec(),
            wind: [160, 550, 1080].map(WindSpeed).to_vec(),
            max_age_minutes: 90,
        }
    }
}

fn ordered<T: Ord>(mut cuts: Vec<T>) -> Vec<T> {
    cuts.sort();
    cuts.dedup();
    cuts.truncate(usize::from(u8::MAX) - 2);
    cuts
}

fn band<T: Ord>(cuts: &[T], value: Option<&T>) -> u8 {
    value.map_or(UNKNOWN_BAND, |v| cuts.partition_point(|cut| cut <= v) as u8 + 1)
}

fn name(cuts: &[f64], symbol: &str, code: u8) -> String {
    let Some(index) = usize::from(code).checked_sub(1) else { return "unknown".to_owned() };
    let below = index.checked_sub(1).and_then(|i| cuts.get(i));
    match (below, cuts.get(index)) {
        (Some(low), Some(high)) => format!("{low} to {high} {symbol}"),
        (None, Some(high)) => format!("below {high} {symbol}"),
        (Some(low), None) => format!("{low} {symbol} or above"),
        (None, None) => "unknown".to_owned(),
    }
}

impl Bands {
    /// Returns the same bands with their cut points in order.
    pub(super) fn in_order(self) -> Self {
        Self {
            temperature: ordered(self.temperature),
            humidity: ordered(self.humidity),
            wind: ordered(self.wind),
            ..self
        }
    }

    /// Returns the code of the band that the conditions fall into: 0 for unknown, then 1, 2, … upwards; for rain 1 is
    /// dry and 2 wet.
    #[must_use]
    pub fn code(&self, field: WeatherField, conditions: &Conditions) -> u8 {
        match field {
            WeatherField::Temperature => band(&self.temperature, conditions.temperature.as_ref()),
            WeatherField::Humidity => band(&self.humidity, conditions.humidity.as_ref()),
            WeatherField::Wind => band(&self.wind, conditions.wind.as_ref()),
            WeatherField::Wet => match conditions.precipitation {
                None => UNKNOWN_BAND,
                Some(Precipitation::Dry) => 1,
                Some(_) => 2,
            },
        }
    }

    /// Returns how many codes a field has, unknown included.
    #[must_use]
    pub fn count(&self, field: WeatherField) -> usize {
        match field {
            WeatherField::Temperature => self.temperature.len() + 2,
            WeatherField::Humidity => self.humidity.len() + 2,
            WeatherField::Wind => self.wind.len() + 2,
            WeatherField::Wet => 3,
        }
    }

    /// Returns the name of a band, such as `10 to 20 °C`, `85 % or above`, `wet`, `unknown`.
    #[must_use]
    pub fn name(&self, field: WeatherField, code: u8) -> String {
        match field {
            WeatherField::Temperature => {
                name(&self.temperature.iter().map(|t| t.as_f64()).collect::<Vec<_>>(), "°C", code)
            }
            WeatherField::Humidity => name(&self.humidity.iter().map(|h| h.as_f64()).collect::<Vec<_>>(), "%", code),
            WeatherField::Wind => name(&self.wind.iter().map(|w| w.as_f64()).collect::<Vec<_>>(), "m/s", code),
            WeatherField::Wet => match code {
                1 => "dry",
                2 => "wet",
                _ => "unknown",
            }
            .to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_on_a_cut_point_belongs_to_the_band_above_it() {
        let bands = Bands::default();
        let code = |t| {
            let c = Conditions { temperature: Temperature::from_f64(t), ..Conditions::default() };
            bands.name(WeatherField::Temperature, bands.code(WeatherField::Temperature, &c))
        };
        assert_eq!(code(-0.01), "below 0 °C");
        assert_eq!(code(0.0), "0 to 10 °C");
        assert_eq!(code(19.99), "10 to 20 °C");
        assert_eq!(code(30.0), "30 °C or above");
    }

    #[test]
    fn what_is_not_known_is_its_own_band_and_drizzle_is_wet() {
        let bands = Bands::default();
        let dark = Conditions::default();
        for field in WeatherField::ALL {
            assert_eq!(bands.code(*field, &dark), UNKNOWN_BAND);
            assert_eq!(bands.name(*field, UNKNOWN_BAND), "unknown");
        }
        let damp = Conditions { precipitation: Some(Precipitation::Drizzle), wind: Some(WindSpeed(160)), ..dark };
        assert_eq!(bands.name(WeatherField::Wet, bands.code(WeatherField::Wet, &damp)), "wet");
        assert_eq!(bands.name(WeatherField::Wind, bands.code(WeatherField::Wind, &damp)), "1.6 to 5.5 m/s");
    }
}
