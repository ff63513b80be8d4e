//! The review desk: each section as figures, each figure a drawing, its words and its table.

mod disputes;
mod pairings;
mod rates;
mod times;

use embertally_core::chart::{Figures, Layout, Tone};
use embertally_core::facts::RegisterId;
use embertally_core::ledger::Measure;
use embertally_core::rates::{Group, Rate, Rules, Verdict};
use embertally_core::store::Store;
use embertally_stats::IntervalMethod;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::names::name_of;
use super::table::Table;
use super::{App, CAUTIONS, Now, said};
use crate::error::Refused;

/// What is asked of the review desk: all of it stands in the page's address.
#[derive(Debug, Clone, Deserialize)]
pub(super) struct ReviewRequest {
    section: String,
    #[serde(default)]
    only: Vec<(String, String)>,
    measure: Option<String>,
    tolerable: Option<f64>,
    interval: Option<String>,
    along: Option<String>,
    #[serde(default)]
    narrow: bool,
}

/// What is asked for as a file: one figure of a section.
#[derive(Debug, Deserialize)]
pub(super) struct CsvRequest {
    #[serde(flatten)]
    review: ReviewRequest,
    figure: usize,
}

/// The request, read.
pub(super) struct Asked {
    only: Vec<(Group, String)>,
    measures: Vec<Measure>,
    rules: Rules,
    method: IntervalMethod,
    level: f64,
    layout: Layout,
}

/// One figure.
#[derive(Debug, Serialize)]
pub(super) struct Figure {
    heading: String,
    words: Vec<String>,
    /// SVG or HTML made by the core; texts of others in it are escaped.
    drawing: Option<String>,
    /// What its marks mean, likewise.
    key: Option<String>,
    table: Option<Table>,
}

impl ReviewRequest {
    fn read(&self) -> Result<Asked, Refused> {
        let only = self.only.iter().map(|(g, name)| Ok((g.parse::<Group>()?, name.clone())));
        let only = only.collect::<Result<Vec<_>, Refused>>()?;
        let measures = match self.measure.as_deref() {
            None | Some("") => vec![Measure::Ignition, Measure::Transfer],
            Some(word) => vec![word.parse().map_err(|_| Refused::entry(format!("{word:?} is no measure.")))?],
        };
        let tolerable = self.tolerable.unwrap_or(Rules::default().tolerable);
        if !(tolerable > 0.0 && tolerable < 1.0) {
            return Err(Refused::entry("What is tolerable is a share between 0 and 100 %, both left out."));
        }
        let method = match self.interval.as_deref() {
            None | Some("") => IntervalMethod::Exact,
            Some(word) => word.parse().map_err(|_| Refused::entry(format!("{word:?} is no kind of interval.")))?,
        };
        let layout = if self.narrow { Layout::Narrow } else { Layout::Wide };
        Ok(Asked { only, measures, rules: Rules { tolerable, ..Rules::default() }, method, level: 0.95, layout })
    }
}

impl<S: Store> App<S> {
    fn figures(&self, request: &ReviewRequest, asked: &Asked) -> Result<Vec<Figure>, Refused> {
        match request.section.as_str() {
            "pairings" => self.pairing_tables(asked),
            "forest" => self.forest(asked),
            "heat" => self.heat(asked),
            "weather" => self.by_weather(asked),
            "delays" => self.delays(asked),
            "trend" => self.trends(asked, request.along.as_deref()),
            "volleys" => Ok(self.volley_drawings()),
            "disputes" => Ok(vec![self.dispute_table()]),
            other => Err(Refused::entry(format!("The review desk has no section {other:?}."))),
        }
    }

    pub(super) fn review(&self, request: &ReviewRequest, now: Now) -> Result<String, Refused> {
        #[derive(Serialize)]
        struct Answer {
            section: String,
            cautions: [&'static str; 3],
            incomplete: Vec<String>,
            shots: usize,
            tolerable: f64,
            figures: Vec<Figure>,
            pairings: Option<pairings::Shown>,
            disputes: Option<Value>,
        }
        let asked = request.read()?;
        let is = |section: &str| request.section == section;
        let pairings = if is("pairings") { Some(self.pairings(&asked, now)?) } else { None };
        let figures = if is("pairings") { Vec::new() } else { self.figures(request, &asked)? };
        said(&Answer {
            section: request.section.clone(),
            cautions: CAUTIONS,
            incomplete: self.problems(),
            shots: self.ledger.columns().len(),
            tolerable: asked.rules.tolerable,
            figures,
            pairings,
            disputes: is("disputes").then(|| self.disputes()),
        })
    }

    pub(super) fn csv(&self, request: &CsvRequest, _now: Now) -> Result<Value, Refused> {
        let figures = self.figures(&request.review, &request.review.read()?)?;
        let table = figures.get(request.figure).and_then(|f| f.table.as_ref());
        let table = table.ok_or_else(|| Refused::entry("There is no such table."))?;
        let name = format!("embertally-{}-{}.csv", request.review.section, request.figure + 1);
        Ok(json!({ "name": name, "text": table.csv() }))
    }

    /// Returns the names that filters may take.
    pub(super) fn filters(&self) -> Value {
        let register = self.ledger.register();
        let names = |ids: Vec<RegisterId>| {
            let mut names: Vec<String> = ids.into_iter().map(|id| name_of(&self.ledger, id)).collect();
            names.sort();
            names
        };
        json!({
            "lot": names(register.lots().iter().map(|(id, _)| RegisterId::Lot(id)).collect()),
            "fuse": names(register.fuses().iter().map(|(id, _)| RegisterId::Fuse(id)).collect()),
            "outing": names(register.outings().iter().map(|(id, _)| RegisterId::Outing(id)).collect()),
            "module": names(register.modules().iter().map(|(id, _)| RegisterId::Module(id)).collect()),
            "measure": Measure::ALL.iter().map(|m| m.word()).collect::<Vec<_>>(),
        })
    }
}

/// What a measure counts, as a heading.
fn heading(measure: Measure) -> &'static str {
    match measure {
        Measure::Ignition => "Ignition",
        Measure::Slow => "Slow",
        Measure::Transfer => "Transfer",
        Measure::EndToEnd => "End to end",
        Measure::Raw => "Raw",
    }
}

/// What a measure counts, in words.
fn counts(measure: Measure) -> &'static str {
    match measure {
        Measure::Ignition => "Igniters that failed by themselves, of those that had their pulse.",
        Measure::Slow => "Igniters that fired late, of those that fired.",
        Measure::Transfer => "Fuses that were not lit, of those whose igniter fired.",
        Measure::EndToEnd => "Shots at a fuse that did not light it.",
        Measure::Raw => "Pulses that did not fire the igniter, whatever the cause.",
    }
}

/// Returns a rate's numbers as charts take them.
fn figures(rate: &Rate) -> Figures {
    let (low, high) = rate.shown();
    Figures {
        failures: rate.failures,
        shots: rate.shots,
        unresolved: rate.unresolved,
        rate: rate.rate,
        low,
        high,
        if_circuit: rate.rate_if_circuit,
        if_igniter: rate.rate_if_igniter,
    }
}

fn tone(verdict: Verdict) -> Tone {
    match verdict {
        Verdict::Use => Tone::Use,
        Verdict::TestMore => Tone::TestMore,
        Verdict::Restrict => Tone::Restrict,
        Verdict::SetAside => Tone::SetAside,
    }
}
