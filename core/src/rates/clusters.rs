//! Shots by volley: how alike those of one volley are, and how large the volleys of a group.
//!
//! The correlation is worked out once for a measure, from all volleys of the log within pairings of lot and fuse, and
//! used for every table: it belongs to how shots are wired and fired, and one group alone has too few volleys to show it.

use std::collections::BTreeMap;

use embertally_stats::{
    Cluster, ClusterBasis, ClusterRule, ClusterTable, Correlation, StatsError, anova_correlation, correlation,
};
use serde::Serialize;

use super::columns::axis;
use super::count::{Dimension, index_rows};
use super::group::Group;
use crate::ledger::{Ledger, Measure};

/// The volleys of one group.
#[derive(Debug, Clone, Default)]
pub(super) struct Volleys {
    /// Failures of the settled shots of each.
    pub(super) settled: ClusterTable,
    /// Σm² and Σm of all shots that count, unresolved ones included.
    squares: u64,
    shots: u64,
}

impl Volleys {
    /// Returns the size of the volley that a shot is in, on average over the shots.
    pub(super) fn mean_size(&self) -> f64 {
        if self.shots == 0 { 1.0 } else { self.squares as f64 / self.shots as f64 }
    }
}

/// One volley's shots within one group: good, failed, unresolved.
type Tally = [u32; 3];

/// Returns the volleys of each combination of codes that has a counted shot.
pub(super) fn volleys_by(
    dimensions: &[Dimension<'_>],
    volleys: &[u32],
    classes: &[u8],
) -> Result<BTreeMap<Vec<u32>, Volleys>, StatsError> {
    let (index, keys) = index_rows(dimensions, classes.len());
    let size = volleys.iter().max().map_or(0, |most| *most as usize + 1);
    // Nearly every volley is of one group: its place holds that, and what else there is goes into a map.
    let mut owned: Vec<(u32, Tally)> = vec![(u32::MAX, [0; 3]); size];
    let mut others: BTreeMap<(u32, u32), Tally> = BTreeMap::new();
    for ((cell, volley), class) in index.iter().zip(volleys).zip(classes) {
        let Some(which) = usize::from(class & 3).checked_sub(1).filter(|_| *cell != u32::MAX) else { continue };
        let Some((owner, tally)) = owned.get_mut(*volley as usize) else { continue };
        if *owner == u32::MAX {
            *owner = *cell;
        }
        let tally = if *owner == *cell { tally } else { others.entry((*cell, *volley)).or_default() };
        tally[which] += 1;
    }
    let mut all: Vec<(u32, Tally)> = owned.into_iter().filter(|(cell, _)| *cell != u32::MAX).collect();
    all.extend(others.into_iter().map(|((cell, _), tally)| (cell, tally)));
    all.sort_unstable();
    let mut found = BTreeMap::new();
    for run in all.chunk_by(|a, b| a.0 == b.0) {
        let cluster = |tally: &Tally| Cluster {
            failures: u64::from(tally[1]),
            trials: u64::from(tally[0]) + u64::from(tally[1]),
        };
        let settled = ClusterTable::new(run.iter().map(|(_, tally)| cluster(tally)))?;
        let sizes = || run.iter().map(|(_, tally)| tally.iter().map(|n| u64::from(*n)).sum::<u64>());
        let group = Volleys { settled, squares: sizes().map(|m| m * m).sum(), shots: sizes().sum() };
        if let Some(key) = run.first().and_then(|(cell, _)| keys.of(*cell)) {
            found.insert(key, group);
        }
    }
    Ok(found)
}

/// How alike the shots of one volley are, by one measure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct VolleyCorrelation {
    /// `singles` (no volley has two shots that count), `estimated`, or `too-few` (too few to know: each volley counts as
    /// one shot, the conservative bound).
    pub basis: &'static str,
    /// The most likely correlation of two shots of one volley; null where nothing tells.
    pub correlation: Option<f64>,
    /// The lower end of its profile-likelihood interval.
    pub low: f64,
    /// The upper end.
    pub high: f64,
    /// The analysis-of-variance estimate, for comparison; null where it does not exist.
    pub anova: Option<f64>,
    /// What intervals are widened by: the upper limit that holds with 80 %, or 1 with too few volleys.
    pub used: f64,
    /// The volleys with more than one settled shot.
    pub volleys: u64,
}

/// Works out how alike the shots of one volley are, over the whole log.
///
/// Settled shots only: unresolved shots of a broken string are alike by their wiring. The result depends only on the
/// facts in the ledger, not on the order in which they came.
///
/// # Errors
/// [`StatsError::BadConfidence`].
pub fn volley_correlation(ledger: &Ledger, measure: Measure, level: f64) -> Result<VolleyCorrelation, StatsError> {
    let axes = [axis(ledger, Group::Lot), axis(ledger, Group::Fuse)];
    let dimensions: Vec<Dimension<'_>> = axes.iter().map(|a| a.dimension()).collect();
    let columns = ledger.columns();
    let found = volleys_by(&dimensions, columns.volley(), columns.class(measure))?;
    // By name, so that sums come out the same on every device.
    let mut strata: Vec<(Vec<Option<String>>, ClusterTable)> = found
        .into_iter()
        .map(|(codes, group)| (axes.iter().zip(codes).map(|(a, code)| a.name(code)).collect(), group.settled))
        .collect();
    strata.sort_by(|a, b| a.0.cmp(&b.0));
    let strata: Vec<ClusterTable> = strata.into_iter().map(|(_, table)| table).collect();
    let Correlation { basis, most_likely, interval, used, shared_clusters } =
        correlation(&strata, ClusterRule::default(), level)?;
    Ok(VolleyCorrelation {
        basis: match basis {
            ClusterBasis::Singles => "singles",
            ClusterBasis::Estimated => "estimated",
            ClusterBasis::TooFew => "too-few",
        },
        correlation: most_likely,
        low: interval.low,
        high: interval.high,
        anova: anova_correlation(&strata),
        used,
        volleys: shared_clusters,
    })
}
