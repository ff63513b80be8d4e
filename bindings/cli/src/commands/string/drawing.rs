//! A volley of the log as it is drawn.

use embertally_core::chart::{DrawnShot, DrawnVolley, ShotState};
use embertally_core::facts::{Ignition, RegisterId, ShotId, Wiring};
use embertally_core::ledger::{Ledger, VolleyView};

use crate::names::{name_of, short_volley};

/// Returns a volley's drawing: its strings as rows, or all its igniters as one row where they are not stated.
pub(crate) fn drawn(ledger: &Ledger, view: &VolleyView<'_>) -> DrawnVolley {
    let volley = view.volley;
    let shot = |index: usize| {
        let position = u16::try_from(index + 1).unwrap_or(u16::MAX);
        let found = ledger.finding(ShotId { volley: view.id, position });
        let (lot, unit) = volley.shots.get(index).map_or((None, None), |s| (Some(s.lot), s.unit.as_deref()));
        let lot = lot.map_or_else(String::new, |lot| name_of(ledger, RegisterId::Lot(lot)));
        let state = match found.and_then(|f| f.finding.ignition.settled()) {
            Some(Ignition::Fired | Ignition::Slow) => ShotState::Fired,
            Some(Ignition::Failed) => ShotState::Failed,
            _ => ShotState::Open,
        };
        let cause = found.and_then(|f| f.finding.blame).map_or_else(String::new, |b| b.cause.word().to_owned());
        DrawnShot { label: unit.map_or_else(|| lot.clone(), |unit| format!("{lot} {unit}")), state, cause }
    };
    let count = volley.shots.len();
    let lengths: Vec<usize> = match &volley.wiring {
        Wiring::Parallel => vec![1; count],
        Wiring::SeriesParallel(lengths) => lengths.iter().map(|n| usize::from(*n)).collect(),
        _ => vec![count],
    };
    let lengths = if lengths.iter().sum::<usize>() == count { lengths } else { vec![count] };
    let mut next = 0;
    let strings = lengths.into_iter().map(|length| {
        let from = next;
        next += length;
        (from..next).map(shot).collect()
    });
    let title = format!("Volley {}, {}", short_volley(view.id), volley.wiring.kind());
    DrawnVolley { title, strings: strings.collect() }
}
