//! The numbers behind Embertally: what counted shots say about a failure rate.
//!
//! Pure functions from counts to numbers: no input or output, no clock, no randomness, no state. A
//! statistician can review this crate without the rest of the project, and every formula names its source.
//!
//! | question | answer |
//! | --- | --- |
//! | How high can the failure rate be, after 2 misfires in 40 shots? | [`clopper_pearson`], [`wilson`], [`jeffreys`] |
//! | How likely is it above what we tolerate, and how many clean shots would settle it? | [`probability_rate_above`], [`clean_shots_needed`] |
//! | How many shots prove a reliability, from an endless supply or from one lot? | [`shots_to_prove`], [`shots_to_prove_in_lot`] |
//! | What have the shots so far proved? | [`confidence_proved`], [`most_bad_in_lot`] |
//! | Shots of one volley are alike: how much less do they say? | [`beta_binomial`], [`anova_correlation`], [`correlation`], [`widened_interval`] |
//! | And whether two groups differ then? | [`adjusted_difference`], [`adjusted_stratified_test`], [`adjusted_odds_ratio`], [`adjusted_trend`] |
//! | Do two groups differ, by how much, by chance? | [`newcombe_difference`], [`risk_ratio`], [`odds_ratio`], [`fisher_exact`], [`boschloo_exact`], [`barnard_exact`] |
//! | And across weathers or outings? | [`cochran_mantel_haenszel`], [`mantel_haenszel`], [`breslow_day`] |
//! | Do failures rise with age or temperature? | [`cochran_armitage`] |
//! | Which of lot, fuse, weather, age do failures go with, and what is to be expected of a pairing? | [`firth_logistic`] |
//! | Which of many is worst, when each was tried so little? | [`shrink_rates`] |
//! | Is it chance, of so many looked at? | [`benjamini_hochberg`], [`holm`] |
//! | At what current does it fire, and which one to try next? | [`fit_threshold`], [`dixon_mood`], [`next_d_optimal`] |
//! | Accept, reject or go on, after each shot? Has it changed? | [`SequentialTest`], [`BernoulliCusum`] |
//! | How are delays spread, how many are slower than a limit, are two lots alike? | [`turnbull`], [`LogFit`], [`order_statistic_bound`], [`volley_spread`], [`log_rank`] |
//! | Are the grades of one group higher? | [`mann_whitney`] |
//! | What does a sampling plan let through, which one do the tables give? | [`AcceptancePlan`], [`plan_for_risks`], [`mil_std_105e`] |
//! | How many shots tell two rates apart? | [`power`], [`shots_for_power`] |
//! | Do two or more people judge the same shot alike? | [`cohen_kappa`], [`fleiss_kappa`] |
//!
//! ```
//! use embertally_stats::{clopper_pearson, shots_to_prove};
//!
//! let rate = clopper_pearson(2, 40, 0.95)?;
//! assert!(rate.low > 0.006 && rate.high < 0.17);
//! assert_eq!(shots_to_prove(0.99, 0.95, 0)?, 299);
//! # Ok::<(), embertally_stats::StatsError>(())
//! ```
//!
//! # What it is not for
//! - It does not say whether a lot is safe to use. It gives a probability; a person decides.
//! - It does not choose what counts as a failure, or as a trial: shots not tried are left out by the caller.
//! - Trials of one group are taken as alike and independent: mixed lots and shots of one volley are not, and changing
//!   weather only where it is given as strata.
//! - It does not round or print: numbers are `f64`, and showing them is the caller's business.
//!
//! # Accuracy
//! Interval ends have a relative error below 1e-12 and posterior probabilities below 1e-11, however small,
//! up to [`MAX_TRIALS`], comparisons of groups below 1e-9: checked in `tests/` against values computed to fifty digits. Wrong arguments are
//! named errors; nothing here panics, and no answer is NaN.

mod agreement;
mod clusters;
mod cusum;
mod error;
mod firth;
mod fisher;
mod gamma;
mod hypergeometric;
mod interval;
mod interval_censored;
mod multiplicity;
mod normal;
mod ordinal;
mod posterior;
mod prove;
mod saddle;
mod sampling;
mod sequential;
mod shrinkage;
mod special;
mod strata;
mod threshold;
mod trend;
mod two_by_two;
mod unconditional;

pub use agreement::{AgreementError, CohenKappa, FleissKappa, cohen_kappa, fleiss_kappa};
pub use clusters::{
    AdjustedTest, Cluster, ClusterBasis, ClusterCounts, ClusterRule, ClusterTable, Correlation, EffectiveCounts,
    IntraClusterFit, MAX_CLUSTER_TRIALS, WidenedInterval, adjusted_difference, adjusted_odds_ratio,
    adjusted_stratified_test, adjusted_trend, anova_correlation, beta_binomial, correlation, p_over_design_effect,
    widened_interval,
};
pub use cusum::BernoulliCusum;
pub use error::{MAX_TRIALS, StatsError};
pub use firth::{
    BinomialGroup, FirthError, FirthFit, LikelihoodRatio, MAX_TERMS, ProfileInterval, RatePrediction, firth_logistic,
    firth_logistic_screened,
};
pub use fisher::{FisherExact, OddsRatio, fisher_exact, odds_ratio};
pub use interval::{
    Interval, IntervalMethod, UnknownIntervalMethod, binomial_interval, clopper_pearson, clopper_pearson_upper,
    jeffreys, wilson,
};
pub use interval_censored::{
    Bound, CensoredSample, CensoredTime, LARGEST_GAP, Law, LogFit, LogRank, MOST_ARRANGEMENTS, MOST_FOR_FACTOR, Mass,
    TimesError, Turnbull, TwoFits, VolleySpread, fewest_for_order_bound, log_normal_bound, log_rank,
    order_statistic_bound, tolerance_factor, turnbull, two_fits, volley_spread,
};
pub use multiplicity::{benjamini_hochberg, holm};
pub use ordinal::{MOST_EXACT_GRADES, MOST_GRADES, MannWhitney, OrdinalError, mann_whitney};
pub use posterior::{
    MOST_CLEAN_SHOTS, clean_shots_needed, effective_clean_shots_needed, effective_probability_rate_above,
    probability_rate_above,
};
pub use prove::{confidence_proved, most_bad_in_lot, shots_to_prove, shots_to_prove_in_lot, too_many_bad};
pub use sampling::{
    AQLS, AcceptancePlan, CODE_LETTERS, Inspection, InspectionLevel, LookedUp, MOST_FOR_POWER, PowerTest,
    SamplingError, UnknownWord, code_letter, mil_std_105e, plan_for_risks, power, shots_for_power,
};
pub use sequential::{SequentialDecision, SequentialTest};
pub use shrinkage::{GroupCounts, HyperPrior, Shrinkage, ShrinkageError, ShrunkRate, shrink_rates};
pub use strata::{
    BreslowDay, CochranMantelHaenszel, MantelHaenszel, breslow_day, cochran_mantel_haenszel, mantel_haenszel,
};
pub use threshold::{
    DOptimalGuess, DixonMood, LevelLimits, Link, NextLevel, SearchPhase, ThresholdError, ThresholdFit, Trials,
    dixon_mood, fit_threshold, next_d_optimal, next_langlie, next_up_down, normal_tail,
};
pub use trend::{ScoredGroup, Trend, cochran_armitage};
pub use two_by_two::{Estimate, RiskRatio, TwoByTwo, newcombe_difference, risk_ratio};
pub use unconditional::{MAX_UNCONDITIONAL_TRIALS, UnconditionalExact, barnard_exact, boschloo_exact};
