//! Times between two ends, against what is printed.

use embertally_stats::{CensoredSample, CensoredTime, Law, LogFit, log_rank, turnbull};

/// Months to cosmetic deterioration, radiotherapy alone: Finkelstein & Wolfe, Biometrics 41 (1985) 933–945.
const RADIOTHERAPY: &str = "45, 6,10 0,7 46, 46, 7,16 17, 7,14 37,44 0,8 4,11 15, 11,15 22, 46, 46, 25,37 46, 26,40 46, \
    27,34 36,44 46, 36,48 37, 40, 17,25 46, 11,18 38, 5,12 37, 0,5 18, 24, 36, 5,11 19,35 17,25 24, 32, 33, 19,26 37, \
    34, 36,";

/// And with chemotherapy.
const CHEMOTHERAPY: &str = "8,12 0,22 24,31 17,27 17,23 24,30 16,24 13, 11,13 16,20 18,25 17,26 32, 23, 44,48 14,17 0,5 \
    5,8 12,20 11, 33,40 31, 13,39 19,32 34, 13, 16,24 35, 15,22 11,17 22,32 10,35 30,34 13, 10,17 8,21 4,9 11, 14,19 4,8 \
    34, 30,36 18,24 16,60 35,39 21, 11,20 48,";

fn times(text: &str) -> Vec<CensoredTime> {
    let time = |pair: &str| {
        let (low, high) = pair.split_once(',').unwrap();
        let high = if high.is_empty() { f64::INFINITY } else { high.parse().unwrap() };
        CensoredTime::new(low.parse().unwrap(), high).unwrap()
    };
    text.split_whitespace().map(time).collect()
}

fn sample(text: &str) -> CensoredSample {
    CensoredSample::new(&times(text)).unwrap()
}

#[test]
fn cosmesis_data_have_the_printed_estimate() {
    // Fay & Shaw, J. Stat. Softw. 36(2) (2010), section 4; log-likelihoods by an EM of tolerance 1e-12.
    let radio = [
        (4.0, 5.0, 0.0463),
        (6.0, 7.0, 0.0334),
        (7.0, 8.0, 0.0887),
        (11.0, 12.0, 0.0708),
        (24.0, 25.0, 0.0926),
        (33.0, 34.0, 0.0818),
        (38.0, 40.0, 0.1209),
        (46.0, 48.0, 0.4656),
    ];
    let chemo = [
        (4.0, 5.0, 0.0433),
        (5.0, 8.0, 0.0433),
        (11.0, 12.0, 0.0692),
        (16.0, 17.0, 0.1454),
        (18.0, 19.0, 0.1411),
        (19.0, 20.0, 0.1157),
        (24.0, 25.0, 0.0999),
        (30.0, 31.0, 0.0709),
        (35.0, 36.0, 0.1608),
        (44.0, 48.0, 0.0552),
        (48.0, 60.0, 0.0552),
    ];
    for (text, n, want, ln_likelihood) in
        [(RADIOTHERAPY, 46, &radio[..], -58.060022), (CHEMOTHERAPY, 48, &chemo[..], -65.636965)]
    {
        let found = turnbull(&sample(text)).unwrap();
        assert_eq!((sample(text).len(), found.masses.len()), (n, want.len()));
        for (got, (low, high, mass)) in found.masses.iter().zip(want) {
            assert_eq!((got.low, got.high), (*low, *high));
            assert!((got.mass - mass).abs() < 5.1e-5, "{got:?}");
        }
        assert!((found.ln_likelihood - ln_likelihood).abs() < 1e-6, "{}", found.ln_likelihood);
        assert!(found.gap <= 1e-9);
    }
    let both = turnbull(&sample(&format!("{RADIOTHERAPY} {CHEMOTHERAPY}"))).unwrap();
    assert!((both.ln_likelihood - -136.963804).abs() < 1e-6);
}

#[test]
fn cosmesis_groups_differ_as_printed() {
    // Finkelstein's scores in Fay & Shaw (2010): ∓9.944182, Z −2.6839, p 0.007277.
    let found = log_rank(&times(RADIOTHERAPY), &times(CHEMOTHERAPY)).unwrap();
    assert!(!found.is_exact);
    assert!((found.score.abs() - 9.944182).abs() < 1e-5, "{found:?}");
    assert!((found.z.abs() - 2.6839).abs() < 5e-5 && (found.p_value - 0.007277).abs() < 5e-7, "{found:?}");
}

#[test]
fn cosmesis_data_have_the_fits_of_survreg() {
    // R survival 3.5-3, survreg(Surv(l, r, type = "interval2") ~ 1).
    for (text, law, location, scale, ln_likelihood) in [
        (RADIOTHERAPY, Law::Weibull, 4.0520127, 0.8915732, -64.731471),
        (CHEMOTHERAPY, Law::Weibull, 3.3337203, 0.4925530, -75.715068),
        (RADIOTHERAPY, Law::LogNormal, 3.7503327, 1.3080452, -64.734899),
        (CHEMOTHERAPY, Law::LogNormal, 3.0815836, 0.6304748, -76.550983),
    ] {
        let fit = LogFit::new(law, &sample(text)).unwrap();
        let got = [fit.location(), fit.scale(), fit.ln_likelihood()];
        for (got, want) in got.into_iter().zip([location, scale, ln_likelihood]) {
            assert!((got - want).abs() < 2e-6 * f64::abs(want), "{law}: {got} for {want}");
        }
    }
}
