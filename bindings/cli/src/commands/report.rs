//! The report page: everything that the log says, in one file.

use embertally_core::chart::{DrawnVolley, Figures, ForestLine, HeatTable, IntervalLine, ShrinkageLine, Tone};
use embertally_core::crew::Paper;
use embertally_core::facts::{Ignition, Moment, ShotId};
use embertally_core::ledger::{Bands, Ledger, LiveReason, LiveShot, Measure, VolleyView, WeatherField};
use embertally_core::rates::{
    Group, ModelRequest, PairingsRequest, Quantity, Ranking, RateTable, RatesRequest, Rules, Term, judge, model,
    ranking, rates,
};
use serde_json::json;

use super::Context;
use super::drawn;
use super::field::{dispute_lines, live_rows};
use super::model::odds;
use super::rates::{only, parsed, rates_error, rules};
use super::target::Target;
use crate::args::ReportArgs;
use crate::error::{CliError, file_error};
use crate::figures::{figures, tone};
use crate::names::short_volley;
use crate::output::{CAUTIONS, percent, say};
use crate::report::{
    DisputeText, LiveRow, MeasureCharts, MeasureNumbers, Method, ModelChart, PairingText, RatesRow, RatesTable,
    ReportData, Summary, TogetherChart, page,
};
use crate::session::{Session, now, readable};

/// Signs the page, so that `verify` can tell whether it was altered, and on which seals it rests.
fn signed(session: &mut Session, page: String, ledger: &Ledger) -> Result<String, CliError> {
    let mut seals = Vec::new();
    for (outing, _) in ledger.register().outings().iter() {
        seals.extend(session.log.seals(outing)?.iter().map(|s| (outing, s.digest())));
    }
    let (crew, device, written) = (session.log.crew()?, session.device, now());
    Ok(match session.log.key() {
        Some(key) => Paper { crew, device, key: key.public(), written, seals }.under(&page, key),
        None => page,
    })
}

pub(super) fn report(context: &Context, args: &ReportArgs) -> Result<(), CliError> {
    let request = PairingsRequest {
        measure: None,
        method: parsed(&args.interval.interval)?,
        level: args.interval.level,
        rules: rules(&args.rules),
        only: only(&args.interval)?,
        today: now().date(),
    };
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let mut data = data(&ledger, &request, now(), session.is_invented()?)?;
    data.kept_apart = session.log.apart().iter().map(|a| a.shots).sum();
    let text = signed(&mut session, page(&data), &ledger)?;
    let target = Target::open(session.folder(), &args.out, true)?;
    target.write(|out| out.write_all(text.as_bytes()).map_err(|e| file_error("write", &args.out, &e)))?;
    if context.json {
        return target.answer(json!({ "file": args.out.display().to_string(), "bytes": text.len() }), &session);
    }
    say(&format!("Report written to {} ({} kB); open it in any browser.", target, text.len().div_ceil(1000)));
    Ok(())
}

/// Gathers what the page shows.
pub(crate) fn data(
    ledger: &Ledger,
    request: &PairingsRequest,
    made_at: Moment,
    invented: bool,
) -> Result<ReportData, CliError> {
    let table = |measure: Measure, by: Vec<Group>| {
        let (method, level, only) = (request.method, request.level, request.only.clone());
        rates(ledger, &RatesRequest { by, measure, method, level, only, ..RatesRequest::default() })
            .map_err(|e| rates_error(&e))
    };
    let found = ranking(ledger, request).map_err(|e| rates_error(&e))?;
    let pairings = found
        .rows
        .iter()
        .map(|p| PairingText {
            lot: p.lot.clone().unwrap_or_default(),
            fuse: p.fuse.clone(),
            verdict: tone(p.verdict),
            sentence: p.sentence.clone(),
            past_use_by: p.past_use_by.clone(),
            clean_shots_needed: p.clean_shots_needed,
            measures: p
                .measures
                .iter()
                .map(|m| MeasureNumbers {
                    measure: m.measure.to_owned(),
                    figures: figures(&m.rate),
                    verdict: tone(m.judged.verdict),
                    probability_above: m.judged.probability_above,
                })
                .collect(),
        })
        .collect();
    let charts = [
        (Measure::Ignition, "igniters that failed by themselves, of those that had their pulse"),
        (Measure::Transfer, "fuses that were not lit, of those whose igniter fired"),
    ]
    .into_iter()
    .map(|(measure, counts)| {
        let table = table(measure, vec![Group::Lot, Group::Fuse])?;
        Ok(MeasureCharts {
            measure: measure.word().to_owned(),
            counts: counts.to_owned(),
            lines: lines(&table, &request.rules),
            heat: heat(&table),
        })
    })
    .collect::<Result<Vec<_>, CliError>>()?;
    let by_weather = [Measure::Ignition, Measure::Slow, Measure::Transfer, Measure::EndToEnd, Measure::Raw]
        .into_iter()
        .map(|measure| Ok(rates_table(&table(measure, vec![Group::Lot, Group::Fuse, Group::Weather])?)))
        .collect::<Result<Vec<_>, CliError>>()?;
    let (volleys, volleys_left_out) = volleys(ledger);
    Ok(ReportData {
        title: "What the log says".to_owned(),
        made_at: readable(made_at),
        invented,
        summary: summary(ledger),
        tolerable: request.rules.tolerable,
        pairings,
        kept_apart: 0,
        live: live(ledger),
        cautions: CAUTIONS.iter().map(|c| (*c).to_owned()).collect(),
        charts,
        curves: super::report_curves::curves(ledger, &request.only)?,
        together: together(&found),
        models: models(ledger, request),
        rates: by_weather,
        volleys,
        volleys_left_out,
        disputes: disputes(ledger),
        method: method(ledger.bands(), request),
    })
}

/// Draws the latest volleys of several igniters of which some failed; each real volley once.
fn volleys(ledger: &Ledger) -> (Vec<DrawnVolley>, u64) {
    const MOST: usize = 24;
    let has_failed = |view: &VolleyView<'_>| {
        let positions = (1..=u16::MAX).take(view.volley.shots.len());
        let mut shots = positions.filter_map(|position| ledger.finding(ShotId { volley: view.id, position }));
        // The volley that gives the shots their ids stands for those of other devices.
        shots.any(|s| s.id.volley == view.id && s.finding.ignition.settled() == Some(Ignition::Failed))
    };
    let mut found: Vec<_> = ledger.volleys().filter(|v| v.volley.shots.len() > 1 && has_failed(v)).collect();
    found.sort_by_key(|v| std::cmp::Reverse((v.volley.at.unwrap_or(v.written).unix_ms, v.id)));
    let left_out = found.len().saturating_sub(MOST) as u64;
    (found.iter().take(MOST).map(|v| drawn(ledger, v)).collect(), left_out)
}

/// The pairings seen together, in the order of the verdicts.
fn together(found: &Ranking) -> Vec<TogetherChart> {
    let line = |measure: &str| {
        let of = found.rows.iter().flat_map(|p| p.measures.iter().map(move |m| (p, m)));
        let lines = of.filter(|(_, m)| m.measure == measure).map(|(p, m)| ShrinkageLine {
            label: p.lot.clone().unwrap_or_else(|| "lot not named".to_owned()),
            sub_label: p.fuse.clone().unwrap_or_else(|| "no fuse".to_owned()),
            own: m.rate.rate,
            drawn: Figures { rate: Some(m.shrunk.rate), low: m.shrunk.low, high: m.shrunk.high, ..figures(&m.rate) },
            worse: m.worse_than_rest.flag,
        });
        lines.collect::<Vec<_>>()
    };
    found
        .together
        .iter()
        .map(|t| TogetherChart {
            measure: t.measure.to_owned(),
            mean: t.mean,
            words: format!(
                "All together fail at {}, which may be anything from {} to {}; that weighs as much as {:.0} shots ({:.0} to \
                 {:.0}) of a pairing's own.",
                percent(t.mean),
                percent(t.mean_low),
                percent(t.mean_high),
                t.strength,
                t.strength_low,
                t.strength_high
            ),
            lines: line(t.measure),
        })
        .collect()
}

/// What failures go with; a model that cannot be fitted says why.
fn models(ledger: &Ledger, request: &PairingsRequest) -> Vec<ModelChart> {
    let of = |measure: Measure| {
        let terms = vec![
            Term::Kind(Group::Lot),
            Term::Kind(Group::Fuse),
            Term::Kind(Group::Part(WeatherField::Wet)),
            Term::Number(Quantity::Temperature),
        ];
        let (level, only) = (request.level, request.only.clone());
        let measure_word = measure.word().to_owned();
        match model(ledger, &ModelRequest { measure, terms, level, only, at: Vec::new() }) {
            Ok(found) => {
                let references = found.references.iter().map(|r| format!("{} {}", r.term, r.at)).collect::<Vec<_>>();
                let left_out = match found.left_out {
                    0 => String::new(),
                    n => format!(" Left out: {n} shots of which the log does not say the weather."),
                };
                let bound = |end: Option<f64>| end.map_or_else(|| "no bound".to_owned(), odds);
                let lines = found.if_circuit.coefficients.iter().map(|c| ForestLine {
                    label: c.kind.clone().or_else(|| c.per.as_ref().map(|p| format!("{p} more"))).unwrap_or_default(),
                    sub_label: c.term.to_owned(),
                    value: c.odds_ratio,
                    low: c.low,
                    high: c.high,
                    words: format!("{} ({} to {})", odds(c.odds_ratio), bound(c.low), bound(c.high)),
                });
                ModelChart {
                    measure: measure_word,
                    words: format!(
                        "Against {}: {} of {} failed, unresolved shots left out.{left_out}",
                        references.join(", "),
                        found.if_circuit.failures,
                        found.if_circuit.shots
                    ),
                    lines: lines.collect(),
                }
            }
            Err(error) => ModelChart {
                measure: measure_word,
                words: crate::error::sentence(&format!("no model: {error}")),
                lines: Vec::new(),
            },
        }
    };
    [Measure::Ignition, Measure::Transfer].into_iter().map(of).collect()
}

fn summary(ledger: &Ledger) -> Summary {
    let (mut devices, mut observers) = (std::collections::BTreeSet::new(), std::collections::BTreeSet::new());
    let mut volleys = 0;
    for volley in ledger.volleys() {
        volleys += 1;
        devices.insert(volley.device);
        for seen in &volley.sightings {
            devices.insert(seen.device);
            observers.insert(seen.observer);
        }
    }
    Summary {
        outings: ledger.columns().outings().size() as u64 - 1,
        volleys,
        shots: ledger.columns().len() as u64,
        devices: devices.len() as u64,
        observers: observers.len() as u64,
    }
}

fn lines(table: &RateTable, rules: &Rules) -> Vec<IntervalLine> {
    let line = |row: &embertally_core::rates::RateRow| IntervalLine {
        label: row.names.first().cloned().flatten().unwrap_or_else(|| "lot not named".to_owned()),
        sub_label: row.names.get(1).cloned().flatten().unwrap_or_else(|| "no fuse".to_owned()),
        figures: figures(&row.rate),
        tone: judge(&row.rate, rules).map_or(Tone::Plain, |j| tone(j.verdict)),
    };
    table.rows.iter().map(line).collect()
}

/// Lots down, fuses across.
fn heat(table: &RateTable) -> HeatTable {
    let name = |row: &embertally_core::rates::RateRow, at: usize, none: &str| {
        row.names.get(at).cloned().flatten().unwrap_or_else(|| none.to_owned())
    };
    let mut columns: Vec<String> = table.rows.iter().map(|r| name(r, 1, "no fuse")).collect();
    columns.sort();
    columns.dedup();
    let mut rows: Vec<(String, Vec<Option<Figures>>)> = Vec::new();
    for row in &table.rows {
        let (lot, fuse) = (name(row, 0, "lot not named"), name(row, 1, "no fuse"));
        if rows.last().is_none_or(|(last, _)| *last != lot) {
            rows.push((lot, vec![None; columns.len()]));
        }
        if let (Some((_, cells)), Some(at)) = (rows.last_mut(), columns.iter().position(|c| *c == fuse)) {
            cells[at] = Some(figures(&row.rate));
        }
    }
    HeatTable { row_word: "lot".to_owned(), columns, rows, ..HeatTable::default() }
}

fn rates_table(table: &RateTable) -> RatesTable {
    let caption = match table.request.measure {
        Measure::Ignition => "Ignition: igniters that failed by themselves, of those that had their pulse",
        Measure::Slow => "Slow: igniters that fired late, of those that fired",
        Measure::Transfer => "Transfer: fuses that were not lit, of those whose igniter fired",
        Measure::EndToEnd => "End to end: shots at a fuse that did not light it",
        Measure::Raw => "Raw: pulses that did not fire the igniter, whatever the cause",
    };
    RatesTable {
        caption: caption.to_owned(),
        heads: table.request.by.iter().map(|g| g.word().to_owned()).collect(),
        rows: table.rows.iter().map(|r| RatesRow { names: r.names.clone(), figures: figures(&r.rate) }).collect(),
    }
}

fn live(ledger: &Ledger) -> Vec<LiveRow> {
    let live = ledger.live();
    let shown: Vec<&LiveShot<'_>> = live.iter().filter(|l| l.reason != LiveReason::Unseen).collect();
    live_rows(ledger, &shown)
        .into_iter()
        .zip(&shown)
        .map(|([_, outing, place, position, what, fuse, why], live)| LiveRow {
            shot: what,
            fuse: Some(fuse).filter(|f| !f.is_empty()),
            place: if place.is_empty() {
                format!("position {position}")
            } else {
                format!("{place}, position {position}")
            },
            when: match ledger.register().outings().get(live.shot.outing).and_then(|o| o.value.wait_minutes) {
                Some(wait) => format!("{outing}; its rules say to wait {wait} min"),
                None => outing,
            },
            why,
        })
        .collect()
}

fn disputes(ledger: &Ledger) -> Vec<DisputeText> {
    let text = |[kind, id, field, said]: [String; 4]| DisputeText {
        about: format!("{kind} {id}, {field}"),
        said: said.split("; ").map(str::to_owned).collect(),
    };
    let proposals = ledger.proposals().into_iter().map(|p| DisputeText {
        about: "probably one real volley".to_owned(),
        said: vec![format!("{} and {}", short_volley(p.first), short_volley(p.second)), p.reason().to_owned()],
    });
    dispute_lines(ledger).into_iter().map(text).chain(proposals).collect()
}

fn method(bands: &Bands, request: &PairingsRequest) -> Method {
    let cuts = |field: WeatherField| {
        (1..bands.count(field)).map(|code| bands.name(field, code as u8)).collect::<Vec<_>>().join("; ")
    };
    Method {
        interval: request.method.to_string(),
        level: request.level,
        set_aside_from: request.rules.set_aside_from,
        restrict_from: request.rules.restrict_from,
        use_up_to: request.rules.use_up_to,
        weather_bands: WeatherField::ALL.iter().map(|f| (f.word().to_owned(), cuts(*f))).collect(),
        notes: vec![format!(
            "A shot's weather is what was stated with its volley, else the nearest earlier reading of its outing, at \
             most {} minutes old.",
            bands.max_age_minutes
        )],
    }
}
