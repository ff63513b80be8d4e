//! The tables of `tests/fixtures/`, computed to fifty digits by `make_binomial.py`.

use std::collections::BTreeMap;

use embertally_stats::{IntervalMethod, binomial_interval, probability_rate_above};

const BINOMIAL: &str = include_str!("fixtures/binomial.csv");
const POSTERIOR: &str = include_str!("fixtures/posterior.csv");

/// The relative error allowed, a hundred times the one measured, for the `exp` and `ln` of other machines.
const INTERVAL_ERROR: f64 = 1e-12;

/// As above; a probability of 1e-290 loses two more digits to its exponent.
const POSTERIOR_ERROR: f64 = 1e-11;

pub(super) fn relative_error(got: f64, want: f64) -> f64 {
    // The ends 0 and 1 are exact, not merely near.
    if got == want {
        return 0.0;
    }
    if want == 0.0 {
        return f64::INFINITY;
    }
    ((got - want) / want).abs()
}

pub(super) fn rows<const COLUMNS: usize>(
    table: &'static str,
    header: &str,
) -> impl Iterator<Item = [&'static str; COLUMNS]> {
    let mut lines = table.lines();
    assert_eq!(lines.next(), Some(header));
    lines.map(|line| {
        let fields: Vec<&str> = line.split(',').collect();
        fields.try_into().unwrap()
    })
}

/// Remembers the worst error of each kind.
#[derive(Default)]
pub(super) struct Worst(BTreeMap<String, f64>);

impl Worst {
    pub(super) fn note(&mut self, kind: String, error: f64) {
        let worst = self.0.entry(kind).or_insert(0.0);
        *worst = worst.max(error);
    }

    /// Shown by `cargo test -- --nocapture`: the figures that the crate's documentation rests on.
    #[expect(clippy::print_stdout, reason = "a report for the one who asks")]
    pub(super) fn print(&self) {
        for (kind, error) in &self.0 {
            println!("{kind}: {error:.1e}");
        }
    }
}

#[test]
fn interval_ends_have_the_promised_digits() {
    let mut worst = Worst::default();
    let mut seen = 0;
    for [method, failures, trials, level, low, high] in rows(BINOMIAL, "method,failures,trials,level,low,high") {
        let case = format!("{method} {failures} of {trials} at {level}");
        let method: IntervalMethod = method.parse().unwrap();
        let trials: u64 = trials.parse().unwrap();
        let level: f64 = level.parse().unwrap();
        let got = binomial_interval(method, failures.parse().unwrap(), trials, level).unwrap();
        for (end, got, want) in [("low", got.low, low), ("high", got.high, high)] {
            let want: f64 = want.parse().unwrap();
            let error = relative_error(got, want);
            assert!(error <= INTERVAL_ERROR, "{case}: {end} {got:e}, not {want:e}, off by {error:e}");
            worst.note(format!("{method:8} {trials:>8}"), error);
        }
        seen += 1;
    }
    worst.print();
    assert!(seen >= 1_500, "only {seen} rows");
}

#[test]
fn posterior_tails_have_the_promised_digits() {
    let mut worst = Worst::default();
    let mut seen = 0;
    for [failures, trials, tolerable, probability] in rows(POSTERIOR, "failures,trials,tolerable,probability") {
        let trials: u64 = trials.parse().unwrap();
        let want: f64 = probability.parse().unwrap();
        let got = probability_rate_above(failures.parse().unwrap(), trials, tolerable.parse().unwrap()).unwrap();
        let error = relative_error(got, want);
        assert!(
            error <= POSTERIOR_ERROR,
            "{failures} of {trials} above {tolerable}: {got:e}, not {want:e}, off by {error:e}"
        );
        worst.note(format!("posterior {trials:>8}"), error);
        seen += 1;
    }
    worst.print();
    assert!(seen >= 300, "only {seen} rows");
}
