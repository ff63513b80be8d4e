//! Delays, trends, and the volleys that fired in part.

use embertally_core::chart::{CurveChart, IntervalLine, curve_chart, volley_svg};
use embertally_core::facts::{Ignition, ShotId};
use embertally_core::ledger::VolleyView;
use embertally_core::rates::{Counts, DelayRow, DelaysRequest, Quantity, Rate, TrendRequest, delays, trend};
use embertally_core::store::Store;

use super::super::App;
use super::super::field::drawn as drawn_volley;
use super::super::table::{Cell, Table, rate_cells};
use super::pairings::{PLAIN, titled};
use super::rates::drawn;
use super::{Asked, Figure, figures};
use crate::error::Refused;

/// The most volleys that are drawn.
const MOST_VOLLEYS: usize = 24;

impl<S: Store> App<S> {
    pub(super) fn delays(&self, asked: &Asked) -> Result<Vec<Figure>, Refused> {
        let request = DelaysRequest { only: asked.only.clone(), level: asked.level, ..DelaysRequest::default() };
        let found = delays(&self.ledger, &request)?;
        let measured = found.rows.iter().filter(|r| r.figures.measured > 0);
        Ok(measured.map(|row| of_delays(row, asked)).collect())
    }

    pub(super) fn trends(&self, asked: &Asked, along: Option<&str>) -> Result<Vec<Figure>, Refused> {
        let quantities: Vec<Quantity> = match along {
            None | Some("") => Quantity::ALL.to_vec(),
            Some(word) => vec![word.parse()?],
        };
        let mut all = Vec::new();
        for measure in asked.measures.iter().copied() {
            for along in quantities.iter().copied() {
                let request = TrendRequest { along, measure, level: asked.level, only: asked.only.clone() };
                let found = trend(&self.ledger, &request)?;
                let heading = titled(measure, &format!("along the {}", along.word()));
                let mut table = Table::new(heading.clone()).numbers(&[("score", "score")]).rate();
                let mut lines = Vec::new();
                for group in &found.groups {
                    let good = group.shots - group.failures - group.unresolved;
                    let counts = Counts { good, failures: group.failures, unresolved: group.unresolved };
                    let rate = Rate::new(counts, asked.method, asked.level)?;
                    let mut cells = vec![Cell::number(Some(group.score), 2)];
                    cells.extend(rate_cells(&rate));
                    table.row(cells);
                    let label = format!("{:.1} {}", group.score, found.unit);
                    lines.push(IntervalLine { label, sub_label: String::new(), figures: figures(&rate), tone: PLAIN });
                }
                let mut words = vec![found.sentence.clone()];
                if found.left_out > 0 {
                    words.push(format!("Left out: {} shots of which the log does not say it.", found.left_out));
                }
                let (drawing, _) = drawn(heading.clone(), lines, asked);
                all.push(Figure { heading, words, drawing, key: None, table: Some(table) });
            }
        }
        Ok(all)
    }

    /// The latest volleys of several igniters of which some failed; each real volley once.
    pub(super) fn volley_drawings(&self) -> Vec<Figure> {
        let has_failed = |view: &VolleyView<'_>| {
            let positions = (1..=u16::MAX).take(view.volley.shots.len());
            let mut shots = positions.filter_map(|position| self.ledger.finding(ShotId { volley: view.id, position }));
            // The volley that gives the shots their ids stands for those of other devices.
            shots.any(|s| s.id.volley == view.id && s.finding.ignition.settled() == Some(Ignition::Failed))
        };
        let mut found: Vec<_> = self.ledger.volleys().filter(|v| v.volley.shots.len() > 1 && has_failed(v)).collect();
        found.sort_by_key(|v| std::cmp::Reverse((v.volley.at.unwrap_or(v.written).unix_ms, v.id)));
        let figure = |view: &VolleyView<'_>| {
            let volley = drawn_volley(&self.ledger, view);
            let mut table = Table::new(volley.title.clone()).texts(&[
                ("string", "string"),
                ("igniter", "igniter"),
                ("state", "state"),
                ("booked to", "cause"),
            ]);
            for (string, shots) in volley.strings.iter().enumerate() {
                for shot in shots {
                    let state = match shot.state {
                        embertally_core::chart::ShotState::Fired => "fired",
                        embertally_core::chart::ShotState::Failed => "failed",
                        embertally_core::chart::ShotState::Open => "open",
                    };
                    table.row(vec![
                        Cell::count(string as u64 + 1),
                        Cell::text(shot.label.clone()),
                        Cell::text(state),
                        Cell::text(shot.cause.clone()),
                    ]);
                }
            }
            Figure {
                heading: volley.title.clone(),
                words: Vec::new(),
                drawing: Some(volley_svg(&volley)),
                key: None,
                table: Some(table),
            }
        };
        found.iter().take(MOST_VOLLEYS).map(figure).collect()
    }
}

fn of_delays(row: &DelayRow, asked: &Asked) -> Figure {
    let name = row.names.first().cloned().flatten().unwrap_or_else(|| "lot not named".to_owned());
    let numbers = &row.figures;
    let heading = format!("Delays of {name}");
    let mut left = 1.0;
    let mut table = Table::new(heading.clone()).numbers(&[
        ("from, ms", "low_ms"),
        ("to, ms", "high_ms"),
        ("share", "mass"),
        ("still to come", "left"),
    ]);
    let mut steps = Vec::new();
    for mass in &numbers.turnbull {
        left = f64::max(left - mass.mass, 0.0);
        steps.push((mass.low_ms, mass.high_ms, left));
        table.row(vec![
            Cell::number(Some(mass.low_ms), 1),
            Cell::number(Some(mass.high_ms), 1),
            Cell::share(Some(mass.mass)),
            Cell::share(Some(left)),
        ]);
    }
    let mut words = vec![row.sentence.clone()];
    words.extend(numbers.not_said.iter().map(|reason| format!("Not said: {reason}.")));
    let chart = CurveChart {
        title: format!("Share of shots of {name} still to come after a delay"),
        axis_word: "delay, ms".to_owned(),
        curve: numbers.fits.first().map(|f| f.curve.clone()).unwrap_or_default(),
        steps,
        mark: numbers.slow.map(|s| (s.limit_ms, format!("slow from {} ms", s.limit_ms))),
        layout: asked.layout,
        ..CurveChart::default()
    };
    Figure { heading, words, drawing: Some(curve_chart(&chart)), key: None, table: Some(table) }
}
