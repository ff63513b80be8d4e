//! What the field screen needs before a volley is laid out: the names, what was last used, what was logged lately.

use std::collections::BTreeMap;

use embertally_core::chart::{DrawnShot, DrawnVolley, ShotState};
use embertally_core::facts::{Ignition, LotId, OutingId, RegisterId, ShotId, VolleyId, Wiring};
use embertally_core::ledger::{Ledger, LiveReason, ShotView, VolleyView};
use embertally_core::store::Store;
use serde::Deserialize;
use serde_json::{Value, json};

use super::App;
use super::names::{clean, name_of, observer_name, short_volley};
use crate::error::Refused;

#[derive(Debug, Deserialize)]
pub(super) struct FieldRequest {
    /// The day there, to say which lots are past their use-by.
    today: Option<String>,
}

#[derive(Debug, Deserialize)]
pub(super) struct RecentRequest {
    outing: Option<String>,
    most: usize,
}

impl<S: Store> App<S> {
    /// Returns the real shots of an outing, in no order.
    pub(super) fn shots_of(&self, outing: OutingId) -> impl Iterator<Item = ShotView<'_>> {
        let columns = self.ledger.columns();
        let wanted = columns.outings().find(outing);
        let rows = columns.outing().iter().enumerate().filter(move |(_, code)| Some(**code) == wanted);
        rows.filter_map(|(row, _)| self.ledger.shot_at(row))
    }

    /// Returns the volleys of an outing, the latest first; each real volley once.
    pub(super) fn volleys_of(&self, outing: OutingId) -> Vec<VolleyId> {
        let mut times: BTreeMap<VolleyId, i64> = BTreeMap::new();
        for shot in self.shots_of(outing) {
            let at = times.entry(shot.id.volley).or_insert(shot.unix_ms);
            *at = (*at).max(shot.unix_ms);
        }
        let mut all: Vec<(i64, VolleyId)> = times.into_iter().map(|(id, at)| (at, id)).collect();
        all.sort_unstable_by(|a, b| b.cmp(a));
        all.into_iter().map(|(_, id)| id).collect()
    }

    /// Returns the names to choose from and what the last volley of this device was like.
    pub(super) fn field(&self, request: &FieldRequest) -> Result<Value, Refused> {
        let register = self.ledger.register();
        let today = request.today.as_deref().map(str::parse::<embertally_core::facts::Date>).transpose()?;
        let outing = self.current_outing()?.filter(|id| register.outings().get(*id).is_some());
        let outings = register.outings().iter().map(|(id, o)| {
            json!({ "id": id.to_string(), "name": clean(&o.value.name), "kind": o.value.kind.word(),
                "wait_minutes": o.value.wait_minutes, "slow_limit_ms": o.value.slow_limit_ms })
        });
        let mut next: BTreeMap<LotId, u32> = BTreeMap::new();
        if let Some(outing) = outing {
            for shot in self.shots_of(outing) {
                let number = shot.unit.and_then(|unit| unit.parse::<u32>().ok());
                let one = next.entry(shot.lot).or_insert(1);
                *one = (*one).max(number.map_or(1, |n| n.saturating_add(1)));
            }
        }
        let lots = register.lots().iter().map(|(id, l)| {
            let past = l.value.use_by.zip(today).filter(|(use_by, today)| use_by < today);
            json!({ "name": clean(&l.value.mark), "next_unit": next.get(&id).copied().unwrap_or(1),
                "past_use_by": past.map(|(use_by, _)| use_by.to_string()) })
        });
        let people =
            register.people().iter().map(|(id, p)| json!({ "id": id.to_string(), "name": clean(&p.value.name) }));
        Ok(json!({
            "outing": outing.map(|o| o.to_string()),
            "outings": sorted(outings), "lots": sorted(lots), "people": sorted(people),
            "fuses": sorted(register.fuses().iter().map(|(_, f)| json!({ "name": clean(&f.value.name) }))),
            "modules": sorted(register.modules().iter().map(|(_, m)| json!({ "name": clean(&m.value.name), "channels": m.value.channels }))),
            "observer": self.observer()?.map(|p| p.to_string()),
            "last": outing.and_then(|o| self.last_volley(o)),
        }))
    }

    /// The last volley of this device at an outing, or where it has none, of anybody.
    fn last_volley(&self, outing: OutingId) -> Option<Value> {
        let all = self.volleys_of(outing);
        let own = all.iter().filter_map(|id| self.ledger.volley(*id)).take(200).find(|v| v.device == self.device);
        let view = own.or_else(|| self.ledger.volley(*all.first()?))?;
        let volley = view.volley;
        let first = volley.shots.first()?;
        let name = |id| name_of(&self.ledger, id);
        Some(json!({
            "module": volley.module.map(|m| name(RegisterId::Module(m))), "channel": volley.channel,
            "wiring": volley.wiring.kind().word(), "strings": strings(&volley.wiring), "shots": volley.shots.len(),
            "lot": name(RegisterId::Lot(first.lot)), "fuse": first.fuse.map(|f| name(RegisterId::Fuse(f))),
            "has_units": first.unit.is_some(),
        }))
    }

    /// Returns what was logged lately at an outing.
    pub(super) fn recent(&self, request: &RecentRequest) -> Value {
        let outing = request.outing.as_deref().and_then(|o| o.parse().ok());
        let all = outing.map(|o| self.volleys_of(o)).unwrap_or_default();
        let rows = all.iter().take(request.most).filter_map(|id| self.ledger.volley(*id));
        json!({ "volleys": all.len(), "rows": rows.map(|v| self.volley_json(&v)).collect::<Vec<_>>() })
    }

    pub(super) fn volley_json(&self, view: &VolleyView<'_>) -> Value {
        let volley = view.volley;
        let name = |id| name_of(&self.ledger, id);
        let shots = volley.shots.iter().enumerate().map(|(index, shot)| {
            let found = self.ledger.finding(ShotId { volley: view.id, position: index as u16 + 1 });
            let finding = found.map(|f| f.finding);
            json!({
                "lot": name(RegisterId::Lot(shot.lot)), "unit": shot.unit.as_deref().map(clean),
                "fuse": shot.fuse.map(|f| name(RegisterId::Fuse(f))), "attempt": shot.attempt,
                "ignition": finding.and_then(|f| f.ignition.settled()).map(|i| i.word()),
                "transfer": finding.and_then(|f| f.transfer.settled()).map(|t| t.word()),
                "disputed": finding.is_some_and(|f| f.ignition.is_disputed() || f.transfer.is_disputed()),
                "live": found.and_then(|f| f.live).filter(|r| *r != LiveReason::Unseen).map(|r| r.reason()),
                "cause": finding.and_then(|f| f.blame).map(|b| b.cause.word()),
            })
        });
        json!({
            "volley": view.id.to_string(), "short": short_volley(view.id),
            "at_ms": volley.at.map(|at| at.unix_ms), "wiring": volley.wiring.kind().word(),
            "strings": strings(&volley.wiring), "module": volley.module.map(|m| name(RegisterId::Module(m))),
            "channel": volley.channel, "own": view.device == self.device,
            "device": name(RegisterId::Device(view.device)),
            "observers": view.sightings.iter().map(|s| observer_name(&self.ledger, s.observer)).collect::<Vec<_>>(),
            "shots": shots.collect::<Vec<_>>(),
        })
    }
}

fn sorted(values: impl Iterator<Item = Value>) -> Vec<Value> {
    let mut all: Vec<Value> = values.collect();
    all.sort_by_key(|v| v.get("name").and_then(Value::as_str).map(str::to_lowercase));
    all
}

fn strings(wiring: &Wiring) -> Vec<u16> {
    match wiring {
        Wiring::SeriesParallel(lengths) => lengths.clone(),
        _ => Vec::new(),
    }
}

/// Returns a volley's drawing: its strings as rows, or all its igniters as one row where they are not stated.
pub(super) fn drawn(ledger: &Ledger, view: &VolleyView<'_>) -> DrawnVolley {
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
    let place = match (volley.module, volley.channel) {
        (Some(m), Some(c)) => format!(", {} channel {c}", name_of(ledger, RegisterId::Module(m))),
        (Some(m), None) => format!(", {}", name_of(ledger, RegisterId::Module(m))),
        (None, Some(c)) => format!(", channel {c}"),
        (None, None) => String::new(),
    };
    let title = format!("Volley {}, {}{place}", short_volley(view.id), volley.wiring.kind());
    DrawnVolley { title, strings: strings.collect() }
}
