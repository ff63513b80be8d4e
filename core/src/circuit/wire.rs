//! The resistance of copper leads.

use super::CircuitError;

/// Temperature coefficient of annealed copper at 20 °C, per kelvin: IEC 60028:1925.
pub const COPPER_ALPHA_20: f64 = 0.003_93;

/// Conductivity of annealed copper at 20 °C, m/(Ω·mm²): 100 % IACS, IEC 60028:1925.
const COPPER_58: f64 = 58.0;

/// The size of a conductor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WireSize {
    /// American wire gauge, solid copper: diameter 0.127 mm · 92^((36 − gauge)/39) (ASTM B258).
    Gauge(u8),
    /// Cross-section in square millimetres, as pure copper of that area.
    SquareMm(f64),
}

impl WireSize {
    /// Returns the cross-section in square millimetres.
    ///
    /// # Errors
    /// [`CircuitError::OutOfRange`] outside gauge 8 to 36 or 0.01 to 100 mm².
    pub fn square_mm(self) -> Result<f64, CircuitError> {
        match self {
            Self::Gauge(gauge) if (8..=36).contains(&gauge) => {
                let diameter = 0.127 * 92.0_f64.powf((36.0 - f64::from(gauge)) / 39.0);
                Ok(std::f64::consts::FRAC_PI_4 * diameter * diameter)
            }
            Self::Gauge(gauge) => Err(CircuitError::OutOfRange {
                what: "wire gauge",
                value: gauge.into(),
                unit: "AWG",
                range: "from 8 to 36",
            }),
            Self::SquareMm(area) if (0.01..=100.0).contains(&area) => Ok(area),
            Self::SquareMm(area) => Err(CircuitError::OutOfRange {
                what: "cross-section",
                value: area,
                unit: "mm²",
                range: "from 0.01 to 100",
            }),
        }
    }
}

/// Returns the resistance of one metre of copper conductor, in ohms.
///
/// R = 1/(58 A) · (1 + 0.00393 (t − 20)). A real cable may be up to its standard's limit, some 4 to 16 % above, see
/// [`standard_limit_ohm_per_km`]; leads of steel or aluminium are several times higher.
///
/// # Errors
/// [`CircuitError::OutOfRange`] for sizes, and for temperatures outside −60 to 150 °C.
///
/// # Source
/// IEC 60028:1925; checked against the wire tables of NBS Circular 31 and Handbook 100.
pub fn copper_ohm_per_m(size: WireSize, celsius: f64) -> Result<f64, CircuitError> {
    if !(-60.0..=150.0).contains(&celsius) {
        let (what, unit, range) = ("lead temperature", "°C", "from −60 to 150");
        return Err(CircuitError::OutOfRange { what, value: celsius, unit, range });
    }
    Ok((1.0 + COPPER_ALPHA_20 * (celsius - 20.0)) / (COPPER_58 * size.square_mm()?))
}

/// Returns the highest resistance at 20 °C that IEC 60228 allows a plain copper conductor, in ohms a kilometre; `None` for
/// sizes that are not in this excerpt (0.5 to 2.5 mm²). `flexible` is class 5 and 6, else class 1 and 2.
#[must_use]
pub fn standard_limit_ohm_per_km(square_mm: f64, flexible: bool) -> Option<f64> {
    const LIMITS: [(f64, f64, f64); 5] =
        [(0.5, 36.0, 39.0), (0.75, 24.5, 26.0), (1.0, 18.1, 19.5), (1.5, 12.1, 13.3), (2.5, 7.41, 7.98)];
    let row = LIMITS.iter().find(|(area, ..)| (area - square_mm).abs() < 1e-9)?;
    Some(if flexible { row.2 } else { row.1 })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ohm_per_km(size: WireSize, celsius: f64) -> f64 {
        1000.0 * copper_ohm_per_m(size, celsius).unwrap()
    }

    #[test]
    fn gauges_are_those_of_the_wire_tables() {
        // Ω per 1000 ft at 20 °C, NBS Circular 31 / Handbook 100 as reprinted by handbooks, four figures.
        for (gauge, printed) in
            [(16, 4.016), (18, 6.385), (20, 10.15), (22, 16.14), (24, 25.67), (26, 40.81), (28, 64.90)]
        {
            let got = ohm_per_km(WireSize::Gauge(gauge), 20.0) * 0.3048;
            assert!((got / printed - 1.0).abs() < 5e-4, "AWG {gauge}: {got}, printed {printed}");
        }
        // NBS Handbook 100 (1966), metric column, Ω/km.
        for (gauge, printed) in [(18, 20.95), (20, 33.31), (22, 52.96), (24, 84.22), (26, 133.9), (28, 212.9)] {
            let got = ohm_per_km(WireSize::Gauge(gauge), 20.0);
            assert!((got / printed - 1.0).abs() < 5e-4, "AWG {gauge}: {got}");
        }
    }

    #[test]
    fn metric_sizes_stay_under_the_limits_of_the_standard_by_4_to_16_percent() {
        for area in [0.5, 0.75, 1.0, 1.5, 2.5] {
            let nominal = ohm_per_km(WireSize::SquareMm(area), 20.0);
            for flexible in [false, true] {
                let over = standard_limit_ohm_per_km(area, flexible).unwrap() / nominal;
                assert!((1.03..1.17).contains(&over), "{area} mm²: {over}");
            }
        }
        assert_eq!(standard_limit_ohm_per_km(0.6, true), None);
    }

    #[test]
    fn warm_copper_resists_more() {
        // IEC 60028:1925: R(50)/R(20), R(0)/R(20), R(−10)/R(20).
        let at = |t| ohm_per_km(WireSize::SquareMm(1.0), t) / ohm_per_km(WireSize::SquareMm(1.0), 20.0);
        for (celsius, ratio) in [(50.0, 1.1179), (0.0, 0.9214), (-10.0, 0.8821)] {
            assert!((at(celsius) - ratio).abs() < 5e-5);
        }
        // IEC 60228 prints factors to bring a reading at t back to 20 °C, with a rounder coefficient.
        for (celsius, factor) in
            [(5.0, 1.064), (10.0, 1.042), (15.0, 1.020), (25.0, 0.980), (30.0, 0.962), (50.0, 0.893)]
        {
            assert!((1.0 / at(celsius) - factor).abs() < 2.5e-3, "{celsius}");
        }
    }

    #[test]
    fn odd_sizes_are_refused() {
        assert!(copper_ohm_per_m(WireSize::Gauge(40), 20.0).is_err());
        assert!(copper_ohm_per_m(WireSize::SquareMm(0.0), 20.0).is_err());
        assert!(copper_ohm_per_m(WireSize::SquareMm(1.0), f64::NAN).is_err());
    }
}
