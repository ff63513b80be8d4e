//! The limits of weather values: outside them, the unit or the decimal mark is wrong.

use super::decimal::Decimal;
use crate::facts::{Humidity, Temperature, WindSpeed};

/// Takes a number in some unit to °C: (number − `zero`) × `num` / `den`.
pub(in super::super) fn temperature(
    number: Decimal,
    zero: i128,
    num: i128,
    den: i128,
) -> Result<Temperature, &'static str> {
    let steps = number.scaled(zero, num * 100, den);
    match i16::try_from(steps) {
        Ok(steps) if (-9000..=7000).contains(&steps) => Ok(Temperature(steps)),
        _ => Err("a temperature must be from -90 to 70 degrees Celsius"),
    }
}

/// Takes a relative humidity in percent.
pub(in super::super) fn humidity(number: Decimal) -> Result<Humidity, &'static str> {
    match u16::try_from(number.scaled(0, 10, 1)) {
        Ok(steps) if steps <= 1000 => Ok(Humidity(steps)),
        _ => Err("a humidity must be from 0 to 100 percent"),
    }
}

/// Takes a wind speed in some unit to m/s: number × `num` / `den`.
pub(in super::super) fn wind(number: Decimal, num: i128, den: i128) -> Result<WindSpeed, &'static str> {
    match u16::try_from(number.scaled(0, num * 100, den)) {
        Ok(steps) if steps <= 12_000 => Ok(WindSpeed(steps)),
        _ => Err("a wind speed must be from 0 to 120 metres a second"),
    }
}
