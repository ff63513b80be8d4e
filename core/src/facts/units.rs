//! Units of measure as types: whole numbers of a small unit, so that a value is exact and has one encoding.

use std::fmt;

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident($inner:ty), per $scale:literal, $symbol:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
        pub struct $name(pub $inner);

        impl $name {
            #[doc = concat!("Returns the value in ", $symbol, ".")]
            #[must_use]
            pub fn as_f64(self) -> f64 {
                f64::from(self.0) / f64::from($scale)
            }

            #[doc = concat!("Takes a value in ", $symbol, ", rounded to the nearest step; `None` if it does not fit or is not a number.")]
            #[must_use]
            pub fn from_f64(value: f64) -> Option<Self> {
                let steps = (value * f64::from($scale)).round();
                (steps >= f64::from(<$inner>::MIN) && steps <= f64::from(<$inner>::MAX))
                    .then_some(Self(steps as $inner))
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!("{} ", $symbol), self.as_f64())
            }
        }
    };
}

unit!(
    /// A resistance, kept in milliohms.
    Resistance(u32), per 1000, "Ω"
);
unit!(
    /// A current, kept in milliamperes.
    Current(u32), per 1000, "A"
);
unit!(
    /// A voltage, kept in millivolts.
    Voltage(u32), per 1000, "V"
);
unit!(
    /// A firing impulse, kept in microjoules per ohm (1 mW·s/Ω = 1 mJ/Ω = 1 A²·ms).
    Impulse(u32), per 1000, "mJ/Ω"
);
unit!(
    /// A lag, kept in microseconds.
    Lag(u32), per 1000, "ms"
);
unit!(
    /// A capacitance, kept in nanofarads.
    Capacitance(u32), per 1000, "µF"
);
unit!(
    /// A length, kept in millimetres.
    Length(u32), per 1000, "m"
);
unit!(
    /// A conductor's cross-section, kept in thousandths of a square millimetre.
    CrossSection(u32), per 1000, "mm²"
);
unit!(
    /// A temperature, kept in hundredths of a degree Celsius.
    Temperature(i16), per 100, "°C"
);
unit!(
    /// A relative humidity, kept in tenths of a percent.
    Humidity(u16), per 10, "%"
);
unit!(
    /// A wind speed, kept in hundredths of a metre a second.
    WindSpeed(u16), per 100, "m/s"
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_rounded_to_the_step_and_refused_outside_it() {
        assert_eq!(Temperature::from_f64(-3.456), Some(Temperature(-346)));
        assert_eq!(Temperature::from_f64(400.0), None);
        assert_eq!(Resistance::from_f64(-0.1), None);
        assert_eq!(Humidity::from_f64(f64::NAN), None);
        assert_eq!(Resistance(1_250).to_string(), "1.25 Ω");
    }
}
