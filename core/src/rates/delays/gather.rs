//! The delays of the shots of each group.

use std::collections::BTreeMap;
use std::f64::consts::FRAC_1_SQRT_2;

use embertally_stats::CensoredTime;

use super::super::columns::{Axis, axis, filters};
use super::super::group::Group;
use super::super::table::RatesError;
use crate::facts::{Delay, VolleyId};
use crate::ledger::{Class, DelayFinding, Ledger, Measure, ShotView, WeatherField};

/// What was seen of the delays of one group, in milliseconds.
#[derive(Debug, Default)]
pub(super) struct Gathered {
    /// Shots that fired.
    pub(super) fired: u64,
    /// Of the measured ones, those whose measurements contradict each other.
    pub(super) disputed: u64,
    /// The delays measured.
    pub(super) times: Vec<CensoredTime>,
    /// The same for fitting a law: those read off clips are narrowed, see [`narrowed`].
    pub(super) fit_times: Vec<CensoredTime>,
    /// How many of them are narrowed.
    pub(super) narrowed: u64,
    /// They by volley, of volleys of more than one shot.
    pub(super) volleys: BTreeMap<VolleyId, Vec<CensoredTime>>,
    /// The limits of the outings, each once.
    pub(super) limits_ms: Vec<Option<u32>>,
}

/// A delay of exactly nothing is one too short to be told from it: half the unit that facts have.
const SHORTEST_MS: f64 = 0.0005;

fn time(finding: DelayFinding) -> Option<CensoredTime> {
    let (DelayFinding::Agreed(interval) | DelayFinding::Disputed(interval)) = finding else { return None };
    CensoredTime::new(interval.low_ms(), interval.high_ms().max(SHORTEST_MS)).ok()
}

/// Returns a delay read off clips for fitting a law: √½ frames to either side of the count, instead of one.
///
/// A delay surely lies within one frame of the count, but not with one chance throughout: the phase of the frames makes it a
/// triangle. A fit that takes the whole width as flat finds too small a spread; a flat width of √2 frames has the triangle's
/// variance, f²/6 (the idea of Sheppard's correction). By simulation (`stats/examples/coverage_delays.rs`), 300 shots at 30
/// frames a second: a 90 % bound held in 42 % of cases with the whole width, in 88 % narrowed. `None` where a delay was
/// measured otherwise too, or two clips have no moment in common.
fn narrowed(shot: &ShotView<'_>) -> Option<CensoredTime> {
    let (mut low, mut high) = (0.0_f64, f64::INFINITY);
    for seen in shot.sightings() {
        match seen.sighting.delay.filter(|d| d.checked_interval().is_ok()) {
            None => {}
            Some(Delay::Clip { pulse_frame, light_frame, frames_per_1000_s }) => {
                let frame_ms = 1e6 / f64::from(frames_per_1000_s);
                let count = f64::from(light_frame) - f64::from(pulse_frame);
                low = low.max((count - FRAC_1_SQRT_2) * frame_ms);
                high = high.min((count + FRAC_1_SQRT_2) * frame_ms);
            }
            Some(_) => return None,
        }
    }
    if low < high && high.is_finite() { CensoredTime::new(low, high).ok() } else { None }
}

/// A group's names and what was seen of its delays.
pub(super) type Named = (Vec<Option<String>>, Gathered);

/// Returns the delays of each group, ordered by the names.
pub(super) fn gather(
    ledger: &Ledger,
    by: &[Group],
    weather: &[WeatherField],
    only: &[(Group, String)],
) -> Result<Vec<Named>, RatesError> {
    let kept = filters(ledger, only)?;
    let parts = |group: &Group| match group {
        Group::Weather => weather.iter().map(|p| axis(ledger, Group::Part(*p))).collect(),
        other => vec![axis(ledger, *other)],
    };
    let axes: Vec<Vec<Axis<'_>>> = by.iter().map(parts).collect();
    let mut groups: BTreeMap<Vec<Option<String>>, Gathered> = BTreeMap::new();
    let classes = ledger.columns().class(Measure::Slow);
    for (row, _) in classes.iter().enumerate().filter(|(_, class)| **class != Class::NotCounted.number()) {
        if !kept.iter().all(|axis| axis.keeps(row)) {
            continue;
        }
        let Some(shot) = ledger.shot_at(row) else { continue };
        let name = |axes: &Vec<Axis<'_>>| match axes.as_slice() {
            [one] => one.name_at(row),
            many => Some(many.iter().map(|a| a.name_at(row).unwrap_or_default()).collect::<Vec<_>>().join(", ")),
        };
        let group = groups.entry(axes.iter().map(name).collect()).or_default();
        group.fired += 1;
        let limit = ledger.register().outings().get(shot.outing).and_then(|o| o.value.slow_limit_ms);
        if !group.limits_ms.contains(&limit) {
            group.limits_ms.push(limit);
        }
        let Some(time) = time(shot.finding.delay) else { continue };
        group.disputed += u64::from(matches!(shot.finding.delay, DelayFinding::Disputed(_)));
        group.times.push(time);
        let narrow = match shot.finding.delay {
            DelayFinding::Agreed(_) => narrowed(&shot),
            _ => None,
        };
        group.narrowed += u64::from(narrow.is_some());
        group.fit_times.push(narrow.unwrap_or(time));
        if shot.shots_in_volley > 1 {
            group.volleys.entry(shot.id.volley).or_default().push(time);
        }
    }
    // The order of rows differs from device to device, and sums must not.
    let order = |a: &CensoredTime, b: &CensoredTime| a.low().total_cmp(&b.low()).then(a.high().total_cmp(&b.high()));
    for group in groups.values_mut() {
        group.times.sort_unstable_by(order);
        group.fit_times.sort_unstable_by(order);
        group.volleys.values_mut().for_each(|v| v.sort_unstable_by(order));
    }
    Ok(groups.into_iter().collect())
}
