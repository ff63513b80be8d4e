//! Clusters of one rate, counted by their size and failures.

use std::collections::BTreeMap;

use crate::error::{StatsError, check_counts, check_size};

/// The most trials that one cluster may have.
pub const MAX_CLUSTER_TRIALS: u64 = 100_000;

/// One cluster: failures of the trials of one volley.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Cluster {
    /// The failures.
    pub failures: u64,
    /// The trials.
    pub trials: u64,
}

/// Clusters that share one failure rate, those that are alike counted together.
///
/// INVARIANT: it depends only on which clusters there are, not on their order, to the last bit of every sum.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ClusterTable {
    /// How many there are of each (trials, failures), in order; clusters without trials are left out.
    alike: Vec<(u64, u64, u64)>,
    /// How many have more failures than the place says.
    pub(super) failures_above: Vec<u64>,
    /// How many have more trials that did not fail.
    pub(super) clean_above: Vec<u64>,
    /// How many have more trials.
    pub(super) trials_above: Vec<u64>,
    failures: u64,
    trials: u64,
    clusters: u64,
    squares: u64,
}

/// Adds `count` to each place below `length`.
fn raise(places: &mut Vec<u64>, length: u64, count: u64) {
    let length = length as usize;
    if places.len() < length {
        places.resize(length, 0);
    }
    for place in places.iter_mut().take(length) {
        *place += count;
    }
}

impl ClusterTable {
    /// Counts clusters in any order.
    ///
    /// # Errors
    /// [`StatsError::MoreFailuresThanTrials`]; [`StatsError::TooManyTrials`] for more than
    /// [`MAX_TRIALS`](crate::MAX_TRIALS) in all or [`MAX_CLUSTER_TRIALS`] in one.
    pub fn new(clusters: impl IntoIterator<Item = Cluster>) -> Result<Self, StatsError> {
        let mut alike: BTreeMap<(u64, u64), u64> = BTreeMap::new();
        for Cluster { failures, trials } in clusters {
            check_counts(failures, trials)?;
            if trials > MAX_CLUSTER_TRIALS {
                return Err(StatsError::TooManyTrials { trials, most: MAX_CLUSTER_TRIALS });
            }
            if trials > 0 {
                *alike.entry((trials, failures)).or_default() += 1;
            }
        }
        let mut table = Self::default();
        for ((trials, failures), count) in alike {
            table.alike.push((trials, failures, count));
            raise(&mut table.failures_above, failures, count);
            raise(&mut table.clean_above, trials - failures, count);
            raise(&mut table.trials_above, trials, count);
            table.clusters += count;
            table.failures = table.failures.saturating_add(failures.saturating_mul(count));
            table.trials = table.trials.saturating_add(trials.saturating_mul(count));
            table.squares = table.squares.saturating_add((trials * trials).saturating_mul(count));
        }
        check_size(table.trials)?;
        Ok(table)
    }

    /// Returns the clusters as (trials, failures, how many), in order.
    #[must_use]
    pub fn alike(&self) -> &[(u64, u64, u64)] {
        &self.alike
    }

    /// Returns the failures of all clusters.
    #[must_use]
    pub fn failures(&self) -> u64 {
        self.failures
    }

    /// Returns the trials of all clusters.
    #[must_use]
    pub fn trials(&self) -> u64 {
        self.trials
    }

    /// Returns the number of clusters with a trial.
    #[must_use]
    pub fn clusters(&self) -> u64 {
        self.clusters
    }

    /// Returns the number of clusters with more than one trial: only these can tell whether trials are alike.
    #[must_use]
    pub fn shared(&self) -> u64 {
        self.trials_above.get(1).copied().unwrap_or(0)
    }

    /// Returns the number of clusters in which something failed and something did not.
    pub(super) fn mixed(&self) -> u64 {
        let first = |places: &[u64]| places.first().copied().unwrap_or(0);
        (first(&self.failures_above) + first(&self.clean_above)).saturating_sub(first(&self.trials_above))
    }

    /// Returns the size of the cluster that a trial is in, on average over the trials: Σm²/Σm; 1 with no trials.
    #[must_use]
    pub fn mean_size(&self) -> f64 {
        if self.trials == 0 { 1.0 } else { self.squares as f64 / self.trials as f64 }
    }

    /// Returns Σm² over the clusters.
    pub(super) fn squares(&self) -> f64 {
        self.squares as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cluster(failures: u64, trials: u64) -> Cluster {
        Cluster { failures, trials }
    }

    #[test]
    fn clusters_are_counted_whatever_their_order() {
        let one = ClusterTable::new([cluster(1, 3), cluster(0, 2), cluster(1, 3), cluster(0, 0)]).unwrap();
        let two = ClusterTable::new([cluster(0, 2), cluster(1, 3), cluster(1, 3)]).unwrap();
        assert_eq!(one, two);
        assert_eq!((one.clusters(), one.shared(), one.mixed(), one.failures(), one.trials()), (3, 3, 2, 2, 8));
        assert_eq!(one.alike(), [(2, 0, 1), (3, 1, 2)]);
        assert!((one.mean_size() - 22.0 / 8.0).abs() < 1e-15);
        assert_eq!(ClusterTable::default().mean_size(), 1.0);
    }

    #[test]
    fn impossible_clusters_are_refused() {
        assert!(matches!(ClusterTable::new([cluster(2, 1)]), Err(StatsError::MoreFailuresThanTrials { .. })));
        assert!(matches!(ClusterTable::new([cluster(0, 100_001)]), Err(StatsError::TooManyTrials { .. })));
    }
}
