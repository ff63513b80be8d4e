//! The columns of a weather log: common spellings, and the unit that each states.

use super::row::{Decimal, humidity, plain_header, temperature, wind};
use crate::facts::{Humidity, Precipitation, Temperature, WindSpeed};

/// What a column of a weather log holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Quantity {
    Time,
    Temperature,
    Humidity,
    Wind,
    Precipitation,
}

impl Quantity {
    pub(super) const COUNT: usize = 5;

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Temperature => "temperature",
            Self::Humidity => "humidity",
            Self::Wind => "wind",
            Self::Precipitation => "precipitation",
        }
    }

    pub(super) fn index(self) -> usize {
        self as usize
    }
}

/// How a column's values become what is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Scale {
    /// A time, or a word.
    Text,
    /// (value − zero) × num / den in the unit that is kept.
    Linear { zero: i128, num: i128, den: i128 },
    /// Millimetres of rain; above 0 it rained.
    RainMm,
}

const AS_IS: Scale = Scale::Linear { zero: 0, num: 1, den: 1 };
const FAHRENHEIT: Scale = Scale::Linear { zero: 32, num: 5, den: 9 };
const KM_H: Scale = Scale::Linear { zero: 0, num: 10, den: 36 };
/// A knot is 1852 metres an hour.
const KNOTS: Scale = Scale::Linear { zero: 0, num: 1852, den: 3600 };
/// A mile is 1609.344 metres.
const MILES_H: Scale = Scale::Linear { zero: 0, num: 1_609_344, den: 3_600_000 };

/// A column of a weather log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct WeatherColumn {
    pub(super) quantity: Quantity,
    pub(super) scale: Scale,
    /// What is said aloud of a unit that is converted.
    pub(super) said: Option<&'static str>,
}

/// A header without the unit it states is not understood: a bare "temperature" may be in either scale.
const SPELLINGS: &[(&[&str], Quantity, Scale, Option<&str>)] = &[
    (&["time", "timestamp", "datetime", "date_time"], Quantity::Time, Scale::Text, None),
    (
        &["temperature_c", "temp_c", "temperature_celsius", "air_temperature_c", "temperature_degc", "temp_degc"],
        Quantity::Temperature,
        AS_IS,
        None,
    ),
    (
        &["temperature_f", "temp_f", "temperature_fahrenheit", "air_temperature_f", "temperature_degf", "temp_degf"],
        Quantity::Temperature,
        FAHRENHEIT,
        Some("Temperatures are in degrees Fahrenheit and are converted to degrees Celsius."),
    ),
    (
        &[
            "humidity_pct",
            "humidity_percent",
            "relative_humidity_pct",
            "relative_humidity_percent",
            "rh_pct",
            "rh_percent",
        ],
        Quantity::Humidity,
        AS_IS,
        None,
    ),
    (
        &["wind_m_s", "wind_ms", "wind_mps", "wind_speed_m_s", "wind_speed_ms", "wind_speed_mps"],
        Quantity::Wind,
        AS_IS,
        None,
    ),
    (
        &["wind_kmh", "wind_km_h", "wind_kph", "wind_speed_kmh", "wind_speed_km_h", "wind_speed_kph"],
        Quantity::Wind,
        KM_H,
        Some("Wind speeds are in kilometres an hour and are converted to metres a second."),
    ),
    (
        &["wind_kt", "wind_kn", "wind_kts", "wind_knots", "wind_speed_kt", "wind_speed_kn", "wind_speed_knots"],
        Quantity::Wind,
        KNOTS,
        Some("Wind speeds are in knots (1852/3600 m/s) and are converted to metres a second."),
    ),
    (
        &["wind_mph", "wind_speed_mph", "wind_mi_h"],
        Quantity::Wind,
        MILES_H,
        Some("Wind speeds are in miles an hour and are converted to metres a second."),
    ),
    (&["precipitation"], Quantity::Precipitation, Scale::Text, None),
    (
        &["rain_mm", "precipitation_mm", "rainfall_mm"],
        Quantity::Precipitation,
        Scale::RainMm,
        Some("Rain is in millimetres: above 0 is read as rain, 0 as none."),
    ),
];

impl WeatherColumn {
    /// Returns the column that a header names; units may stand behind an underscore, a space or in brackets.
    pub(super) fn from_header(header: &str) -> Option<Self> {
        let spaced = header.replace('%', " pct ").replace(['(', ')', '[', ']', '/', '.', '°'], " ");
        let plain = plain_header(&spaced);
        let (_, quantity, scale, said) =
            SPELLINGS.iter().find(|(names, ..)| names.contains(&plain.as_str())).copied()?;
        Some(Self { quantity, scale, said })
    }

    pub(super) fn temperature(self, n: Decimal) -> Result<Temperature, &'static str> {
        let (zero, num, den) = self.linear();
        temperature(n, zero, num, den)
    }

    pub(super) fn humidity(self, n: Decimal) -> Result<Humidity, &'static str> {
        humidity(n)
    }

    pub(super) fn wind(self, n: Decimal) -> Result<WindSpeed, &'static str> {
        let (_, num, den) = self.linear();
        wind(n, num, den)
    }

    /// Takes millimetres of rain, of which the log does not say how they fell.
    pub(super) fn rain(self, n: Decimal) -> Result<Precipitation, &'static str> {
        match n.thousandths() {
            Some(0) if n.is_zero() => Ok(Precipitation::Dry),
            Some(um) if um <= 2_000_000 => Ok(Precipitation::Rain),
            _ => Err("rain must be from 0 to 2000 millimetres"),
        }
    }

    fn linear(self) -> (i128, i128, i128) {
        match self.scale {
            Scale::Linear { zero, num, den } => (zero, num, den),
            _ => (0, 1, 1),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(header: &str, text: &str) -> (WeatherColumn, Decimal) {
        (WeatherColumn::from_header(header).unwrap(), Decimal::read(text).unwrap().0)
    }

    #[test]
    fn units_in_the_header_are_converted_exactly() {
        let (column, n) = read("Temperature (°F)", "50.9");
        assert_eq!(column.temperature(n), Ok(Temperature(1050)));
        let (column, n) = read("wind_kt", "20");
        assert_eq!(column.wind(n), Ok(WindSpeed(1029)));
        let (column, n) = read("Wind [km/h]", "36");
        assert_eq!(column.wind(n), Ok(WindSpeed(1000)));
        let (column, n) = read("wind mph", "100");
        assert_eq!(column.wind(n), Ok(WindSpeed(4470)));
        let (column, n) = read("Relative humidity %", "55.5");
        assert_eq!(column.humidity(n), Ok(Humidity(555)));
    }

    #[test]
    fn a_header_without_its_unit_is_not_guessed() {
        for header in ["temperature", "temp", "wind", "wind speed", "rain", "humidity"] {
            assert_eq!(WeatherColumn::from_header(header), None, "{header}");
        }
    }
}
