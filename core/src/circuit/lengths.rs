//! Which string lengths the log has proved.
//!
//! A longer string never fires whole more surely than a shorter one of the same kind, so what longer strings did speaks
//! for the shorter. Strings of one module, type and wiring only: the caller must not pool others.

use embertally_stats::{StatsError, clopper_pearson_upper, shots_to_prove};

use super::CircuitError;

/// Strings of one length.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StringsTried {
    /// Igniters in each.
    pub length: u32,
    /// How many were tried.
    pub tried: u64,
    /// How many of them fired whole.
    pub whole: u64,
}

/// What is known of one length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProvenLength {
    /// The strings of this very length.
    pub tried: StringsTried,
    /// The share that fires whole by isotonic regression: the best that never rises with length.
    pub isotonic: f64,
    /// Lower confidence limit of that share: the better of its own strings' and that of all of at least this length, each
    /// with half the doubt, since a broken longer string says nothing against a shorter one.
    pub low: f64,
    /// Upper confidence limit, from all of at most this length.
    pub high: f64,
    /// How many more strings of this length, all whole, would prove it; 0 if it is proved, `None` if more than a million.
    pub more_needed: Option<u64>,
}

/// What is known of all lengths.
#[derive(Debug, Clone, PartialEq)]
pub struct LengthProof {
    /// Length by length, shortest first.
    pub lengths: Vec<ProvenLength>,
    /// The longest length that is proved, and every shorter one tried as well.
    pub longest: Option<u32>,
    /// How many strings of a length never tried, all whole, would prove it.
    pub needed_anew: u64,
}

/// Returns which lengths fire whole with at least `reliability`, each limit with `confidence` (one-sided).
///
/// Lengths are tested from the shortest up and the first that is not proved ends it, so the confidence holds for the
/// longest length given, not only for one picked beforehand.
///
/// # Errors
/// [`CircuitError::Stats`] for counts, reliability or confidence out of range.
///
/// # Source
/// Limits: Clopper & Pearson, Biometrika 26 (1934) 404–413, on the pooled strings, whose mean share is no higher than that
/// of the shortest among them. Isotonic regression: Ayer et al., Ann. Math. Stat. 26 (1955) 641–647.
pub fn proven_lengths(tried: &[StringsTried], reliability: f64, confidence: f64) -> Result<LengthProof, CircuitError> {
    let needed_anew = shots_to_prove(reliability, confidence, 0)?;
    let mut rows: Vec<StringsTried> = Vec::new();
    for t in tried.iter().filter(|t| t.tried > 0) {
        match rows.iter_mut().find(|r| r.length == t.length) {
            Some(row) => (row.tried, row.whole) = (row.tried + t.tried, row.whole + t.whole),
            None => rows.push(*t),
        }
    }
    rows.sort_unstable_by_key(|r| r.length);
    for r in &rows {
        if r.whole > r.tried {
            return Err(StatsError::MoreFailuresThanTrials { failures: r.whole, trials: r.tried }.into());
        }
    }
    // The share that breaks and its upper limit are what the exact method speaks of.
    let low_from = |rows: &[StringsTried], more: u64, confidence: f64| -> Result<f64, CircuitError> {
        let (n, whole) = rows.iter().fold((more, more), |(n, w), r| (n + r.tried, w + r.whole));
        Ok(1.0 - clopper_pearson_upper(n - whole, n, confidence)?)
    };
    let low_of = |from: usize, more: u64| -> Result<f64, CircuitError> {
        match rows.get(from..) {
            Some([own, longer @ ..]) if !longer.is_empty() => {
                let each = 0.5 + 0.5 * confidence;
                let alone = low_from(std::slice::from_ref(own), more, each)?;
                Ok(alone.max(low_from(rows.get(from..).unwrap_or_default(), more, each)?))
            }
            Some(own) => low_from(own, more, confidence),
            None => Ok(0.0),
        }
    };
    let fitted = isotonic(&rows);
    let mut lengths = Vec::with_capacity(rows.len());
    for (i, row) in rows.iter().enumerate() {
        let low = low_of(i, 0)?;
        let (n, whole) = rows.iter().take(i + 1).fold((0, 0), |(n, w), r| (n + r.tried, w + r.whole));
        let high = clopper_pearson_upper(whole, n, confidence)?;
        let more_needed = more_needed(low, reliability, |more| low_of(i, more))?;
        let isotonic = fitted.get(i).copied().unwrap_or(0.0);
        lengths.push(ProvenLength { tried: *row, isotonic, low, high, more_needed });
    }
    let longest = lengths.iter().take_while(|l| l.low >= reliability).last().map(|l| l.tried.length);
    Ok(LengthProof { lengths, longest, needed_anew })
}

fn more_needed(
    low: f64,
    reliability: f64,
    low_after: impl Fn(u64) -> Result<f64, CircuitError>,
) -> Result<Option<u64>, CircuitError> {
    const MOST: u64 = 1_000_000;
    if low >= reliability {
        return Ok(Some(0));
    }
    if low_after(MOST)? < reliability {
        return Ok(None);
    }
    let (mut few, mut enough) = (0, MOST);
    while enough - few > 1 {
        let middle = few + (enough - few) / 2;
        if low_after(middle)? >= reliability { enough = middle } else { few = middle }
    }
    Ok(Some(enough))
}

/// Pools neighbours that rise until none does.
fn isotonic(rows: &[StringsTried]) -> Vec<f64> {
    let mut blocks: Vec<(u64, u64, usize)> = Vec::new();
    for r in rows {
        let mut block = (r.whole, r.tried, 1);
        while let Some(last) = blocks.last().copied() {
            // Shares compared crosswise, in whole numbers: last below block means that they rise.
            if u128::from(last.0) * u128::from(block.1) >= u128::from(block.0) * u128::from(last.1) {
                break;
            }
            block = (block.0 + last.0, block.1 + last.1, block.2 + last.2);
            blocks.pop();
        }
        blocks.push(block);
    }
    blocks.iter().flat_map(|(whole, tried, rows)| vec![*whole as f64 / *tried as f64; *rows]).collect()
}
