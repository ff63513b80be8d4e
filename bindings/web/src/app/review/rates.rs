//! Rates drawn: the forest of pairings and of what failures go with, the heat table, the weather strata.

use embertally_core::chart::{
    Figures, ForestChart, ForestLine, HeatTable, IntervalChart, IntervalLine, Scale, forest_chart, heat_key,
    heat_table, interval_chart, interval_key,
};
use embertally_core::ledger::{Measure, WeatherField};
use embertally_core::rates::{Group, ModelRequest, Quantity, RateTable, RatesRequest, Term, judge, model, rates};
use embertally_core::store::Store;

use super::super::App;
use super::super::table::{Cell, Table, rate_cells};
use super::pairings::{PLAIN, titled};
use super::{Asked, Figure, counts, figures, tone};
use crate::error::Refused;

/// The most lines that are drawn in one figure; the table has all.
const MOST_LINES: usize = 60;

fn odds(value: f64) -> String {
    match value {
        0.0 => "0".to_owned(),
        v if v < 0.01 => format!("{v:.4}"),
        v if v > 9999.0 => "over 9999".to_owned(),
        v if v >= 1000.0 => format!("{v:.0}"),
        v => format!("{v:.2}"),
    }
}

/// A table of rates with the columns of its groups.
fn rates_table(found: &RateTable, caption: String) -> Table {
    let columns: Vec<(&'static str, &'static str)> = found.request.by.iter().map(|g| (g.word(), g.word())).collect();
    let mut table = Table::new(caption).texts(&columns).rate();
    for row in &found.rows {
        let mut cells: Vec<Cell> = row.names.iter().map(|n| Cell::name(n.as_deref(), "not stated")).collect();
        cells.extend(rate_cells(&row.rate));
        table.row(cells);
    }
    table
}

/// Draws lines on an axis that holds them all.
pub(super) fn drawn(title: String, lines: Vec<IntervalLine>, asked: &Asked) -> (Option<String>, Option<String>) {
    if lines.is_empty() {
        return (None, None);
    }
    let lines: Vec<IntervalLine> = lines.into_iter().take(MOST_LINES).collect();
    let tolerable = asked.rules.tolerable;
    let scale = Scale::holding(lines.iter().map(|l| &l.figures), tolerable);
    let chart = IntervalChart { title, lines, tolerable, scale, layout: asked.layout };
    (Some(interval_chart(&chart)), Some(interval_key(tolerable)))
}

impl<S: Store> App<S> {
    fn rates_by(&self, asked: &Asked, measure: Measure, by: Vec<Group>) -> Result<RateTable, Refused> {
        let (method, level, only) = (asked.method, asked.level, asked.only.clone());
        Ok(rates(&self.ledger, &RatesRequest { by, measure, method, level, only, ..RatesRequest::default() })?)
    }

    pub(super) fn forest(&self, asked: &Asked) -> Result<Vec<Figure>, Refused> {
        let mut all = Vec::new();
        for measure in asked.measures.iter().copied() {
            let found = self.rates_by(asked, measure, vec![Group::Lot, Group::Fuse])?;
            let line = |row: &embertally_core::rates::RateRow| IntervalLine {
                label: row.names.first().cloned().flatten().unwrap_or_else(|| "lot not named".to_owned()),
                sub_label: row.names.get(1).cloned().flatten().unwrap_or_else(|| "no fuse".to_owned()),
                figures: figures(&row.rate),
                tone: judge(&row.rate, &asked.rules).map_or(PLAIN, |j| tone(j.verdict)),
            };
            let title = titled(measure, "by lot and fuse");
            let (drawing, key) = drawn(title.clone(), found.rows.iter().map(line).collect(), asked);
            let table = Some(rates_table(&found, title.clone()));
            all.push(Figure { heading: title, words: vec![counts(measure).to_owned()], drawing, key, table });
        }
        for measure in asked.measures.iter().copied() {
            all.push(self.goes_with(asked, measure));
        }
        Ok(all)
    }

    /// What failures go with; a model that cannot be fitted says why.
    fn goes_with(&self, asked: &Asked, measure: Measure) -> Figure {
        let terms = vec![
            Term::Kind(Group::Lot),
            Term::Kind(Group::Fuse),
            Term::Kind(Group::Part(WeatherField::Wet)),
            Term::Number(Quantity::Temperature),
        ];
        let heading = titled(measure, "what failures go with");
        let request = ModelRequest { measure, terms, level: asked.level, only: asked.only.clone(), at: Vec::new() };
        let found = match model(&self.ledger, &request) {
            Ok(found) => found,
            Err(error) => {
                let words = vec![Refused::entry(format!("No model: {error}.")).text];
                return Figure { heading, words, drawing: None, key: None, table: None };
            }
        };
        let bound = |end: Option<f64>| end.map_or_else(|| "no bound".to_owned(), odds);
        let coefficients = &found.if_circuit.coefficients;
        let name = |c: &embertally_core::rates::Coefficient| {
            c.kind.clone().or_else(|| c.per.as_ref().map(|p| format!("{p} more"))).unwrap_or_default()
        };
        let lines = coefficients.iter().map(|c| ForestLine {
            label: name(c),
            sub_label: c.term.to_owned(),
            value: c.odds_ratio,
            low: c.low,
            high: c.high,
            words: format!("{} ({} to {})", odds(c.odds_ratio), bound(c.low), bound(c.high)),
        });
        let references: Vec<String> = found.references.iter().map(|r| format!("{} {}", r.term, r.at)).collect();
        let mut words = vec![format!(
            "Odds ratios against {}: {} of {} failed, unresolved shots left out. What failures go with need not be why.",
            references.join(", "),
            found.if_circuit.failures,
            found.if_circuit.shots
        )];
        if found.left_out > 0 {
            words.push(format!("Left out: {} shots of which the log does not say all of this.", found.left_out));
        }
        let mut table = Table::new(heading.clone())
            .texts(&[("term", "term"), ("against the reference", "kind")])
            .numbers(&[("odds ratio", "odds_ratio"), ("from", "low"), ("to", "high"), ("p", "p")]);
        for c in coefficients {
            table.row(vec![
                Cell::text(c.term),
                Cell::text(name(c)),
                Cell::number(Some(c.odds_ratio), 2),
                Cell::number(c.low, 2),
                Cell::number(c.high, 2),
                Cell::number(c.p, 4),
            ]);
        }
        let chart = ForestChart { title: heading.clone(), lines: lines.collect(), layout: asked.layout };
        Figure { heading, words, drawing: Some(forest_chart(&chart)), key: None, table: Some(table) }
    }

    pub(super) fn heat(&self, asked: &Asked) -> Result<Vec<Figure>, Refused> {
        let mut all = Vec::new();
        for measure in asked.measures.iter().copied() {
            let found = self.rates_by(asked, measure, vec![Group::Lot, Group::Fuse])?;
            let heading = titled(measure, "lot by fuse");
            let tolerable = asked.rules.tolerable;
            let words =
                vec![format!("{} Tinted against what is tolerable, hatched where little is known.", counts(measure))];
            let heat = HeatTable { caption: heading.clone(), row_word: "Lot".to_owned(), tolerable, ..crossed(&found) };
            let drawing = (!heat.rows.is_empty()).then(|| heat_table(&heat));
            let table = Some(rates_table(&found, heading.clone()));
            all.push(Figure { heading, words, drawing, key: Some(heat_key(tolerable)), table });
        }
        Ok(all)
    }

    pub(super) fn by_weather(&self, asked: &Asked) -> Result<Vec<Figure>, Refused> {
        let mut all = Vec::new();
        for measure in asked.measures.iter().copied() {
            let together = std::iter::once((Group::Weather, "rain and temperature"));
            let alone = [
                (Group::Part(WeatherField::Wet), "rain"),
                (Group::Part(WeatherField::Temperature), "temperature"),
                (Group::Part(WeatherField::Humidity), "humidity"),
                (Group::Part(WeatherField::Wind), "wind"),
            ];
            for (group, word) in together.chain(alone) {
                let found = self.rates_by(asked, measure, vec![group])?;
                let line = |row: &embertally_core::rates::RateRow| IntervalLine {
                    label: row.names.first().cloned().flatten().unwrap_or_else(|| "not stated".to_owned()),
                    sub_label: String::new(),
                    figures: figures(&row.rate),
                    tone: PLAIN,
                };
                let title = titled(measure, &format!("by {word}"));
                let (drawing, key) = drawn(title.clone(), found.rows.iter().map(line).collect(), asked);
                let words = if group == Group::Weather { vec![counts(measure).to_owned()] } else { Vec::new() };
                let key = key.filter(|_| group == Group::Weather);
                let table = Some(rates_table(&found, title.clone()));
                all.push(Figure { heading: title, words, drawing, key, table });
            }
        }
        Ok(all)
    }
}

/// Lots down, fuses across.
fn crossed(found: &RateTable) -> HeatTable {
    let name = |row: &embertally_core::rates::RateRow, at: usize, none: &str| {
        row.names.get(at).cloned().flatten().unwrap_or_else(|| none.to_owned())
    };
    let mut columns: Vec<String> = found.rows.iter().map(|r| name(r, 1, "no fuse")).collect();
    columns.sort();
    columns.dedup();
    let mut rows: Vec<(String, Vec<Option<Figures>>)> = Vec::new();
    for row in &found.rows {
        let (lot, fuse) = (name(row, 0, "lot not named"), name(row, 1, "no fuse"));
        if rows.last().is_none_or(|(last, _)| *last != lot) {
            rows.push((lot, vec![None; columns.len()]));
        }
        let at = columns.iter().position(|c| *c == fuse);
        if let Some(cell) = rows.last_mut().zip(at).and_then(|((_, cells), at)| cells.get_mut(at)) {
            *cell = Some(figures(&row.rate));
        }
    }
    HeatTable { columns, rows, ..HeatTable::default() }
}
