//! What a comparison shows and does not show, in sentences.

use super::compare::{Comparison, Shown};
use super::percent::percent;
use super::reading::{Reading, Tally};
use super::stratified::Stratified;
use crate::ledger::Measure;

/// Says all of a comparison: what was seen, what it shows, and what the strata add.
pub(super) fn sentences(comparison: &Comparison, measure: Measure) -> Vec<String> {
    let mut all = vec![seen(comparison, measure), conclusion(comparison)];
    if comparison.has_unresolved() && comparison.shown != Shown::Nothing {
        all.push(readings(comparison));
    }
    if let (Some(by), Some(strata)) = (comparison.by, &comparison.if_circuit.strata) {
        all.push(within(comparison, by, strata));
    }
    all
}

fn of(tally: Tally) -> String {
    format!("{} of {}", tally.failures, tally.shots)
}

fn seen(comparison: &Comparison, measure: Measure) -> String {
    let what = match measure {
        Measure::Ignition => "igniters failed",
        Measure::Slow => "shots were slow",
        Measure::Transfer => "fuses were not lit",
        Measure::EndToEnd => "shots left the fuse unlit",
        Measure::Raw => "pulses did not fire the igniter",
    };
    let open = |n: u64| if n == 0 { String::new() } else { format!(" ({n} more unresolved)") };
    let (first, second) = (&comparison.first, &comparison.second);
    format!(
        "{}: {} {what}{}; {}: {}{}.",
        first.name,
        of(comparison.if_circuit.first),
        open(first.rate.unresolved),
        second.name,
        of(comparison.if_circuit.second),
        open(second.rate.unresolved),
    )
}

/// A difference in percentage points, without its sign.
fn points(difference: f64) -> String {
    let number = percent(difference.abs()).replace(" %", "");
    format!("{number} {}", if number == "1" { "point" } else { "points" })
}

/// Where the first group's rate may lie, as seen from the second's.
fn range(comparison: &Comparison, low: f64, high: f64) -> String {
    let (first, second) = (&comparison.first.name, &comparison.second.name);
    let side = |value: f64| match value {
        v if v < 0.0 => format!("{} below", points(v)),
        v if v > 0.0 => format!("{} above", points(v)),
        _ => "0 points from".to_owned(),
    };
    format!(
        "{first}'s true rate may lie from {} to {} {second}'s ({} interval)",
        side(low),
        side(high),
        percent(comparison.level)
    )
}

/// The outermost ends of all readings, with shots of one volley alike.
fn widest(comparison: &Comparison) -> Option<(f64, f64)> {
    let ends = comparison.readings().filter_map(|r| r.clustered).map(|d| (d.low, d.high));
    ends.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
}

fn p_of(value: f64) -> String {
    if value < 0.0001 { "p below 0.0001".to_owned() } else { format!("p = {value:.*}", digits(value)) }
}

fn p(reading: &Reading) -> String {
    let number = p_of(reading.p_value.unwrap_or(1.0));
    let method = if reading.p_method == Some("fisher") { "Fisher" } else { "Boschloo" };
    let alike = match reading.clustered {
        Some(c) if c.design_effect_first.max(c.design_effect_second) > 1.0 => {
            format!("; with shots of a volley alike {}", p_of(c.p))
        }
        _ => String::new(),
    };
    format!("{number}, {method}'s exact test, two-sided{alike}")
}

/// As many places as show two digits.
fn digits(value: f64) -> usize {
    if value >= 0.1 {
        2
    } else if value >= 0.01 {
        3
    } else {
        4
    }
}

/// The names, that with the higher rate first.
fn worse_and_better(comparison: &Comparison) -> (&str, &str) {
    let (first, second) = (&comparison.first.name, &comparison.second.name);
    match comparison.if_circuit.difference {
        Some(d) if d.value < 0.0 => (second, first),
        _ => (first, second),
    }
}

fn conclusion(comparison: &Comparison) -> String {
    let (first, second) = (&comparison.first, &comparison.second);
    let shots = (comparison.if_circuit.first.shots, comparison.if_circuit.second.shots);
    let range = widest(comparison).map(|(low, high)| range(comparison, low, high)).unwrap_or_default();
    match comparison.shown {
        Shown::Nothing => {
            let untried = if comparison.if_circuit.first.shots == 0 { &first.name } else { &second.name };
            format!("Nothing can be said: no settled shot of {untried} counts for this.")
        }
        Shown::NoDifference => format!(
            "{} against {} shots: no difference is shown; that is not the same as no difference. {range}.",
            shots.0, shots.1,
        ),
        Shown::DependsOnVolleys => {
            let (worse, better) = worse_and_better(comparison);
            let alike = if comparison.volleys.basis == "too-few" {
                "too few volleys tell how alike their shots are, and with each volley as one shot"
            } else {
                "shots of one volley are alike, and with that"
            };
            format!(
                "Shot by shot {worse}'s rate is higher than {better}'s, but {alike} a difference is not shown ({}). More \
                 volleys settle it, not more shots in each. {range}.",
                p(&comparison.if_circuit)
            )
        }
        Shown::DependsOnUnresolved => {
            format!("Whether they differ depends on the unresolved shots; settle those first. {range}.")
        }
        Shown::Difference => {
            let (worse, better) = worse_and_better(comparison);
            format!(
                "{worse}'s rate is higher than {better}'s: were they alike, a difference as large as this would be rare \
                 ({}). {range}. It does not say why.",
                p(&comparison.if_circuit)
            )
        }
    }
}

fn readings(comparison: &Comparison) -> String {
    let one = |reading: &Reading| match &reading.refusal {
        Some(refusal) => refusal.clone(),
        None => format!("{} against {}, {}", of(reading.first), of(reading.second), p(reading)),
    };
    format!(
        "With every unresolved shot the circuit's: {}. With every one the igniter's: {}.",
        one(&comparison.if_circuit),
        one(&comparison.if_igniter)
    )
}

fn within(comparison: &Comparison, by: &str, strata: &Stratified) -> String {
    if let Some(refusal) = &strata.refusal {
        return format!("Within strata by {by} nothing can be said: {refusal}.");
    }
    let unresolved = if comparison.has_unresolved() { ", unresolved shots left out" } else { "" };
    let odds = match strata.odds_ratio {
        Some(odds) => match (odds.value, odds.low, odds.high) {
            (Some(value), Some(low), Some(high)) => {
                format!("common odds ratio {value:.2} ({low:.2} to {high:.2})")
            }
            (Some(_), ..) => "common odds ratio 0, without an interval".to_owned(),
            _ => "common odds ratio infinite, without an interval".to_owned(),
        },
        None => "no common odds ratio".to_owned(),
    };
    let alike =
        |p: f64| strata.clustered.filter(|c| c.p > p).map(|c| format!("; {:.3} with shots of a volley alike", c.p));
    let test = strata.test.map(|t| {
        let alike = alike(t.p_corrected).unwrap_or_default();
        format!(", p = {:.3} (Cochran–Mantel–Haenszel{alike})", t.p_corrected)
    });
    let test = test.unwrap_or_default();
    let alike = match (&strata.homogeneity, &strata.homogeneity_refusal) {
        (Some(h), _) if h.p <= 1.0 - comparison.level => {
            format!(" The strata disagree (Breslow–Day p = {:.3}): look at each, not at what they have in common.", h.p)
        }
        (Some(h), _) => format!(" That the strata disagree is not shown (Breslow–Day p = {:.2}).", h.p),
        (None, Some(refusal)) => format!(" Whether they agree: {refusal}."),
        (None, None) => String::new(),
    };
    let accounted = match (comparison.shown, strata.clustered) {
        (Shown::Difference, Some(t)) if t.p > 1.0 - comparison.level => {
            format!(" Within strata the difference is not shown, so {by} may account for it.")
        }
        _ => String::new(),
    };
    format!(
        "Within strata by {by} ({} of {} say something{unresolved}): {odds}{test}.{alike}{accounted}",
        strata.informative,
        strata.strata.len()
    )
}
