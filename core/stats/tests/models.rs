//! Fitted models against the tables that `make_models.py` wrote, and what they answer where there is little to say.

use embertally_stats::{
    BinomialGroup, Cluster, ClusterBasis, ClusterCounts, ClusterRule, ClusterTable, EffectiveCounts, FirthError,
    GroupCounts, HyperPrior, IntervalMethod, ShrinkageError, StatsError, adjusted_odds_ratio, adjusted_stratified_test,
    adjusted_trend, anova_correlation, beta_binomial, correlation, firth_logistic, shrink_rates, widened_interval,
};
use proptest::prelude::*;

use super::fixtures::{relative_error, rows};

const BETA_BINOMIAL: &str = include_str!("fixtures/beta_binomial.csv");
const FIRTH: &str = include_str!("fixtures/firth.csv");
const SHRINKAGE: &str = include_str!("fixtures/shrinkage.csv");
const SHRINKAGE_MANY: &str = include_str!("fixtures/shrinkage_many.csv");
const ADJUSTED: &str = include_str!("fixtures/adjusted.csv");
const WIDENED: &str = include_str!("fixtures/widened.csv");

fn list<T: std::str::FromStr>(text: &str) -> Vec<T>
where
    T::Err: std::fmt::Debug,
{
    text.split(';').map(|n| n.parse().unwrap()).collect()
}

fn number(text: &str) -> f64 {
    text.parse().unwrap()
}

#[track_caller]
fn assert_near(what: &str, got: f64, want: &str, allowed: f64) {
    let want = number(want);
    let off = relative_error(got, want).min((got - want).abs());
    assert!(off <= allowed, "{what}: {got}, not {want}");
}

fn table(clusters: &[(u64, u64)]) -> ClusterTable {
    ClusterTable::new(clusters.iter().map(|&(failures, trials)| Cluster { failures, trials })).unwrap()
}

#[test]
fn beta_binomial_fits_are_those_of_a_general_minimiser() {
    let mut seen = 0;
    let header = "failures,trials,mean,correlation,log_likelihood,independent,low,high";
    for [x, n, mean, rho, top, independent, low, high] in rows(BETA_BINOMIAL, header) {
        let clusters: Vec<(u64, u64)> = list(x).into_iter().zip(list(n)).collect();
        let got = beta_binomial(&[table(&clusters)], 0.95).unwrap();
        let case = format!("{x} of {n}");
        assert_near(&case, got.rates[0].unwrap(), mean, 1e-6);
        assert_near(&case, got.correlation, rho, 1e-6);
        assert_near(&case, got.log_likelihood, top, 1e-9);
        assert_near(&case, got.log_likelihood_independent, independent, 1e-9);
        assert_near(&case, got.low, low, 1e-6);
        assert_near(&case, got.high, high, 1e-6);
        seen += 1;
    }
    assert_eq!(seen, 60);
}

#[test]
fn firth_fits_are_those_of_a_general_minimiser() {
    let mut seen = 0;
    let header = "terms,values,failures,trials,coefficients,errors,log_likelihood,term,low,high,p";
    for [terms, values, x, n, coefficients, errors, top, term, low, high, p] in rows(FIRTH, header) {
        let (values, terms): (Vec<f64>, usize) = (list(values), terms.parse().unwrap());
        let groups: Vec<BinomialGroup> = values
            .chunks(terms)
            .zip(list::<u64>(x).into_iter().zip(list::<u64>(n)))
            .map(|(v, (failures, trials))| BinomialGroup { values: v.to_vec(), failures, trials })
            .collect();
        let fit = firth_logistic(&groups).unwrap();
        for (got, want) in fit.coefficients.iter().zip(coefficients.split(';')) {
            assert_near("coefficient", *got, want, 1e-6);
        }
        for (got, want) in fit.standard_errors.iter().zip(errors.split(';')) {
            assert_near("error", *got, want, 1e-6);
        }
        assert_near("likelihood", fit.log_likelihood, top, 1e-9);
        let term = term.parse().unwrap();
        let interval = fit.interval(term, 0.95).unwrap();
        assert_near("low", interval.low.unwrap(), low, 1e-6);
        assert_near("high", interval.high.unwrap(), high, 1e-6);
        assert_near("p", fit.likelihood_ratio(&[term]).unwrap().p, p, 1e-6);
        seen += 1;
    }
    assert_eq!(seen, 60);
}

#[test]
fn shrunk_rates_are_those_of_a_plain_fine_grid() {
    let mut seen = 0;
    let header = "failures,trials,group,tolerable,prior_mean,mean,above,low,high";
    for [x, n, group, tolerable, prior_mean, mean, above, low, high] in
        rows(SHRINKAGE, header).chain(rows(SHRINKAGE_MANY, header))
    {
        let groups: Vec<GroupCounts> = list::<f64>(x)
            .into_iter()
            .zip(list::<f64>(n))
            .map(|(failures, trials)| GroupCounts { failures, trials })
            .collect();
        let got = shrink_rates(&groups, HyperPrior::UniformShrinkage, number(tolerable), 0.95).unwrap();
        let rate = got.rates[group.parse::<usize>().unwrap()];
        let case = format!("{x} of {n}, group {group}");
        // Up to twelve groups there is time for more nodes.
        let of_tails = if groups.len() <= 12 { 1e-6 } else { 1e-5 };
        assert_near(&case, got.prior_mean, prior_mean, 1e-6);
        assert_near(&case, rate.mean, mean, 1e-6);
        assert_near(&case, rate.probability_above, above, of_tails);
        assert_near(&case, rate.interval.low, low, of_tails);
        assert_near(&case, rate.interval.high, high, of_tails);
        seen += 1;
    }
    assert_eq!(seen, 50);
}

#[test]
fn comparisons_of_counts_over_design_effects_are_those_of_scipy_and_statsmodels() {
    let mut seen = 0;
    let header = "failures,trials,effects,scores,pearson,p,p_yates,odds,low,high,z,p_trend";
    for [x, n, d, scores, pearson, p, p_yates, odds, low, high, z, p_trend] in rows(ADJUSTED, header) {
        let case = format!("{x} of {n} over {d}");
        let counts: Vec<EffectiveCounts> = list::<u64>(x)
            .into_iter()
            .zip(list::<u64>(n))
            .zip(list::<f64>(d))
            .map(|((x, n), d)| EffectiveCounts::new(x, n, d).unwrap())
            .collect();
        let first = adjusted_stratified_test(&[[counts[0], counts[1]]]).unwrap();
        assert_near(&case, first.statistic, pearson, 1e-9);
        assert_near(&case, first.p, p, 1e-9);
        assert_near(&case, first.p_corrected, p_yates, 1e-9);
        let strata = [[counts[0], counts[1]], [counts[2], counts[3]]];
        let pooled = adjusted_odds_ratio(&strata, 0.95).unwrap();
        assert_near(&case, pooled.value, odds, 1e-9);
        assert_near(&case, pooled.interval.unwrap().0, low, 1e-9);
        assert_near(&case, pooled.interval.unwrap().1, high, 1e-9);
        let scored: Vec<(EffectiveCounts, f64)> = counts.iter().copied().zip(list::<f64>(scores)).collect();
        let (got_z, got_p) = adjusted_trend(&scored).unwrap();
        assert_near(&case, got_z, z, 1e-9);
        assert_near(&case, got_p, p_trend, 1e-9);
        seen += 1;
    }
    assert_eq!(seen, 200);
}

#[test]
fn intervals_of_counts_that_are_not_whole_have_their_digits() {
    let mut seen = 0;
    for [x, n, low, high, jeffreys_low, jeffreys_high] in
        rows(WIDENED, "failures,trials,low,high,jeffreys_low,jeffreys_high")
    {
        // One trial in one cluster of size d, with correlation 1, leaves 1/d of it: any share can be made.
        let (x, n) = (number(x), number(n));
        let (whole_x, whole_n) = ((x * 1e6).round() as u64, (n * 1e6).round() as u64);
        if whole_n > 10_000_000 {
            continue;
        }
        let counts = ClusterCounts { failures: whole_x, trials: whole_n, mean_size: 1e6 };
        for (method, low, high) in
            [(IntervalMethod::Exact, low, high), (IntervalMethod::Jeffreys, jeffreys_low, jeffreys_high)]
        {
            let got = widened_interval(method, counts, 1.0, 0.95).unwrap();
            // The shares are rounded to a millionth above, which moves the ends by as much.
            assert!((got.widened.low - number(low)).abs() < 3e-6 + 1e-4 * number(low), "{method} {x} {n}: {got:?}");
            assert!((got.widened.high - number(high)).abs() < 3e-6, "{method} {x} {n}: {got:?}, not {high}");
        }
        seen += 1;
    }
    assert!(seen > 100, "{seen}");
}

#[test]
fn clusters_that_cannot_tell_give_the_whole_range_and_the_conservative_bound() {
    let none = beta_binomial(&[table(&[(0, 10), (0, 10)])], 0.95).unwrap();
    assert_eq!((none.correlation, none.low, none.high, none.rates[0]), (0.0, 0.0, 1.0, Some(0.0)));
    let found = correlation(&[table(&[(0, 10), (0, 10)])], ClusterRule::default(), 0.95).unwrap();
    assert_eq!((found.basis, found.most_likely, found.used), (ClusterBasis::TooFew, None, 1.0));
    let counts = ClusterCounts { failures: 0, trials: 20, mean_size: 10.0 };
    let got = widened_interval(IntervalMethod::Exact, counts, found.used, 0.95).unwrap();
    // Two volleys without a failure are as good as two shots: 1 − √0.025.
    assert!((got.widened.high - (1.0 - 0.025_f64.sqrt())).abs() < 1e-12 && got.effective_trials == 2.0);
    assert!(got.plain.high < 0.17 && got.design_effect == 10.0);
}

#[test]
fn single_shots_are_not_widened_and_all_or_none_volleys_count_as_one_each() {
    let singles = correlation(&[table(&[(0, 1), (1, 1)])], ClusterRule::default(), 0.95).unwrap();
    assert_eq!((singles.basis, singles.used, singles.shared_clusters), (ClusterBasis::Singles, 0.0, 0));
    let as_one = beta_binomial(&[table(&[(5, 5), (0, 5), (0, 5), (5, 5), (0, 4), (0, 6)])], 0.95).unwrap();
    assert_eq!((as_one.correlation, as_one.high), (1.0, 1.0));
    assert!(as_one.low > 0.3 && (as_one.rates[0].unwrap() - 1.0 / 3.0).abs() < 1e-12);
    // By hand for volleys of five: MSW = 0, so the estimate is 1.
    assert_eq!(anova_correlation(&[table(&[(5, 5), (0, 5), (0, 5)])]), Some(1.0));
    assert_eq!(anova_correlation(&[table(&[(0, 5), (0, 5)])]), None);
    assert_eq!(anova_correlation(&[table(&[(2, 5)]), table(&[(1, 9)])]), None);
    assert_eq!(beta_binomial(&[], 0.95), Err(StatsError::EmptyGroup));
}

#[test]
fn models_that_cannot_be_fitted_say_why() {
    let group = |values: &[f64], failures, trials| BinomialGroup { values: values.to_vec(), failures, trials };
    assert_eq!(firth_logistic(&[]).err(), Some(FirthError::NoTrials));
    assert_eq!(firth_logistic(&[group(&[1.0], 0, 0)]).err(), Some(FirthError::NoTrials));
    let collinear = [group(&[1.0, 2.0], 0, 5), group(&[1.0, 2.0], 1, 5)];
    assert_eq!(firth_logistic(&collinear).err(), Some(FirthError::Redundant { term: 1 }));
    let bad = [group(&[1.0, f64::NAN], 0, 5)];
    assert_eq!(firth_logistic(&bad).err(), Some(FirthError::BadValue { group: 0, term: 1 }));
    let short = [group(&[1.0, 1.0], 0, 5), group(&[1.0], 0, 5)];
    assert_eq!(firth_logistic(&short).err(), Some(FirthError::WrongLength { group: 1, found: 1, wanted: 2 }));
    // Nothing failed at all: finite, and the interval of the odds has its ends.
    let clean = firth_logistic(&[group(&[1.0, 0.0], 0, 12), group(&[1.0, 1.0], 0, 30)]).unwrap();
    let rate = clean.predict(&[1.0, 1.0], 0.95).unwrap();
    assert!((rate.rate - 0.5 / 31.0).abs() < 1e-9 && rate.high < 0.2, "{rate:?}");
    assert!(clean.interval(1, 0.95).unwrap().high.is_some());
    // Of all terms together: what the whole model gains on even odds.
    let all = clean.likelihood_ratio(&[0, 1]).unwrap();
    assert!(all.degrees == 2 && all.p < 1e-6 && clean.likelihood_ratio(&[]).is_err());
    assert_eq!(clean.interval(7, 0.95).err(), Some(FirthError::BadTerms { terms: 7, most: 1 }));
}

#[test]
fn groups_that_cannot_be_shrunk_say_why_and_none_failing_has_an_answer() {
    let of = |failures: f64, trials: f64| GroupCounts { failures, trials };
    let shrink = |groups: &[GroupCounts], prior| shrink_rates(groups, prior, 0.02, 0.95);
    assert_eq!(shrink(&[], HyperPrior::default()), Err(ShrinkageError::NoGroups));
    assert_eq!(shrink(&[of(0.0, 9.0)], HyperPrior::Diffuse), Err(ShrinkageError::NothingMixed));
    for bad in [of(2.0, 1.0), of(-1.0, 1.0), of(f64::NAN, 1.0), of(0.0, f64::INFINITY)] {
        assert!(matches!(shrink(&[bad], HyperPrior::default()), Err(ShrinkageError::BadCounts { .. })));
    }
    let clean = shrink(&[of(0.0, 300.0), of(0.0, 12.0), of(0.0, 0.0)], HyperPrior::default()).unwrap();
    let [most, few, untried] = [clean.rates[0], clean.rates[1], clean.rates[2]];
    assert!(most.mean < few.mean && few.mean < untried.mean && untried.mean < 0.1, "{clean:?}");
    assert!(most.interval.high < few.interval.high && few.interval.high < untried.interval.high);
}

proptest! {
    #[test]
    fn no_clusters_lead_to_what_is_no_number(
        strata in prop::collection::vec(prop::collection::vec((0_u64..12, 0_u64..12), 0..6), 0..4)
    ) {
        let tables: Vec<ClusterTable> = strata
            .iter()
            .map(|s| table(&s.iter().map(|&(a, b)| (a.min(b), b)).collect::<Vec<_>>()))
            .collect();
        let found = correlation(&tables, ClusterRule::default(), 0.95);
        let found = if tables.iter().all(|t| t.shared() == 0) {
            prop_assert_eq!(found.unwrap().basis, ClusterBasis::Singles);
            return Ok(());
        } else {
            found.unwrap()
        };
        prop_assert!((0.0..=1.0).contains(&found.used) && found.interval.low <= found.interval.high);
        for t in &tables {
            let counts = ClusterCounts { failures: t.failures(), trials: t.trials(), mean_size: t.mean_size() };
            for method in IntervalMethod::ALL {
                let got = widened_interval(method, counts, found.used, 0.95).unwrap();
                prop_assert!(got.widened.low <= got.plain.low && got.plain.high <= got.widened.high);
                prop_assert!(got.widened.low >= 0.0 && got.widened.high <= 1.0 && got.design_effect >= 1.0);
            }
        }
    }

}

proptest! {
    // Each is a whole posterior, which takes a while unoptimised.
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn no_groups_lead_to_what_is_no_number(
        groups in prop::collection::vec((0_u64..40, 0_u64..40), 1..6), part in 0.01_f64..1.0
    ) {
        let groups: Vec<GroupCounts> = groups
            .iter()
            .map(|&(a, b)| GroupCounts { failures: a.min(b) as f64 * part, trials: b as f64 * part })
            .collect();
        let got = shrink_rates(&groups, HyperPrior::default(), 0.02, 0.95).unwrap();
        for rate in got.rates {
            let Interval { low, high } = rate.interval;
            prop_assert!(0.0 <= low && low <= high && high <= 1.0, "{rate:?}");
            prop_assert!((0.0..=1.0).contains(&rate.mean) && (0.0..=1.0).contains(&rate.probability_above));
        }
        prop_assert!(got.prior_strength.is_finite() && got.prior_strength_high.is_finite());
    }
}

use embertally_stats::Interval;

#[test]
fn many_groups_of_many_trials_are_found_however_narrow_their_posterior() {
    // The plain grid of `make_models.py` on logit μ from −3.85 to −3.5 and ln s from 4 to 26: 0.954 870 797 (both at 301 by
    // 601 and 601 by 1201 points).
    let groups: Vec<GroupCounts> = (0..72_u32)
        .map(|i| GroupCounts {
            failures: 4000.0 * (0.02 + 0.001 * f64::from(i * 7919 % 11)),
            trials: 4000.0 + f64::from(i * 31 % 90),
        })
        .collect();
    let got = shrink_rates(&groups, HyperPrior::default(), 0.02, 0.95).unwrap();
    assert!((got.rates[0].probability_above - 0.954_870_797).abs() < 1e-7, "{:?}", got.rates[0]);
}
