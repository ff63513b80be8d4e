//! The curves of the report: delays of each lot, and what a sampling plan lets through.

use embertally_core::chart::CurveChart;
use embertally_core::ledger::Ledger;
use embertally_core::plan::table_plan;
use embertally_core::rates::{DelayRow, DelaysRequest, Group, delays};
use embertally_stats::{Inspection, InspectionLevel};

use super::rates::rates_error;
use crate::error::CliError;
use crate::output::percent;
use crate::report::CurveText;

/// The AQL, in percent, for which the plan of a lot whose count is known is shown.
const AQL_PERCENT: f64 = 2.5;

/// Returns the curves: lots with delays in order of their names, then lots whose count is known.
pub(super) fn curves(ledger: &Ledger, only: &[(Group, String)]) -> Result<Vec<CurveText>, CliError> {
    let request = DelaysRequest { only: only.to_vec(), ..DelaysRequest::default() };
    let found = delays(ledger, &request).map_err(|e| rates_error(&e))?;
    let mut all: Vec<CurveText> = found.rows.iter().filter(|r| r.figures.measured > 0).map(of_delays).collect();
    let mut lots: Vec<(String, u64)> = ledger
        .register()
        .lots()
        .iter()
        .filter_map(|(_, lot)| Some((lot.value.mark.clone(), u64::from(lot.value.count?))))
        .filter(|(mark, _)| found.rows.iter().any(|r| r.names.first().and_then(Option::as_ref) == Some(mark)))
        .collect();
    lots.sort();
    all.extend(lots.into_iter().filter_map(|(mark, count)| of_plan(&mark, count)));
    Ok(all)
}

fn of_delays(row: &DelayRow) -> CurveText {
    let name = row.names.first().cloned().flatten().unwrap_or_else(|| "lot not named".to_owned());
    let figures = &row.figures;
    let mut left = 1.0;
    let steps = figures.turnbull.iter().map(|m| {
        left = f64::max(left - m.mass, 0.0);
        (m.low_ms, m.high_ms, left)
    });
    let mut sentences = vec![row.sentence.clone()];
    sentences.extend(figures.not_said.iter().map(|reason| format!("Not said: {reason}.")));
    CurveText {
        heading: format!("Delays of {name}"),
        sentences,
        chart: CurveChart {
            title: format!("Share of shots of {name} still to come after a delay"),
            axis_word: "delay, ms".to_owned(),
            curve: figures.fits.first().map(|f| f.curve.clone()).unwrap_or_default(),
            steps: steps.collect(),
            mark: figures.slow.map(|s| (s.limit_ms, format!("slow from {} ms", s.limit_ms))),
            ..CurveChart::default()
        },
    }
}

/// A lot too small for the tables has none.
fn of_plan(mark: &str, count: u64) -> Option<CurveText> {
    let plan = table_plan(count, AQL_PERCENT, InspectionLevel::II, Inspection::Normal).ok()?;
    let curve = plan.operating_characteristic?;
    let sentence = format!(
        "{mark} has {count}: {} at level II and an AQL of {} fires {} and accepts with at most {} failed. A rate of {} is \
         then accepted with 95 %, one of {} with 10 %.",
        plan.source,
        percent(AQL_PERCENT / 100.0),
        plan.shots,
        plan.accept,
        percent(curve.rate_accepted_with_95),
        percent(curve.rate_accepted_with_10),
    );
    Some(CurveText {
        heading: format!("A sampling plan for {mark}"),
        sentences: vec![sentence],
        chart: CurveChart {
            title: format!("Probability that the plan accepts {mark}, by its failure rate"),
            axis_word: "failure rate of the lot".to_owned(),
            curve: curve.curve.iter().map(|p| (p.rate, p.accepts)).collect(),
            mark: Some((AQL_PERCENT / 100.0, format!("AQL {}", percent(AQL_PERCENT / 100.0)))),
            in_percent: true,
            ..CurveChart::default()
        },
    })
}
