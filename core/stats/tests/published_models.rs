//! Fitted models against printed values. *Read*, *recalled* and so on as in `published`.

use embertally_stats::{
    BinomialGroup, Cluster, ClusterTable, GroupCounts, HyperPrior, anova_correlation, beta_binomial, firth_logistic,
    shrink_rates,
};

use super::published::assert_prints;

/// Reads `y/n` or `y/n×times`, with spaces between.
pub(super) fn clusters(text: &str) -> Vec<Cluster> {
    let one = |word: &str| {
        let (cluster, times) = word.split_once('×').unwrap_or((word, "1"));
        let (y, n) = cluster.split_once('/').unwrap();
        let cluster = Cluster { failures: y.parse().unwrap(), trials: n.parse().unwrap() };
        std::iter::repeat_n(cluster, times.parse().unwrap())
    };
    text.split_whitespace().flat_map(one).collect()
}

fn table(text: &str) -> ClusterTable {
    ClusterTable::new(clusters(text)).unwrap()
}

/// Tarone, Biometrics 38 (1982) 215–220: tumours in 71 groups of rats; the data read in the R package `bang`.
pub(super) const RATS: &str = "0/20×7 0/19×4 0/18×2 0/17 1/20×4 1/19×2 1/18×2 3/27 2/25 2/24 2/23 2/20×6 1/10 5/49 2/19 \
    5/46 2/17 7/49 7/47 3/20×2 2/13 9/48 10/50 4/20×7 10/48 4/19×3 5/22 11/46 12/49 5/20×2 6/23 5/19 6/22 6/20×3 16/52 \
    15/46 15/47 9/24 4/14";

/// Weil, Food Cosmet. Toxicol. 8 (1970) 177–182: pups that lived, by litter; the data read in the R package `aod`.
const CONTROL: &str = "13/13 12/12 9/9 9/9 8/8 8/8 12/13 11/12 9/10 9/10 8/9 11/13 4/5 5/7 7/10 7/10";
const TREATED: &str = "12/12 11/11 10/10 9/9 10/11 9/10 9/10 8/9 8/9 4/5 7/9 4/7 5/10 3/6 3/10 0/7";

#[test]
fn williams_litters() {
    // Williams, Biometrics 31 (1975) 949–952 (recalled): control μ .898, θ .021; treated μ .740, θ .465. The digits
    // beyond are recomputed with scipy.
    let cases = [
        (CONTROL, 0.898, 0.021, 0.897_976, 0.020_196_5, -21.253_528, 0.02909),
        (TREATED, 0.740, 0.465, 0.740_007, 0.317_435_7, -31.531_689, 0.37213),
    ];
    for (litters, mean, theta, mean_long, rho, log_likelihood, anova) in cases {
        let strata = [table(litters)];
        let got = beta_binomial(&strata, 0.95).unwrap();
        assert_prints(got.rates[0].unwrap(), mean, 3);
        assert_prints(got.correlation / (1.0 - got.correlation), theta, 3);
        assert_prints(got.rates[0].unwrap(), mean_long, 6);
        assert!((got.correlation - rho).abs() < 5e-7, "{}", got.correlation);
        // Printed with the binomial coefficients, which do not depend on the model.
        let coefficients: f64 = clusters(litters).iter().map(|c| ln_choose(c.trials, c.failures)).sum();
        assert_prints(got.log_likelihood + coefficients, log_likelihood, 6);
        assert_prints(anova_correlation(&strata).unwrap(), anova, 5);
        assert!(got.low <= got.correlation && got.correlation < got.high);
    }
}

fn ln_choose(n: u64, k: u64) -> f64 {
    (0..k).map(|i| ((n - i) as f64 / (i + 1) as f64).ln()).sum()
}

#[test]
fn tarone_rats_by_maximum_likelihood() {
    // Recomputed with scipy: α 2.34161, β 14.11481, mean .142292, ρ .0572855, log-likelihood −730.338455 without the
    // binomial coefficients.
    let got = beta_binomial(&[table(RATS)], 0.95).unwrap();
    assert_prints(got.rates[0].unwrap(), 0.142_292, 6);
    assert_prints(got.correlation, 0.057_285_5, 7);
    assert_prints(got.log_likelihood, -730.338_455, 6);
    let strength = 1.0 / got.correlation - 1.0;
    assert_prints(got.rates[0].unwrap() * strength, 2.341_61, 4);
}

#[test]
fn gelman_rats_by_a_hierarchical_model() {
    // Gelman et al., Bayesian Data Analysis, section 5.3 (recalled): E(α) 2.4, E(β) 14.3 under (α+β)^−5/2. Recomputed
    // with scipy: 2.402567 and 14.319504 on the grid of the book, 2.402688 and 14.320157 on one three times as wide; the
    // expectations do not exist over the whole plane.
    let groups: Vec<GroupCounts> =
        clusters(RATS).iter().map(|c| GroupCounts { failures: c.failures as f64, trials: c.trials as f64 }).collect();
    let got = shrink_rates(&groups, HyperPrior::Diffuse, 0.2, 0.95).unwrap();
    assert_prints(got.prior_shapes.0, 2.4, 1);
    assert_prints(got.prior_shapes.1, 14.3, 1);
    assert!((got.prior_shapes.0 - 2.402_688).abs() < 5e-5, "{:?}", got.prior_shapes);
    assert!((got.prior_shapes.1 - 14.320_157).abs() < 3e-4, "{:?}", got.prior_shapes);
    // Groups without a tumour come out between 0 and the mean of all, the last one (4 of 14) below its own 0.286.
    assert!(got.rates[0].mean > 0.02 && got.rates[0].mean < got.prior_mean);
    assert!(got.rates[70].mean < 4.0 / 14.0 && got.rates[70].mean > got.prior_mean);
    assert_eq!(got.rates[0], got.rates[1]);
}

/// Endometrial cancer, 79 women: neovascularisation, pulsatility index, endometrium height, high grade (Heinze &
/// Schemper 2002; read in the R package `brglm2`).
const ENDOMETRIAL: &str = "0,13,1.64,0;0,16,2.26,0;0,8,3.14,0;0,34,2.68,0;0,20,1.28,0;0,5,2.31,0;0,17,1.8,0;\
    0,10,1.68,0;0,26,1.56,0;0,17,2.31,0;0,8,2.01,0;0,7,1.89,0;0,20,3.15,0;0,10,1.23,0;0,18,1.27,0;0,16,1.76,0;\
    0,18,2.0,0;0,8,2.64,1;0,29,0.88,1;0,12,1.27,1;0,20,1.37,1;1,38,0.97,1;1,22,1.14,1;1,7,0.88,1;1,25,0.91,1;\
    1,15,0.58,1;0,7,0.97,1;0,28,1.5,0;0,11,1.33,0;0,19,2.37,0;0,10,1.82,0;0,10,3.13,0;0,18,1.31,0;0,14,1.92,0;\
    0,21,1.64,0;0,11,2.01,0;0,17,1.88,0;0,25,1.93,0;0,16,2.11,0;0,19,1.29,0;0,15,1.72,0;0,33,0.75,0;0,24,1.92,0;\
    0,48,1.84,1;0,12,1.11,1;0,19,1.61,1;0,2,1.18,1;1,22,1.44,1;1,40,1.18,1;1,5,0.93,1;1,0,1.17,1;0,21,1.19,1;\
    0,15,1.06,1;0,29,2.02,0;0,15,2.29,0;0,12,2.33,0;0,3,2.9,0;0,20,1.7,0;0,23,1.41,0;0,12,2.25,0;0,22,1.54,0;\
    0,42,1.97,0;0,15,1.75,0;0,13,2.16,0;0,14,2.57,0;0,19,1.37,0;0,12,3.61,0;0,13,2.04,0;0,10,2.17,0;0,12,1.69,1;\
    1,49,0.27,1;0,6,1.84,1;0,5,1.3,1;0,17,0.96,1;1,11,1.01,1;1,21,0.98,1;0,5,0.35,1;1,19,1.02,1;0,33,0.85,1";

#[test]
fn heinze_and_schemper_endometrial_cancer() {
    let groups: Vec<BinomialGroup> = ENDOMETRIAL
        .split(';')
        .map(|row| {
            let cells: Vec<f64> = row.trim().split(',').map(|c| c.parse().unwrap()).collect();
            let values = vec![1.0, cells[0], cells[1], cells[2]];
            BinomialGroup { values, failures: cells[3] as u64, trials: 1 }
        })
        .collect();
    assert_eq!(groups.len(), 79);
    let fit = firth_logistic(&groups).unwrap();
    // Heinze & Schemper, Stat. Med. 21 (2002) 2409–2419 (recalled); the digits beyond are recomputed with R.
    let printed = [
        (3.775, 3.774_559_71, 1.488_692, 1.082_537, 7.209_280),
        (2.929, 2.929_273_35, 1.550_764, 0.609_724, 7.854_632),
        (-0.035, -0.034_751_76, 0.039_578, -0.124_459, 0.040_455),
        (-2.604, -2.604_163_93, 0.776_018, -4.365_183, -1.232_721),
    ];
    for (term, (short, coefficient, error, low, high)) in printed.into_iter().enumerate() {
        assert_prints(fit.coefficients[term], short, 3);
        assert_prints(fit.coefficients[term], coefficient, 8);
        assert_prints(fit.standard_errors[term], error, 6);
        let interval = fit.interval(term, 0.95).unwrap();
        assert!((interval.low.unwrap() - low).abs() < 2e-6, "{term}: {interval:?}");
        assert!((interval.high.unwrap() - high).abs() < 2e-6, "{term}: {interval:?}");
    }
    assert!((fit.log_likelihood + 24.037_267_8).abs() < 1e-7);
}

#[test]
fn firth_of_two_by_two_adds_a_half_to_each_cell() {
    // Firth, Biometrika 80 (1993) 27–38: in a saturated model the penalty is ½ more in every cell.
    let group = |x: f64, failures: u64, trials: u64| BinomialGroup { values: vec![1.0, x], failures, trials };
    let fit = firth_logistic(&[group(0.0, 0, 20), group(1.0, 5, 20)]).unwrap();
    let odds = |failures: f64, trials: f64| ((failures + 0.5) / (trials - failures + 0.5)).ln();
    assert!((fit.coefficients[0] - odds(0.0, 20.0)).abs() < 1e-9);
    assert!((fit.coefficients[1] - (odds(5.0, 20.0) - odds(0.0, 20.0))).abs() < 1e-9);
    let apart = firth_logistic(&[group(0.0, 0, 3), group(1.0, 3, 3)]).unwrap();
    assert!((apart.coefficients[0] + 7.0_f64.ln()).abs() < 1e-9);
    assert!((apart.coefficients[1] - 2.0 * 7.0_f64.ln()).abs() < 1e-9);
    // The rate of the second group is that of its counts with the halves, and lies in its interval.
    let rate = fit.predict(&[1.0, 1.0], 0.95).unwrap();
    assert!((rate.rate - 5.5 / 21.0).abs() < 1e-9 && rate.low < rate.rate && rate.rate < rate.high);
    // Of one coefficient a prediction is the profile interval of the coefficient.
    let (baseline, low) = (fit.predict(&[1.0, 0.0], 0.95).unwrap(), fit.interval(0, 0.95).unwrap().low.unwrap());
    assert!((baseline.low - 1.0 / (1.0 + (-low).exp())).abs() < 1e-9);
}
