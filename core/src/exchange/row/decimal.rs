//! A decimal number as it was written, so that "120" and "120.4" keep the precision that the writer gave them.

/// The mark between the whole and the decimal digits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum DecimalMark {
    /// A point: 18.5.
    Point,
    /// A comma: 18,5.
    Comma,
}

impl std::str::FromStr for DecimalMark {
    type Err = String;

    /// Reads `point`, `comma`, or the mark itself.
    fn from_str(text: &str) -> Result<Self, String> {
        match text.trim().to_ascii_lowercase().as_str() {
            "point" | "." => Ok(Self::Point),
            "comma" | "," => Ok(Self::Comma),
            _ => Err(format!("{text:?} is not a decimal mark; use one of: point, comma")),
        }
    }
}

/// `mantissa` / 10^`digits`. `INVARIANT:` |mantissa| < 10^15 and digits ≤ 15, so that no arithmetic here overflows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) struct Decimal {
    mantissa: i64,
    digits: u32,
}

const MAX_DIGITS: usize = 15;

impl Decimal {
    /// Reads a plain decimal number and says which mark it had; `None` if it is anything else.
    pub(in super::super) fn read(text: &str) -> Option<(Self, Option<DecimalMark>)> {
        let (negative, body) = match text.as_bytes().first()? {
            b'-' => (true, text.get(1..)?),
            b'+' => (false, text.get(1..)?),
            // The minus sign of typesetters, which some spreadsheets write.
            _ => match text.strip_prefix('\u{2212}') {
                Some(rest) => (true, rest),
                None => (false, text),
            },
        };
        let (mut mantissa, mut seen, mut digits, mut mark) = (0_i64, 0, 0, None);
        for byte in body.bytes() {
            match byte {
                b'0'..=b'9' if seen < MAX_DIGITS => {
                    mantissa = mantissa * 10 + i64::from(byte - b'0');
                    seen += 1;
                    digits += u32::from(mark.is_some());
                }
                b'.' if mark.is_none() => mark = Some(DecimalMark::Point),
                b',' if mark.is_none() => mark = Some(DecimalMark::Comma),
                _ => return None,
            }
        }
        // "5." and "." are slips more often than numbers.
        if seen == 0 || (mark.is_some() && digits == 0) {
            return None;
        }
        Some((Self { mantissa: if negative { -mantissa } else { mantissa }, digits }, mark))
    }

    /// Tells whether a mark in it could also stand between thousands: one to three digits, then exactly three.
    pub(in super::super) fn may_be_thousands(self) -> bool {
        self.digits == 3 && (1_000..1_000_000).contains(&self.mantissa.abs())
    }

    /// Returns (the number − `zero`) × `num` / `den`, rounded to the nearest whole, halves away from zero.
    ///
    /// Exact: whole numbers only, so a conversion between units rounds once. `den` is above 0.
    pub(in super::super) fn scaled(self, zero: i128, num: i128, den: i128) -> i128 {
        let scale = 10_i128.pow(self.digits);
        let value = (i128::from(self.mantissa) - zero * scale) * num;
        let den = den * scale;
        let half = if value < 0 { -den / 2 } else { den / 2 };
        (value + half) / den
    }

    /// Returns the number in thousandths if it is at least 0, held at `u64::MAX`: for microseconds from milliseconds.
    pub(in super::super) fn thousandths(self) -> Option<u64> {
        let value = self.scaled(0, 1000, 1);
        u64::try_from(value).ok()
    }

    pub(in super::super) fn is_zero(self) -> bool {
        self.mantissa == 0
    }

    /// Returns the interval, in thousandths, that the written precision leaves open: half a step of the last digit on
    /// either side, rounded outwards and held at 0. `None` for a negative number.
    pub(in super::super) fn written_interval(self) -> Option<(u64, u64)> {
        if self.mantissa < 0 {
            return None;
        }
        // In thousandths the half step is 500 / 10^digits; doubled numbers keep it whole.
        let (doubled, unit) = (i128::from(self.mantissa) * 2, 2 * 10_i128.pow(self.digits));
        let low = ((doubled - 1).max(0) * 1000) / unit;
        let high = ((doubled + 1) * 1000 + unit - 1) / unit;
        Some((u64::try_from(low).ok()?, u64::try_from(high).ok()?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Decimal {
        Decimal::read(text).unwrap().0
    }

    #[test]
    fn a_bare_number_means_the_interval_of_its_written_precision() {
        for (text, interval) in [
            ("120", (119_500, 120_500)),
            ("120.4", (120_350, 120_450)),
            ("120,40", (120_395, 120_405)),
            ("0", (0, 500)),
            ("120.4567", (120_456, 120_457)),
        ] {
            assert_eq!(read(text).written_interval(), Some(interval), "{text}");
        }
        assert_eq!(read("-1").written_interval(), None);
    }

    #[test]
    fn a_conversion_rounds_once() {
        // 50.9 °F = 10.5 °C; 20 kt = 20 × 1852/3600 m/s = 10.2889 m/s; −40 is the same in both scales.
        assert_eq!(read("50.9").scaled(32, 500, 9), 1050);
        assert_eq!(read("20").scaled(0, 100 * 1852, 3600), 1029);
        assert_eq!(read("-0.005").scaled(0, 100, 1), -1);
        assert_eq!(read("0.005").scaled(0, 100, 1), 1);
    }

    #[test]
    fn what_is_not_a_plain_number_is_refused() {
        for text in ["", "-", ".", "5.", "1.2.3", "1e3", "nan", "inf", "0x1", "1 000", "1234567890123456"] {
            assert_eq!(Decimal::read(text), None, "{text:?}");
        }
        assert_eq!(
            Decimal::read("\u{2212}3,5"),
            Some((Decimal { mantissa: -35, digits: 1 }, Some(DecimalMark::Comma)))
        );
    }
}
