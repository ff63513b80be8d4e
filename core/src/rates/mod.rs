//! From the ledger's columns to rates: counts by any grouping, rates with intervals, and the pairings that misbehave.
//!
//! Four measures, never added together unasked: *ignition* (of shots that tested the igniter, how many failed), *slow*
//! (of those that fired, how many fired late), *transfer* (of those that fired at a fuse that somebody watched, how
//! many did not light it) and *end-to-end* (of shots at a fuse, how many ended with the fuse unlit).
//!
//! A failure whose cause is not settled, and an outcome that observers dispute, is *unresolved*: neither counted nor
//! dropped. It widens the interval: the low end takes every unresolved shot as the circuit's, the high end as the
//! igniter's.
//!
//! Shots of one volley are not independent. Every rate carries two intervals: `low, high` take shots as independent, and
//! `low_clustered, high_clustered` divide failures and shots by the design effect of their volleys. The second is what is
//! shown and what clears a pairing; the first is what condemns it.
//!
//! Not for: the numbers themselves (`embertally-stats`), or what a shot adds up to (`crate::ledger`).

mod clusters;
mod columns;
mod compare;
mod compare_words;
mod count;
mod delays;
mod group;
mod model;
mod model_terms;
mod pairings;
mod percent;
mod quantity;
mod rate;
mod reading;
mod shrunk;
mod stratified;
mod strength;
mod strings;
mod table;
mod trending;
mod verdict;
mod watch;

pub use clusters::{VolleyCorrelation, volley_correlation};
pub use compare::{CompareRequest, ComparedGroup, Comparison, Shown, compare, pair_named};
pub use count::{Codes, Counts, Dimension, count_by};
pub use delays::{
    BoundFigures, DelayComparison, DelayFigures, DelayRow, DelayTable, DelayTests, DelaysRequest, FitFigures,
    MassFigures, MedianRatio, SlowFigures, SpreadFigures, compare_delays, delays,
};
pub use group::{Group, GroupError, weather_field};
pub use model::{Coefficient, Model, ModelError, ModelReading, ModelRequest, Predicted, Reference, TermTest, model};
pub use model_terms::{Term, TermError};
pub use pairings::{JudgedRate, MeasuredVolleys, Pairing, PairingsRequest, Ranking, pairings, ranking};
pub use percent::percent;
pub use quantity::Quantity;
pub use rate::{Clustered, Clustering, Rate};
pub use reading::{ClusteredFigures, Difference, OddsFigures, PValues, RatioFigures, Reading, Tally};
pub use shrunk::{FALSE_DISCOVERY, ShrunkFigures, Together, WorseThanRest};
pub use stratified::{ClusteredStrata, CommonOdds, Homogeneity, Stratified, Stratum, StratumTest};
pub use strength::{Grades, StrengthComparison, StrengthTable, Superiority, compare_strengths, strengths};
pub use strings::{StringKind, strings_by_kind};
pub use table::{RateRow, RateTable, RatesError, RatesRequest, rates};
pub use trending::{TrendFound, TrendGroup, TrendReading, TrendRequest, trend};
pub use verdict::{Judged, Rules, Verdict, judge};
pub use watch::{Alarm, Decided, Decision, Sum, Watch, WatchRequest, Watched, watch};

#[cfg(test)]
mod tests;
