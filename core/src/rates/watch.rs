//! One lot as its shots come in: Wald's sequential test, and a cumulative sum for a lot going bad.
//!
//! Not for looking back over shots that were picked: the risks hold for shots taken one after the other as they came.
//! Unresolved shots are counted beside it; the two readings leave them out, or take them as failures.

use embertally_stats::{BernoulliCusum, SequentialDecision, SequentialTest};
use serde::Serialize;

use super::columns::filters;
use super::group::Group;
use super::table::RatesError;
use crate::facts::ShotId;
use crate::ledger::{Class, Ledger, Measure};

/// What is to be watched.
#[derive(Debug, Clone, PartialEq)]
pub struct WatchRequest {
    /// The lot's batch mark.
    pub lot: String,
    /// Which failure.
    pub measure: Measure,
    /// The failure rate at which the lot should be accepted.
    pub good: f64,
    /// The failure rate at which it should be rejected.
    pub bad: f64,
    /// The risk of rejecting a good lot.
    pub alpha: f64,
    /// The risk of accepting a bad one.
    pub beta: f64,
    /// How many shots of a good lot should pass, on average, between two false alarms of the sum.
    pub run: f64,
    /// Only these, as in [`super::RatesRequest::only`].
    pub only: Vec<(Group, String)>,
}

impl WatchRequest {
    /// Returns the request for a lot with the rates 1 % and 10 %, risks of 5 % and 10 %, and a false alarm in 1 000.
    #[must_use]
    pub fn of(lot: &str) -> Self {
        Self {
            lot: lot.to_owned(),
            measure: Measure::Ignition,
            good: 0.01,
            bad: 0.10,
            alpha: 0.05,
            beta: 0.10,
            run: 1000.0,
            only: Vec::new(),
        }
    }
}

/// What the sequential test says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// The evidence supports that the rate is the good one or better.
    Accept,
    /// The evidence supports that it is the bad one or worse.
    Reject,
    /// Neither yet.
    GoOn,
}

/// The shot at which the test came to its decision; later ones do not change it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Decided {
    /// How many shots it took.
    pub shots: u64,
    /// How many of them failed.
    pub failures: u64,
    /// When the last of them was fired, if that is known; milliseconds since 1970.
    pub unix_ms: Option<i64>,
}

/// The first alarm of the sum.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Alarm {
    /// At which shot, from 1.
    pub shot: u64,
    /// When it was fired, if that is known; milliseconds since 1970.
    pub unix_ms: Option<i64>,
}

/// The state of the cumulative sum.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Sum {
    /// Where it stands.
    pub value: u64,
    /// How high it ever was.
    pub highest: u64,
    /// Whether it stands at its limit or above.
    pub signals: bool,
    /// When it first did, if ever. It is not set back after that.
    pub first_alarm: Option<Alarm>,
}

/// One reading of what is unresolved.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Watched {
    /// The shots fed in.
    pub shots: u64,
    /// Those that failed.
    pub failures: u64,
    /// What the test says.
    pub decision: Decision,
    /// When it said so; null while it goes on.
    pub decided: Option<Decided>,
    /// With how many failures at most this many shots are accepted; null where so few cannot be.
    pub accept_at_most: Option<u64>,
    /// From how many failures on this many shots are rejected; null where so few cannot be.
    pub reject_from: Option<u64>,
    /// How many more shots, none failing, lead to acceptance; null once decided.
    pub clean_shots_to_accept: Option<u64>,
    /// How many more shots, all failing, lead to rejection; null once decided.
    pub failures_to_reject: Option<u64>,
    /// The cumulative sum.
    pub sum: Sum,
}

/// A lot watched.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Watch {
    /// The lot's batch mark.
    pub lot: String,
    /// Which failure.
    pub measure: &'static str,
    /// The good rate.
    pub good: f64,
    /// The bad rate.
    pub bad: f64,
    /// The risk of rejecting a good lot.
    pub alpha: f64,
    /// The risk of accepting a bad one.
    pub beta: f64,
    /// The line of acceptance: failures = −`accept_intercept` + `slope` · shots.
    pub accept_intercept: f64,
    /// The line of rejection: failures = `reject_intercept` + `slope` · shots.
    pub reject_intercept: f64,
    /// The slope of both.
    pub slope: f64,
    /// About how many shots a decision takes at the good rate.
    pub average_shots_if_good: f64,
    /// And at the bad rate.
    pub average_shots_if_bad: f64,
    /// How many shots a failure weighs in the cumulative sum.
    pub sum_weight: u64,
    /// From where on it signals.
    pub sum_limit: u64,
    /// How many shots pass on average before it signals falsely, at the good rate.
    pub sum_run_if_good: f64,
    /// And before it signals at the bad rate.
    pub sum_run_if_bad: f64,
    /// All shots that count for the measure, unresolved ones included.
    pub shots: u64,
    /// Settled failures.
    pub failures: u64,
    /// Shots that are not settled.
    pub unresolved: u64,
    /// Unresolved shots left out.
    pub if_circuit: Watched,
    /// Unresolved shots taken as failures.
    pub if_igniter: Watched,
}

/// Watches one lot, shot by shot in the order of their time, then of their ids.
///
/// The result depends only on the facts in the ledger, not on the order in which they came.
///
/// # Errors
/// [`RatesError`]: a lot that nobody has named, rates or risks that make no test.
pub fn watch(ledger: &Ledger, request: &WatchRequest) -> Result<Watch, RatesError> {
    let test = SequentialTest::new(request.good, request.bad, request.alpha, request.beta)?;
    let cusum = BernoulliCusum::for_rates(request.good, request.bad, request.run)?;
    let mut kept = filters(ledger, &[(Group::Lot, request.lot.clone())])?;
    kept.extend(filters(ledger, &request.only)?);
    let shots = in_order(ledger, request.measure, |row| kept.iter().all(|axis| axis.keeps(row)));
    let count = |class| shots.iter().filter(|(_, _, c, _)| *c == class).count() as u64;
    let (average_shots_if_good, average_shots_if_bad) = test.average_shots();
    Ok(Watch {
        lot: request.lot.trim().to_owned(),
        measure: request.measure.word(),
        good: request.good,
        bad: request.bad,
        alpha: request.alpha,
        beta: request.beta,
        accept_intercept: test.accept_intercept(),
        reject_intercept: test.reject_intercept(),
        slope: test.slope(),
        average_shots_if_good,
        average_shots_if_bad,
        sum_weight: cusum.weight(),
        sum_limit: cusum.limit(),
        sum_run_if_good: cusum.average_run(request.good)?,
        sum_run_if_bad: cusum.average_run(request.bad)?,
        shots: shots.len() as u64,
        failures: count(Class::Failure),
        unresolved: count(Class::Unresolved),
        if_circuit: watched(&shots, false, &test, &cusum),
        if_igniter: watched(&shots, true, &test, &cusum),
    })
}

/// The time that orders it, its id, its class, and the time if it is known.
type Fired = (i64, ShotId, Class, Option<i64>);

fn in_order(ledger: &Ledger, measure: Measure, is_kept: impl Fn(usize) -> bool) -> Vec<Fired> {
    let classes = ledger.columns().class(measure).iter().enumerate();
    let rows = classes.filter(|(row, class)| **class != Class::NotCounted.number() && is_kept(*row));
    let mut shots: Vec<Fired> = rows
        .filter_map(|(row, _)| ledger.shot_at(row))
        .map(|shot| (shot.unix_ms, shot.id, shot.class(measure), shot.stated_at()))
        .collect();
    shots.sort_unstable();
    shots
}

fn watched(shots: &[Fired], open_as_failures: bool, test: &SequentialTest, cusum: &BernoulliCusum) -> Watched {
    let (mut seen, mut failures) = (0, 0);
    let mut decided = None;
    let mut sum = Sum { value: 0, highest: 0, signals: false, first_alarm: None };
    for &(_, _, class, unix_ms) in shots {
        let has_failed = match class {
            Class::Good => false,
            Class::Failure => true,
            Class::Unresolved if open_as_failures => true,
            Class::Unresolved | Class::NotCounted => continue,
        };
        seen += 1;
        failures += u64::from(has_failed);
        if decided.is_none() {
            let decision = match test.decide(failures, seen) {
                SequentialDecision::Accept => Some(Decision::Accept),
                SequentialDecision::Reject => Some(Decision::Reject),
                SequentialDecision::GoOn => None,
            };
            decided = decision.map(|decision| (decision, Decided { shots: seen, failures, unix_ms }));
        }
        sum.value = cusum.next(sum.value, has_failed);
        sum.highest = sum.highest.max(sum.value);
        sum.signals = cusum.signals(sum.value);
        if sum.signals && sum.first_alarm.is_none() {
            sum.first_alarm = Some(Alarm { shot: seen, unix_ms });
        }
    }
    let goes_on = decided.is_none();
    Watched {
        shots: seen,
        failures,
        decision: decided.map_or(Decision::GoOn, |(decision, _)| decision),
        decided: decided.map(|(_, at)| at),
        accept_at_most: test.accept_at_most(seen),
        reject_from: test.reject_at_least(seen),
        clean_shots_to_accept: goes_on.then(|| test.clean_shots_to_accept(failures, seen)),
        failures_to_reject: goes_on.then(|| test.failures_to_reject(failures, seen)),
        sum,
    }
}
