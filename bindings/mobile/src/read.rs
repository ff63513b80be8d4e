//! What the log adds up to: the live list, volleys, disputes, rates, pairings, delays, comparisons.

use embertally_core::CAUTION;
use embertally_core::facts::{OutingId, RegisterId};
use embertally_core::ledger::{self, Ledger, Observer, ShotView, Subject};
use embertally_core::rates::{
    self, CompareRequest, DelaysRequest, PairingsRequest, Rate, RatesRequest, Rules, percent,
};

use crate::desk::{Desk, Result, held};
use crate::error::EmbertallyError;
use crate::records::{Only, RatesQuery};
use crate::register::{named_outing, stated};
use crate::views::{
    Comparison, DelayRow, Dispute, Disputes, LiveList, LiveShot, MeasuredRate, Pairing, Pairings, Proposal,
    RateFigures, RateRow, Saying, ShotLine, VolleyLine,
};
use crate::words::{Group, Measure};

fn lot(ledger: &Ledger, shot: &ShotView<'_>) -> String {
    stated(ledger, RegisterId::Lot(shot.lot))
}

fn fuse(ledger: &Ledger, shot: &ShotView<'_>) -> Option<String> {
    shot.fuse.map(|f| stated(ledger, RegisterId::Fuse(f)))
}

fn short(shot: &ShotView<'_>) -> String {
    format!("{}:{}", shot.id.volley.0.short(), shot.id.position)
}

fn live_shot(ledger: &Ledger, live: &ledger::LiveShot<'_>) -> LiveShot {
    let shot = &live.shot;
    LiveShot {
        shot: shot.id.to_string(),
        short: short(shot),
        outing: stated(ledger, RegisterId::Outing(shot.outing)),
        module: shot.module.map(|m| stated(ledger, RegisterId::Module(m))),
        channel: shot.channel,
        position: shot.id.position,
        lot: lot(ledger, shot),
        unit: shot.unit.map(str::to_owned),
        fuse: fuse(ledger, shot),
        why: live.reason.into(),
        reason: live.reason.reason().to_owned(),
        wait_minutes: ledger.register().outings().get(shot.outing).and_then(|o| o.value.wait_minutes),
        fired_ms: shot.stated_at(),
    }
}

fn shot_line(ledger: &Ledger, shot: &ShotView<'_>) -> ShotLine {
    let f = &shot.finding;
    ShotLine {
        shot: shot.id.to_string(),
        short: short(shot),
        position: shot.id.position,
        lot: lot(ledger, shot),
        unit: shot.unit.map(str::to_owned),
        attempt: shot.attempt,
        fuse: fuse(ledger, shot),
        ignition: f.ignition.settled().map(Into::into),
        transfer: f.transfer.settled().map(Into::into),
        is_disputed: f.ignition.is_disputed() || f.transfer.is_disputed(),
        live: shot.live.map(Into::into),
        is_made_safe: shot.is_made_safe,
    }
}

pub(crate) fn figures(rate: &Rate) -> RateFigures {
    let (low, high) = rate.shown();
    RateFigures {
        shots: rate.shots,
        failures: rate.failures,
        unresolved: rate.unresolved,
        rate: rate.rate,
        low,
        high,
        low_independent: rate.low,
        high_independent: rate.high,
    }
}

/// A rate as a person reads it.
fn words(rate: &Rate) -> String {
    let (low, high) = rate.shown();
    let settled = rate.shots - rate.unresolved;
    let open = if rate.unresolved == 0 { String::new() } else { format!(", {} unresolved", rate.unresolved) };
    format!("{} of {settled}{open}: {} to {}", rate.failures, percent(low), percent(high))
}

fn subject(ledger: &Ledger, subject: &Subject) -> (&'static str, String) {
    match subject {
        Subject::Shot(id) => ("shot", id.to_string()),
        Subject::Rulings(id) => ("rulings", id.to_string()),
        Subject::Wired(id) => ("wiring", id.to_string()),
        Subject::Register(id) => ("register", stated(ledger, *id)),
        Subject::Corrections(id) => ("corrections", id.to_string()),
        Subject::Matches(a, b) => ("volleys", format!("{a} {b}")),
    }
}

fn observer(ledger: &Ledger, by: Observer) -> String {
    match by {
        Observer::Person(id) => stated(ledger, RegisterId::Person(id)),
        Observer::Device(id) => stated(ledger, RegisterId::Device(id)),
    }
}

fn only(filters: &[Only]) -> Vec<(rates::Group, String)> {
    filters.iter().map(|o| (o.group.into(), o.name.trim().to_owned())).collect()
}

impl Desk {
    pub(crate) fn live(&self, outing: Option<&str>) -> Result<LiveList> {
        let mut list = self.read(|ledger| {
            let outing = outing.map(|name| named_outing(ledger, name)).transpose()?;
            let live = ledger.live();
            let wanted = live.iter().filter(|l| outing.is_none_or(|o| o == l.shot.outing));
            let (unseen, shots): (Vec<_>, Vec<_>) = wanted.partition(|l| l.reason == ledger::LiveReason::Unseen);
            // By outing, and within it by where a person has to go.
            let lines = |shots: Vec<&ledger::LiveShot<'_>>| {
                // They come in the order of their ids, which for shots of one volley is that of their positions.
                let mut lines: Vec<LiveShot> = shots.into_iter().map(|l| live_shot(ledger, l)).collect();
                lines.sort_by(|a, b| (&a.outing, &a.module, a.channel).cmp(&(&b.outing, &b.module, b.channel)));
                lines
            };
            let (shots, fuse_not_seen) = (lines(shots), lines(unseen));
            Ok::<_, EmbertallyError>(LiveList {
                shots,
                fuse_not_seen,
                incomplete: Vec::new(),
                caution: CAUTION.to_owned(),
            })
        })??;
        let health = held(&self.health);
        list.incomplete.clone_from(&health.problems);
        let apart: u64 = health.apart.iter().map(|a| a.shots).sum();
        if apart > 0 {
            list.incomplete.push(format!(
                "{apart} shots are told of by entries that are kept apart and do not count; look whether something of it may \
                 be live."
            ));
        }
        Ok(list)
    }

    pub(crate) fn volleys(&self, outing: Option<&str>, most: u32) -> Result<Vec<VolleyLine>> {
        self.read(|ledger| {
            let outing: Option<OutingId> = outing.map(|name| named_outing(ledger, name)).transpose()?;
            let mut all: Vec<_> = ledger.volleys().filter(|v| outing.is_none_or(|o| o == v.volley.outing)).collect();
            all.sort_by_key(|v| std::cmp::Reverse((v.volley.at.unwrap_or(v.written).unix_ms, v.id)));
            let lines = all.into_iter().take(most as usize).map(|v| {
                let shots = (1..=v.volley.shots.len() as u16).filter_map(|position| {
                    let shot = ledger.finding(embertally_core::facts::ShotId { volley: v.id, position })?;
                    // A shot that was joined with another device's stands under one id; here it keeps its place.
                    Some(ShotLine { position, ..shot_line(ledger, &shot) })
                });
                VolleyLine {
                    volley: v.id.to_string(),
                    short: v.id.0.short(),
                    outing: stated(ledger, RegisterId::Outing(v.volley.outing)),
                    at: v.volley.at.map(Into::into),
                    label: v.volley.label.clone(),
                    module: v.volley.module.map(|m| stated(ledger, RegisterId::Module(m))),
                    channel: v.volley.channel,
                    wiring: v.volley.wiring.kind().into(),
                    shots: shots.collect(),
                }
            });
            Ok(lines.collect())
        })?
    }

    pub(crate) fn disputes(&self) -> Result<Disputes> {
        self.read(|ledger| {
            let disputes = ledger.disputes().into_iter().map(|d| {
                let (about, subject) = subject(ledger, &d.subject);
                let said = d.said.into_iter().map(|s| Saying {
                    fact: s.fact.to_string(),
                    by: observer(ledger, s.by),
                    says: s.says,
                });
                Dispute { about: about.to_owned(), subject, field: d.field.to_owned(), said: said.collect() }
            });
            let proposals = ledger.proposals().into_iter().map(|p| Proposal {
                first: p.first.to_string(),
                second: p.second.to_string(),
                reason: p.reason().to_owned(),
            });
            Disputes { disputes: disputes.collect(), proposals: proposals.collect() }
        })
    }

    pub(crate) fn rates(&self, query: &RatesQuery) -> Result<Vec<RateRow>> {
        let request = RatesRequest {
            by: query.by.iter().map(|g| (*g).into()).collect(),
            measure: query.measure.into(),
            level: query.level,
            only: only(&query.only),
            ..RatesRequest::default()
        };
        let table = self.read(|ledger| rates::rates(ledger, &request))??;
        let row = |r: rates::RateRow| RateRow { rate: figures(&r.rate), words: words(&r.rate), names: r.names };
        Ok(table.rows.into_iter().map(row).collect())
    }

    pub(crate) fn pairings(&self, tolerable: f64, filters: &[Only]) -> Result<Pairings> {
        let request = PairingsRequest {
            rules: Rules { tolerable, ..Rules::default() },
            only: only(filters),
            today: self.now()?.date(),
            ..PairingsRequest::default()
        };
        let ranking = self.read(|ledger| rates::ranking(ledger, &request))??;
        let row = |p: rates::Pairing| Pairing {
            lot: p.lot,
            fuse: p.fuse,
            verdict: p.verdict.into(),
            sentence: p.sentence,
            probability_above: p.probability_above,
            clean_shots_needed: p.clean_shots_needed,
            past_use_by: p.past_use_by,
            measures: p
                .measures
                .iter()
                .map(|m| MeasuredRate {
                    measure: m.measure.to_owned(),
                    rate: figures(&m.rate),
                    verdict: m.judged.verdict.into(),
                    with_all: m.shrunk.rate,
                    is_worse_than_rest: m.worse_than_rest.flag,
                })
                .collect(),
        };
        Ok(Pairings { rows: ranking.rows.into_iter().map(row).collect(), caution: CAUTION.to_owned() })
    }

    pub(crate) fn delays(&self, by: &[Group], limit_ms: Option<f64>) -> Result<Vec<DelayRow>> {
        let by = by.iter().map(|g| (*g).into()).collect();
        let request = DelaysRequest { by, limit_ms, ..DelaysRequest::default() };
        let table = self.read(|ledger| rates::delays(ledger, &request))??;
        let row = |r: rates::DelayRow| DelayRow {
            names: r.names,
            fired: r.figures.fired,
            measured: r.figures.measured,
            bound_ms: r.figures.bound_any_law_ms,
            sentence: r.sentence,
        };
        Ok(table.rows.into_iter().map(row).collect())
    }

    pub(crate) fn compare(&self, group: Group, first: &str, second: &str, measure: Measure) -> Result<Comparison> {
        let request = CompareRequest { measure: measure.into(), ..CompareRequest::of(group.into(), first, second) };
        let found = self.read(|ledger| rates::compare(ledger, &request))??;
        Ok(Comparison {
            first: figures(&found.first.rate),
            second: figures(&found.second.rate),
            shown: found.shown.into(),
            p_value: found.if_circuit.p_value,
            p_method: found.if_circuit.p_method.map(str::to_owned),
            sentences: found.sentences,
        })
    }
}
