//! Shots of one volley are not independent: how alike they are, and how much less they say for it.
//!
//! A *cluster* is one volley; a *stratum* holds the clusters that share one failure rate, such as those of one pairing.
//! The correlation ρ of two shots of one volley is taken as the same in all strata, which lets few volleys here borrow
//! from many there. Not for correlation that falls with distance, and not for clusters within clusters (days).

mod adjusted;
mod anova;
mod beta_binomial;
mod table;
mod widen;

pub use adjusted::{
    AdjustedTest, EffectiveCounts, adjusted_difference, adjusted_odds_ratio, adjusted_stratified_test, adjusted_trend,
    p_over_design_effect,
};
pub use anova::anova_correlation;
pub use beta_binomial::{IntraClusterFit, beta_binomial};
pub use table::{Cluster, ClusterTable, MAX_CLUSTER_TRIALS};
pub use widen::{
    ClusterBasis, ClusterCounts, ClusterRule, Correlation, WidenedInterval, correlation, widened_interval,
};
