//! The pairings of lot and fuse, worst first, each with its verdict.

use std::collections::{BTreeMap, BTreeSet};

use embertally_stats::IntervalMethod;
use serde::Serialize;

use super::clusters::VolleyCorrelation;
use super::count::Counts;
use super::group::Group;
use super::percent::percent;
use super::rate::Rate;
use super::shrunk::{ShrunkFigures, Together, WorseThanRest, together, worse_than_rest};
use super::table::{RatesError, RatesRequest, rates};
use super::verdict::{Judged, Rules, Verdict, judge};
use crate::facts::Date;
use crate::ledger::{Ledger, Measure};

/// What is asked of the pairings.
#[derive(Debug, Clone, PartialEq)]
pub struct PairingsRequest {
    /// One measure; or none, for ignition and transfer side by side, each judged by itself and never added up.
    pub measure: Option<Measure>,
    /// How intervals are made.
    pub method: IntervalMethod,
    /// Their level.
    pub level: f64,
    /// The rules of the verdicts.
    pub rules: Rules,
    /// Only these, as in [`RatesRequest::only`].
    pub only: Vec<(Group, String)>,
    /// The day against which use-by marks are read, if they are to be.
    pub today: Option<Date>,
}

impl Default for PairingsRequest {
    fn default() -> Self {
        Self {
            measure: None,
            method: IntervalMethod::Exact,
            level: 0.95,
            rules: Rules::default(),
            only: Vec::new(),
            today: None,
        }
    }
}

/// One measure of a pairing, judged.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JudgedRate {
    /// Its word.
    pub measure: &'static str,
    /// The rate.
    #[serde(flatten)]
    pub rate: Rate,
    /// The verdict on this measure alone.
    #[serde(flatten)]
    pub judged: Judged,
    /// The rate as all pairings together show it.
    pub shrunk: ShrunkFigures,
    /// Whether it is worse than all other pairings together.
    pub worse_than_rest: WorseThanRest,
}

/// The pairings, and what all of them together show.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ranking {
    /// The pairings, worst first.
    pub rows: Vec<Pairing>,
    /// What all of them together show, a measure each; measures without a shot are left out.
    pub together: Vec<Together>,
    /// How alike the shots of one volley are, a measure each in the order asked for.
    pub volleys: Vec<MeasuredVolleys>,
}

/// How alike the shots of one volley are, by one measure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MeasuredVolleys {
    /// The measure's word.
    pub measure: &'static str,
    /// How alike.
    #[serde(flatten)]
    pub correlation: VolleyCorrelation,
}

/// One pairing of lot and fuse.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pairing {
    /// The lot's batch mark.
    pub lot: Option<String>,
    /// The fuse; none where the igniters were fired alone.
    pub fuse: Option<String>,
    /// The verdict: that of the measure that stands worst.
    pub verdict: Verdict,
    /// The measure that it rests on.
    pub measure: &'static str,
    /// The probability that the true failure rate of that measure is above what is tolerable, every unresolved shot
    /// taken as the circuit's.
    pub probability_above: f64,
    /// How many more shots, none failing, would support using it.
    pub clean_shots_needed: Option<u64>,
    /// The lot's use-by, if it is past. A flag beside the verdict, never a reason for it.
    pub past_use_by: Option<String>,
    /// The sentence to read out.
    pub sentence: String,
    /// Each measure by itself.
    pub measures: Vec<JudgedRate>,
}

/// Returns the pairings, worst first: by verdict, then by the probability of being worse than is tolerable, then by
/// name.
///
/// # Errors
/// [`RatesError`].
pub fn pairings(ledger: &Ledger, request: &PairingsRequest) -> Result<Vec<Pairing>, RatesError> {
    Ok(ranking(ledger, request)?.rows)
}

/// Returns the pairings as [`pairings`] does, and what all of them together show.
///
/// # Errors
/// [`RatesError`].
pub fn ranking(ledger: &Ledger, request: &PairingsRequest) -> Result<Ranking, RatesError> {
    let measures = request.measure.map_or_else(|| vec![Measure::Ignition, Measure::Transfer], |m| vec![m]);
    let mut tables = Vec::with_capacity(measures.len());
    let mut volleys = Vec::with_capacity(measures.len());
    for measure in measures.iter().copied() {
        let (method, level, only) = (request.method, request.level, request.only.clone());
        let table = rates(ledger, &RatesRequest { measure, method, level, only, ..RatesRequest::default() })?;
        volleys.push(MeasuredVolleys { measure: measure.word(), correlation: table.volleys });
        let rows: BTreeMap<Vec<Option<String>>, Rate> = table.rows.into_iter().map(|r| (r.names, r.rate)).collect();
        tables.push(rows);
    }
    // A fuse that nobody watched is no fuse that was lit: what was never counted stands there as not known.
    let all: BTreeSet<Vec<Option<String>>> = tables.iter().flat_map(BTreeMap::keys).cloned().collect();
    for table in &mut tables {
        for names in all.iter().filter(|names| names.get(1).is_some_and(Option::is_some)) {
            if !table.contains_key(names) {
                table.insert(names.clone(), Rate::new(Counts::default(), request.method, request.level)?);
            }
        }
    }
    let mut found: BTreeMap<Vec<Option<String>>, Vec<JudgedRate>> = BTreeMap::new();
    let mut shown = Vec::new();
    for (measure, table) in measures.iter().zip(tables) {
        let of_all: Vec<Rate> = table.values().copied().collect();
        let Some((what, shrunk)) = together(measure.word(), &of_all, request.rules.tolerable, request.level)? else {
            continue;
        };
        shown.push(what);
        let worse = worse_than_rest(&of_all)?;
        for (((names, rate), shrunk), worse_than_rest) in table.into_iter().zip(shrunk).zip(worse) {
            let judged = judge(&rate, &request.rules)?;
            let one = JudgedRate { measure: measure.word(), rate, judged, shrunk, worse_than_rest };
            found.entry(names).or_default().push(one);
        }
    }
    let mut rows: Vec<Pairing> =
        found.into_iter().filter_map(|(names, measures)| pairing(ledger, request, names, measures)).collect();
    rows.sort_by(|a, b| {
        let worse = b.verdict.cmp(&a.verdict).then(b.probability_above.total_cmp(&a.probability_above));
        worse.then_with(|| (&a.lot, &a.fuse).cmp(&(&b.lot, &b.fuse)))
    });
    Ok(Ranking { rows, together: shown, volleys })
}

fn pairing(
    ledger: &Ledger,
    request: &PairingsRequest,
    names: Vec<Option<String>>,
    measures: Vec<JudgedRate>,
) -> Option<Pairing> {
    // `max_by` keeps the last of equals: ignition stands first, so turn the order to prefer it.
    let worst = measures.iter().rev().max_by(|a, b| {
        let by_verdict = a.judged.verdict.cmp(&b.judged.verdict);
        by_verdict.then(a.judged.probability_above.total_cmp(&b.judged.probability_above))
    })?;
    let [lot, fuse] = <[Option<String>; 2]>::try_from(names).ok()?;
    let past_use_by = request.today.and_then(|today| {
        let use_by = ledger.register().lot_marked(lot.as_deref()?)?.use_by?;
        (use_by < today).then(|| use_by.to_string())
    });
    Some(Pairing {
        verdict: worst.judged.verdict,
        measure: worst.measure,
        probability_above: worst.judged.probability_above,
        clean_shots_needed: worst.judged.clean_shots_needed,
        sentence: sentence(worst, request),
        past_use_by,
        lot,
        fuse,
        measures: measures.clone(),
    })
}

/// Says why, with the numbers that the verdict rests on.
fn sentence(worst: &JudgedRate, request: &PairingsRequest) -> String {
    let (rate, judged, rules) = (&worst.rate, &worst.judged, &request.rules);
    let what = match worst.measure {
        "ignition" => "igniters failed",
        "transfer" => "fuses were not lit",
        "slow" => "shots were slow",
        _ => "shots left the fuse unlit",
    };
    let unresolved = match rate.unresolved {
        0 => String::new(),
        n => format!(", and {n} more are unresolved"),
    };
    if rate.shots == 0 {
        let needed = judged
            .clean_shots_needed
            .map_or(String::new(), |n| format!("; {n} shots without a failure would clear it"));
        let nothing = match worst.measure {
            "transfer" => "Nobody has watched whether its fuses were lit",
            _ => "No shot counts for this yet",
        };
        return format!("{nothing}: test more{needed}.");
    }
    let settled = rate.shots - rate.unresolved;
    let seen = format!(
        "{} of {settled} {what}{unresolved}; the true rate lies between {} and {} ({} interval)",
        rate.failures,
        percent(rate.shown().0),
        percent(rate.shown().1),
        percent(request.level),
    );
    let tolerable = percent(rules.tolerable);
    let chance = percent(judged.probability_above);
    let more = judged.clean_shots_needed.map(|n| format!("; {n} more shots without a failure would clear it"));
    match judged.verdict {
        Verdict::SetAside => format!("{seen}. The chance that it is above {tolerable} is {chance}: set aside."),
        Verdict::Restrict => {
            format!(
                "{seen}. The chance that it is above {tolerable} is {chance}: restrict{}.",
                more.unwrap_or_default()
            )
        }
        Verdict::TestMore => {
            let known = if rate.unresolved > 0 { "too much is open" } else { "too little is known" };
            format!("{seen}. Against {tolerable} {known}: test more{}.", more.unwrap_or_default())
        }
        Verdict::Use => {
            let worst = judged.probability_above.max(judged.probability_above_if_igniter);
            let worst = worst.max(judged.probability_above_clustered);
            format!("{seen}. The chance that it is above {tolerable} is at most {}: use.", percent(worst))
        }
    }
}
