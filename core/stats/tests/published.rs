//! Values that others printed, at the precision they printed.
//!
//! *Read*: seen in the source itself. *Read second-hand*: seen in a document that cites the source.
//! *Recalled*: from memory, so only as good as the recomputation (scipy, statsmodels, R) that agrees.

use embertally_stats::{
    Interval, clopper_pearson, clopper_pearson_upper, cohen_kappa, fleiss_kappa, jeffreys, most_bad_in_lot,
    shots_to_prove, shots_to_prove_in_lot, wilson,
};

/// Asserts that `got` rounds to `printed` at its `decimals`.
#[track_caller]
pub(super) fn assert_prints(got: f64, printed: f64, decimals: usize) {
    assert_eq!(format!("{got:.decimals$}"), format!("{printed:.decimals$}"), "got {got}");
}

#[track_caller]
fn assert_interval(got: Interval, low: f64, high: f64, decimals: usize) {
    assert_prints(got.low, low, decimals);
    assert_prints(got.high, high, decimals);
}

#[test]
fn nist_wilson_one_sided_lower_limit() {
    // NIST/SEMATECH e-Handbook 7.2.4.1 (read) prints 0.09577 with z = 1.645; the exact z gives 0.0957727.
    assert_prints(wilson(26, 200, 0.90).unwrap().low, 0.09577, 5);
    assert_prints(wilson(26, 200, 0.90).unwrap().low, 0.095_772_7, 7);
}

#[test]
fn nist_exact_interval() {
    // NIST/SEMATECH e-Handbook 7.2.4.1 (read) prints 0.071354 and 0.401029; the latter is a unit too high
    // in the last digit, the root is 0.4010281 (recomputed).
    let got = clopper_pearson(4, 20, 0.90).unwrap();
    assert_interval(got, 0.071354, 0.401028, 6);
    assert!((got.high - 0.401_029).abs() < 1e-6);
}

#[test]
fn newcombe_table_one() {
    // Newcombe, Stat. Med. 17 (1998) 857–872, Table I: method 3 Wilson (read second-hand), method 5 exact
    // (recalled).
    let table = [
        (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
        (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
        (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    ];
    for (failures, trials, score, exact) in table {
        assert_interval(wilson(failures, trials, 0.95).unwrap(), score.0, score.1, 4);
        let got = clopper_pearson(failures, trials, 0.95).unwrap();
        assert_interval(got, exact.0, exact.1, 4);
    }
}

#[test]
fn fagerland_thirteen_of_sixteen_and_one_trial() {
    // Fagerland, Lydersen & Laake, Statistical Analysis of Contingency Tables (2017), ch. 2 (read
    // second-hand).
    assert_interval(clopper_pearson(13, 16, 0.95).unwrap(), 0.5435, 0.9595, 4);
    assert_interval(wilson(13, 16, 0.95).unwrap(), 0.5699, 0.9341, 4);
    assert_interval(jeffreys(13, 16, 0.95).unwrap(), 0.5792, 0.9442, 4);
    assert_interval(clopper_pearson(0, 1, 0.95).unwrap(), 0.0, 0.975, 4);
    assert_interval(clopper_pearson(1, 1, 0.95).unwrap(), 0.025, 1.0, 4);
}

#[test]
fn intervals_that_statsmodels_and_r_agree_on() {
    // Recomputed, no printed source: scipy 1.17.1, statsmodels 0.15.0, R DescTools example 37/43.
    assert_interval(wilson(0, 10, 0.95).unwrap(), 0.0, 0.2775, 4);
    assert_interval(clopper_pearson(0, 10, 0.95).unwrap(), 0.0, 0.3085, 4);
    assert_interval(jeffreys(0, 10, 0.95).unwrap(), 0.0, 0.2172, 4);
    assert_interval(wilson(29, 29, 0.95).unwrap(), 0.8830, 1.0, 4);
    assert_interval(clopper_pearson(29, 29, 0.95).unwrap(), 0.8806, 1.0, 4);
    assert_interval(wilson(37, 43, 0.95).unwrap(), 0.7274, 0.9344, 4);
    assert_interval(clopper_pearson(37, 43, 0.95).unwrap(), 0.7207, 0.9470, 4);
    assert_interval(jeffreys(37, 43, 0.95).unwrap(), 0.7348, 0.9396, 4);
}

#[test]
fn touw_hoogduin_one_sided_limits_of_145() {
    // Touw & Hoogduin, Statistiek voor audit en controlling (2011), p. 137 (read second-hand), prints
    // these with the last two digits low, from divided amounts; to six decimals both agree.
    let printed = [0.02044815, 0.03229681, 0.04278037, 0.05260237];
    let recomputed = [0.02044826, 0.03229696, 0.04278054, 0.0526026];
    for (failures, (printed, recomputed)) in (0..).zip(printed.into_iter().zip(recomputed)) {
        let got = clopper_pearson_upper(failures, 145, 0.95).unwrap();
        assert_prints(got, recomputed, 8);
        assert!((got - printed).abs() < 3e-7);
    }
}

#[test]
fn touw_hoogduin_one_sided_limits_of_a_lot() {
    // Same book, p. 125 (read second-hand): 102 of 1 200, 90 %. Counts recomputed.
    let table = [(0, 0.0208, 25), (1, 0.0358, 43), (2, 0.0492, 59), (3, 0.0625, 75)];
    for (failures, rate, bad) in table {
        let got = most_bad_in_lot(1200, failures, 102, 0.90).unwrap();
        assert_eq!(got, bad);
        assert_prints(got as f64 / 1200.0, rate, 4);
    }
}

#[test]
fn touw_hoogduin_shots_to_prove() {
    // Same book, p. 126, Tables 1 and 2 (read second-hand); 181 and 208 from a second reading.
    let table: [(f64, f64, &[u64]); 10] = [
        (0.95, 0.99, &[299, 473, 628, 773]),
        (0.95, 0.95, &[59, 93, 124, 153, 181, 208]),
        (0.95, 0.90, &[29, 46, 61, 76]),
        (0.95, 0.85, &[19, 30, 40, 50]),
        (0.95, 0.80, &[14, 22, 30, 37]),
        (0.90, 0.99, &[230, 388, 531, 667]),
        (0.90, 0.95, &[45, 77, 105, 132]),
        (0.90, 0.90, &[22, 38, 52, 65]),
        (0.90, 0.85, &[15, 25, 34, 43]),
        (0.90, 0.80, &[11, 18, 25, 32]),
    ];
    for (confidence, reliability, shots) in table {
        for (allowed, &printed) in (0..).zip(shots) {
            let got = shots_to_prove(reliability, confidence, allowed);
            assert_eq!(got, Ok(printed), "{confidence} {reliability} {allowed}");
        }
    }
}

#[test]
fn touw_hoogduin_shots_to_prove_in_a_lot() {
    // Same book, p. 123 (read second-hand): lot of 1 200, 60 bad are too many, 90 %.
    assert_eq!(shots_to_prove_in_lot(1200, 0.95, 0.90, 0), Ok(45));
    assert_eq!(shots_to_prove_in_lot(1200, 0.95, 0.90, 2), Ok(102));
}

#[test]
fn success_run_of_a_thousandth() {
    // The success-run theorem, any reliability text (recalled); with failures recomputed.
    let table: [(f64, &[u64]); 3] =
        [(0.95, &[2995, 4742, 6294, 7752]), (0.99, &[4603, 6636, 8403]), (0.999, &[6905, 9230, 11225])];
    for (confidence, shots) in table {
        for (allowed, &want) in (0..).zip(shots) {
            assert_eq!(shots_to_prove(0.999, confidence, allowed), Ok(want));
        }
    }
}

#[test]
fn success_run_grid() {
    // Recomputed; 90 %/90 % = 22 also read second-hand.
    let reliabilities = [0.9, 0.95, 0.99, 0.999, 0.9999];
    let table = [
        (0.50, [7, 14, 69, 693, 6932]),
        (0.80, [16, 32, 161, 1609, 16094]),
        (0.90, [22, 45, 230, 2302, 23025]),
        (0.95, [29, 59, 299, 2995, 29956]),
        (0.99, [44, 90, 459, 4603, 46050]),
        (0.999, [66, 135, 688, 6905, 69075]),
    ];
    for (confidence, shots) in table {
        for (reliability, want) in reliabilities.into_iter().zip(shots) {
            let got = shots_to_prove(reliability, confidence, 0);
            assert_eq!(got, Ok(want), "{confidence} {reliability}");
        }
    }
}

#[test]
fn cohen_kappa_with_both_standard_errors() {
    // Output of a statistics package quoted in the statsmodels tests (read).
    let got = cohen_kappa(&[[0, 4, 1], [0, 8, 0], [0, 1, 5]]).unwrap();
    assert_prints(got.kappa, 0.4842, 4);
    assert_prints(got.standard_error, 0.1380, 4);
    assert_prints(got.standard_error_by_chance, 0.1484, 4);
    assert_prints(got.z.unwrap(), 3.2626, 4);
    assert_prints(got.kappa - 1.959_964 * got.standard_error, 0.2137, 4);
    assert_prints(got.kappa + 1.959_964 * got.standard_error, 0.7547, 4);
}

#[test]
fn cohen_kappa_of_textbook_tables() {
    // Cohen, Educ. Psychol. Meas. 20 (1960) 37–46 (recalled); standard errors recomputed.
    let cohen = cohen_kappa(&[[88, 14, 18], [10, 40, 10], [2, 6, 12]]).unwrap();
    assert_prints(cohen.kappa, 0.492, 3);
    assert_prints(cohen.standard_error_by_chance, 0.05198, 5);
    assert_prints(cohen.standard_error, 0.05100, 5);
    // Fleiss, Levin & Paik, Statistical Methods for Rates and Proportions (2003), Table 18.1 (recalled);
    // it prints the last one as 0.087, cut off: 0.08770 recomputed.
    let fleiss = cohen_kappa(&[[75, 1, 4], [5, 4, 1], [0, 0, 10]]).unwrap();
    assert_prints(fleiss.kappa, 0.676, 3);
    assert_prints(fleiss.standard_error_by_chance, 0.076, 3);
    assert_prints(fleiss.standard_error, 0.08770, 5);
    // Agresti, Categorical Data Analysis (2002), p. 434–435 (recalled).
    let table = [[22, 2, 2, 0], [5, 7, 14, 0], [0, 2, 36, 0], [0, 1, 17, 10]];
    let agresti = cohen_kappa(&table).unwrap();
    assert_prints(agresti.kappa, 0.493, 3);
    assert_prints(agresti.standard_error, 0.057, 3);
    // Textbook two by two.
    assert_prints(cohen_kappa(&[[20, 5], [10, 15]]).unwrap().kappa, 0.40, 2);
}

#[test]
fn fleiss_kappa_of_ten_subjects_and_fourteen_raters() {
    // The example of the encyclopedia article "Fleiss' kappa", read second-hand; 0.2099307 recomputed.
    let counts = [
        [0, 0, 0, 0, 14],
        [0, 2, 6, 4, 2],
        [0, 0, 3, 5, 6],
        [0, 3, 9, 2, 0],
        [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0],
        [3, 2, 6, 3, 0],
        [2, 5, 3, 2, 2],
        [6, 5, 2, 1, 0],
        [0, 2, 2, 3, 7],
    ];
    let got = fleiss_kappa(&counts).unwrap();
    assert_prints(got.kappa, 0.210, 3);
    assert_prints(got.kappa, 0.209_930_7, 7);
}

#[test]
fn fleiss_kappa_of_thirty_patients_and_six_raters() {
    // Fleiss, Psychol. Bull. 76 (1971) 378–382: kappa 0.430; z = 17.65183 from R irr kappam.fleiss, both
    // as quoted in the statsmodels tests (read second-hand).
    let got = fleiss_kappa(&DIAGNOSES).unwrap();
    assert_prints(got.kappa, 0.430, 3);
    assert_prints(got.kappa, 0.430_244_52, 8);
    assert_prints(got.z, 17.65183, 5);
}

/// Psychiatric diagnoses of Fleiss 1971: depression, personality disorder, schizophrenia, neurosis, other.
const DIAGNOSES: [[u64; 5]; 30] = [
    [0, 0, 0, 6, 0],
    [0, 3, 0, 0, 3],
    [0, 1, 4, 0, 1],
    [0, 0, 0, 0, 6],
    [0, 3, 0, 3, 0],
    [2, 0, 4, 0, 0],
    [0, 0, 4, 0, 2],
    [2, 0, 3, 1, 0],
    [2, 0, 0, 4, 0],
    [0, 0, 0, 0, 6],
    [1, 0, 0, 5, 0],
    [1, 1, 0, 4, 0],
    [0, 3, 3, 0, 0],
    [1, 0, 0, 5, 0],
    [0, 2, 0, 3, 1],
    [0, 0, 5, 0, 1],
    [3, 0, 0, 1, 2],
    [5, 1, 0, 0, 0],
    [0, 2, 0, 4, 0],
    [1, 0, 2, 0, 3],
    [0, 0, 0, 0, 6],
    [0, 1, 0, 5, 0],
    [0, 2, 0, 1, 3],
    [2, 0, 0, 4, 0],
    [1, 0, 0, 4, 1],
    [0, 5, 0, 1, 0],
    [4, 0, 0, 0, 2],
    [0, 2, 0, 4, 0],
    [1, 0, 5, 0, 0],
    [0, 0, 0, 0, 6],
];
