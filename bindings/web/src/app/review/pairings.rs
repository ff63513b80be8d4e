//! The pairings, worst first, each measure with its interval and its verdict.

use embertally_core::chart::{Scale, Tone, percent};
use embertally_core::rates::{JudgedRate, Pairing, PairingsRequest, ranking};
use embertally_core::store::Store;
use serde::Serialize;

use super::super::table::{Cell, Table, rate_cells};
use super::super::{App, Now};
use super::{Asked, Figure, figures, heading, tone};
use crate::error::Refused;

/// All pairings as they are shown.
#[derive(Debug, Serialize)]
pub(super) struct Shown {
    /// Where the tolerable rate stands on all bars, from 0 to 1, and its words.
    limit: f64,
    limit_words: String,
    end_words: String,
    rows: Vec<Row>,
    /// What all pairings together show, a sentence a measure.
    together: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Row {
    lot: Option<String>,
    fuse: Option<String>,
    verdict: &'static str,
    class: &'static str,
    icon: String,
    sentence: String,
    past_use_by: Option<String>,
    clean_shots_needed: Option<u64>,
    measures: Vec<MeasureRow>,
}

/// One measure of a pairing; places are on the common axis, from 0 to 1.
#[derive(Debug, Serialize)]
struct MeasureRow {
    measure: &'static str,
    verdict: &'static str,
    class: &'static str,
    counts: String,
    open: u64,
    rate: String,
    interval: String,
    above: String,
    together: String,
    worse_than_rest: bool,
    low_at: f64,
    high_at: f64,
    rate_at: Option<f64>,
}

fn measure_row(one: &JudgedRate, scale: Scale) -> MeasureRow {
    let drawn = figures(&one.rate);
    MeasureRow {
        measure: one.measure,
        verdict: one.judged.verdict.words(),
        class: tone(one.judged.verdict).class(),
        counts: drawn.counts(),
        open: one.rate.unresolved,
        rate: one.rate.rate.map_or_else(|| "–".to_owned(), percent),
        interval: format!("{} to {}", percent(drawn.low), percent(drawn.high)),
        above: percent(one.judged.probability_above),
        together: percent(one.shrunk.rate),
        worse_than_rest: one.worse_than_rest.flag,
        low_at: scale.place(drawn.low),
        high_at: scale.place(drawn.high),
        rate_at: one.rate.rate.map(|r| scale.place(r)),
    }
}

fn request(asked: &Asked, now: Option<Now>) -> PairingsRequest {
    PairingsRequest {
        // Both measures side by side, or the one that was asked for.
        measure: asked.measures.first().copied().filter(|_| asked.measures.len() == 1),
        method: asked.method,
        level: asked.level,
        rules: asked.rules,
        only: asked.only.clone(),
        today: now.and_then(|n| n.0.date()),
    }
}

impl<S: Store> App<S> {
    pub(super) fn pairings(&self, asked: &Asked, now: Now) -> Result<Shown, Refused> {
        let found = ranking(&self.ledger, &request(asked, Some(now)))?;
        let drawn: Vec<_> = found.rows.iter().flat_map(|p| &p.measures).map(|m| figures(&m.rate)).collect();
        let scale = Scale::holding(&drawn, asked.rules.tolerable);
        let row = |p: &Pairing| Row {
            lot: p.lot.clone(),
            fuse: p.fuse.clone(),
            verdict: p.verdict.words(),
            class: tone(p.verdict).class(),
            icon: tone(p.verdict).icon(),
            sentence: p.sentence.clone(),
            past_use_by: p.past_use_by.clone(),
            clean_shots_needed: p.clean_shots_needed,
            measures: p.measures.iter().map(|m| measure_row(m, scale)).collect(),
        };
        let together = found.together.iter().map(|t| {
            format!(
                "{}: all together fail at {}, which may be anything from {} to {}.",
                t.measure,
                percent(t.mean),
                percent(t.mean_low),
                percent(t.mean_high)
            )
        });
        Ok(Shown {
            limit: scale.place(asked.rules.tolerable),
            limit_words: percent(asked.rules.tolerable),
            end_words: percent(scale.ceiling()),
            rows: found.rows.iter().map(row).collect(),
            together: together.collect(),
        })
    }

    /// The pairings as one table.
    pub(super) fn pairing_tables(&self, asked: &Asked) -> Result<Vec<Figure>, Refused> {
        let found = ranking(&self.ledger, &request(asked, None))?;
        let mut table = Table::new("Pairings, worst first")
            .texts(&[("lot", "lot"), ("fuse", "fuse"), ("verdict", "verdict"), ("measure", "measure")])
            .rate()
            .numbers(&[("chance above", "probability_above"), ("with all", "shrunk_rate")]);
        for p in &found.rows {
            for m in &p.measures {
                let mut cells = vec![
                    Cell::name(p.lot.as_deref(), "lot not named"),
                    Cell::name(p.fuse.as_deref(), "no fuse"),
                    Cell::text(m.judged.verdict.words()),
                    Cell::text(m.measure),
                ];
                cells.extend(rate_cells(&m.rate));
                cells.extend([Cell::share(Some(m.judged.probability_above)), Cell::share(Some(m.shrunk.rate))]);
                table.row(cells);
            }
        }
        Ok(vec![Figure {
            heading: "Pairings".to_owned(),
            words: Vec::new(),
            drawing: None,
            key: None,
            table: Some(table),
        }])
    }
}

/// The heading of a measure's figure.
pub(super) fn titled(measure: embertally_core::ledger::Measure, what: &str) -> String {
    format!("{}, {what}", heading(measure))
}

/// The tone of a line where nothing is judged.
pub(super) const PLAIN: Tone = Tone::Plain;
