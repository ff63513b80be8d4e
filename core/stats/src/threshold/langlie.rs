//! Langlie's one-shot test: the next level halves the way to what balances the shots so far.

use super::ThresholdError;

/// Returns the next level of a Langlie test between two limits.
///
/// Going back from the last shot, the first earlier shot p is looked for such that shots p to n hold as many fires as
/// failures; the next level is halfway between the levels of shots n and p. If there is none, it is halfway from the
/// last level to the lower limit after a fire and to the upper limit after a failure. The first shot is halfway between
/// the limits.
///
/// # Errors
/// [`ThresholdError::BadLimits`], [`ThresholdError::BadLevel`].
///
/// # Source
/// Langlie (1965) as quoted by Neyer, Technometrics 36 (1994) 61–70, p. 63. The quotation says "with the lower or upper
/// limit according to whether the nth result was a failure or success", with success meaning that the level was
/// withstood; a piece that fired moves down.
pub fn next_langlie(low: f64, high: f64, shots: &[(f64, bool)]) -> Result<f64, ThresholdError> {
    if !(low.is_finite() && high.is_finite() && low < high) {
        return Err(ThresholdError::BadLimits { low, high });
    }
    if let Some((level, _)) = shots.iter().find(|(level, _)| !level.is_finite()) {
        return Err(ThresholdError::BadLevel { level: *level });
    }
    let Some((last, fired)) = shots.last().copied() else { return Ok(0.5 * (low + high)) };
    let mut balance = 0_i64;
    for (level, fired) in shots.iter().rev() {
        balance += if *fired { 1 } else { -1 };
        if balance == 0 {
            return Ok(0.5 * (last + level));
        }
    }
    Ok(0.5 * (last + if fired { low } else { high }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rule_by_hand() {
        let next = |shots: &[(f64, bool)]| next_langlie(0.0, 16.0, shots).unwrap();
        assert_eq!(next(&[]), 8.0);
        assert_eq!(next(&[(8.0, true)]), 4.0);
        assert_eq!(next(&[(8.0, false)]), 12.0);
        assert_eq!(next(&[(8.0, true), (4.0, false)]), 6.0);
        // Two failures after one fire: shots 1 to 3 do not balance, nor do 2 to 3; up from the last.
        assert_eq!(next(&[(8.0, true), (4.0, false), (6.0, false)]), 11.0);
        assert_eq!(next(&[(8.0, true), (4.0, false), (6.0, true)]), 5.0);
        assert_eq!(next(&[(8.0, false), (12.0, true), (10.0, true), (5.0, false)]), 7.5);
        assert!(next_langlie(1.0, 1.0, &[]).is_err() && next_langlie(0.0, f64::NAN, &[]).is_err());
    }
}
