//! p-values made larger because many were asked for: of thirty pairings one looks bad by chance.
//!
//! Not for choosing the level, and not for tests that depend on each other negatively.

use crate::error::StatsError;

/// Returns p-values adjusted by Benjamini and Hochberg, in the order given: rejecting those up to q keeps the expected
/// share of false ones among the rejected at q or below.
///
/// Each p lies from 0 to 1; adjusted p₍ᵢ₎ = min over j ≥ i of p₍ⱼ₎ · m/j, at most 1. Holds for tests that are
/// independent or depend on each other positively.
///
/// # Errors
/// [`StatsError::BadPValue`].
///
/// # Source
/// Benjamini & Hochberg, J. R. Stat. Soc. B 57 (1995) 289–300.
///
/// ```
/// use embertally_stats::benjamini_hochberg;
///
/// assert_eq!(benjamini_hochberg(&[0.01, 0.5, 0.02])?, [0.03, 0.5, 0.03]);
/// # Ok::<(), embertally_stats::StatsError>(())
/// ```
pub fn benjamini_hochberg(p_values: &[f64]) -> Result<Vec<f64>, StatsError> {
    let order = sorted(p_values)?;
    let m = p_values.len() as f64;
    let mut adjusted = vec![0.0; p_values.len()];
    let mut smallest = 1.0_f64;
    for (rank, (place, p)) in order.into_iter().enumerate().rev() {
        // Multiplied first: m/j is seldom exact.
        smallest = smallest.min(p * m / (rank + 1) as f64);
        if let Some(slot) = adjusted.get_mut(place) {
            *slot = smallest;
        }
    }
    Ok(adjusted)
}

/// Returns p-values adjusted by Holm, in the order given: rejecting those up to α keeps the chance of any false one at
/// α or below, however the tests depend on each other.
///
/// Each p lies from 0 to 1; adjusted p₍ᵢ₎ = max over j ≤ i of p₍ⱼ₎ · (m−j+1), at most 1.
///
/// # Errors
/// [`StatsError::BadPValue`].
///
/// # Source
/// Holm, Scand. J. Stat. 6 (1979) 65–70.
pub fn holm(p_values: &[f64]) -> Result<Vec<f64>, StatsError> {
    let order = sorted(p_values)?;
    let mut adjusted = vec![0.0; p_values.len()];
    let mut largest = 0.0_f64;
    for (rank, (place, p)) in order.into_iter().enumerate() {
        largest = largest.max(p * (p_values.len() - rank) as f64).min(1.0);
        if let Some(slot) = adjusted.get_mut(place) {
            *slot = largest;
        }
    }
    Ok(adjusted)
}

/// The p-values with their places, smallest first.
fn sorted(p_values: &[f64]) -> Result<Vec<(usize, f64)>, StatsError> {
    // Written so that NaN is refused too.
    if let Some(&p) = p_values.iter().find(|p| !(0.0..=1.0).contains(*p)) {
        return Err(StatsError::BadPValue { p });
    }
    let mut order: Vec<(usize, f64)> = p_values.iter().copied().enumerate().collect();
    order.sort_by(|a, b| a.1.total_cmp(&b.1));
    Ok(order)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn none_and_one_stay_as_they_are() {
        assert_eq!(benjamini_hochberg(&[]), Ok(vec![]));
        assert_eq!(holm(&[]), Ok(vec![]));
        assert_eq!(benjamini_hochberg(&[0.3]), Ok(vec![0.3]));
        assert_eq!(holm(&[0.3]), Ok(vec![0.3]));
    }

    #[test]
    fn what_is_no_p_value_is_refused() {
        for p in [-0.1, 1.1, f64::NAN, f64::INFINITY] {
            assert!(matches!(benjamini_hochberg(&[0.5, p]), Err(StatsError::BadPValue { .. })));
            assert!(matches!(holm(&[p]), Err(StatsError::BadPValue { .. })));
        }
    }

    #[test]
    fn adjusted_values_keep_the_order_and_are_never_smaller() {
        let p = [0.04, 0.001, 0.9, 0.03, 0.04];
        for adjusted in [benjamini_hochberg(&p).unwrap(), holm(&p).unwrap()] {
            assert!(p.iter().zip(&adjusted).all(|(p, a)| a >= p && *a <= 1.0));
            assert_eq!(adjusted[0], adjusted[4]);
            assert!(adjusted[1] < adjusted[3] && adjusted[3] <= adjusted[0] && adjusted[0] < adjusted[2]);
        }
    }
}
