//! Random samples of times and grades in `tests/fixtures/`, with what SciPy finds: `make_times.py`, `make_grades.py`.

use embertally_stats::{
    CensoredSample, CensoredTime, Law, LogFit, PowerTest, mann_whitney, power, tolerance_factor, turnbull,
};

use crate::fixtures::{Worst, relative_error};

/// The relative error allowed of closed forms.
const CLOSED: f64 = 1e-9;
/// And of fitted models.
const FITTED: f64 = 1e-6;

fn number(text: &str) -> f64 {
    text.parse().unwrap()
}

fn check(worst: &mut Worst, case: &str, kind: &str, got: f64, want: f64, allowed: f64) {
    if got == want {
        return;
    }
    let error = relative_error(got, want);
    assert!(error <= allowed, "{case}: {kind} {got:e}, not {want:e}, off by {error:e}");
    worst.note(kind.to_owned(), error);
}

fn sample(text: &str) -> CensoredSample {
    let time = |pair: &str| {
        let (low, high) = pair.split_once(':').unwrap();
        let high = if high.is_empty() { f64::INFINITY } else { number(high) };
        CensoredTime::new(number(low), high).unwrap()
    };
    CensoredSample::new(&text.split(' ').map(time).collect::<Vec<_>>()).unwrap()
}

#[test]
fn fits_and_estimates_of_times_are_those_of_scipy() {
    let mut worst = Worst::default();
    let mut current = String::new();
    let mut seen = 0;
    for line in include_str!("fixtures/times.csv").lines().skip(1) {
        let fields: Vec<&str> = line.split(';').collect();
        // The second law of a sample leaves the times out.
        if !fields[0].is_empty() {
            current = fields[0].to_owned();
        }
        let (times, law, level) = (sample(&current), fields[1].parse::<Law>().unwrap(), number(fields[2]));
        let fit = LogFit::new(law, &times).unwrap();
        let quantile = fit.quantile(0.95, level).unwrap();
        let upper = fit.slower_than(110.0, level).unwrap();
        let got = [
            ("location", fit.location()),
            ("scale", fit.scale()),
            ("log-likelihood", fit.ln_likelihood()),
            ("quantile", quantile.value),
            ("quantile low", quantile.low),
            ("quantile high", quantile.high),
            ("tail", upper.value),
            ("tail low", upper.low),
            ("tail high", upper.high),
            ("turnbull", turnbull(&times).unwrap().ln_likelihood),
        ];
        for ((kind, got), want) in got.into_iter().zip(&fields[3..]) {
            // A tail of next to nothing is a matter of its logarithm.
            let want = number(want);
            let allowed =
                if kind.starts_with("tail") { FITTED * (1.0 - want.min(got).max(1e-300).ln()) } else { FITTED };
            check(&mut worst, &format!("{law} {current}"), kind, got, want, allowed);
        }
        seen += 1;
    }
    assert_eq!(seen, 500);
    worst.print();
}

#[test]
fn tolerance_factors_are_those_of_the_non_central_t() {
    let mut worst = Worst::default();
    for line in include_str!("fixtures/tolerance.csv").lines().skip(1) {
        let f: Vec<&str> = line.split(',').collect();
        let got = tolerance_factor(f[0].parse().unwrap(), number(f[1]), number(f[2])).unwrap();
        // The median at 50 % is the mean: a factor of 0.
        if number(f[3]).abs() > 1e-9 || got.abs() > 1e-9 {
            check(&mut worst, line, "factor", got, number(f[3]), CLOSED);
        }
    }
    worst.print();
}

#[test]
fn comparisons_of_grades_are_those_of_scipy() {
    let mut worst = Worst::default();
    let mut exact = 0;
    for line in include_str!("fixtures/grades.csv").lines().skip(1) {
        let f: Vec<&str> = line.split(',').collect();
        let counts = |text: &str| text.split(' ').map(|n| n.parse().unwrap()).collect::<Vec<u64>>();
        let got = mann_whitney(&counts(f[0]), &counts(f[1]), number(f[2])).unwrap();
        assert_eq!(got.u, number(f[3]), "{line}");
        let want = if f[5].is_empty() { f[4] } else { f[5] };
        assert_eq!(got.is_exact, !f[5].is_empty(), "{line}");
        exact += u64::from(got.is_exact);
        check(&mut worst, line, "p", got.p_value, number(want), CLOSED);
        check(&mut worst, line, "low", got.superiority.low, number(f[6]), CLOSED);
        check(&mut worst, line, "high", got.superiority.high, number(f[7]), CLOSED);
    }
    assert!(exact > 500);
    worst.print();
}

#[test]
fn powers_are_the_sums_that_scipy_gives() {
    let mut worst = Worst::default();
    for line in include_str!("fixtures/power.csv").lines().skip(1) {
        let f: Vec<&str> = line.split(',').collect();
        let shots = [f[2], f[3]].map(|n| n.parse().unwrap());
        let test = f[5].parse::<PowerTest>().unwrap();
        let got = power([number(f[0]), number(f[1])], shots, number(f[4]), test).unwrap();
        check(&mut worst, line, f[5], got, number(f[6]), CLOSED);
    }
    worst.print();
}
