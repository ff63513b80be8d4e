//! An invented crew's report, for tests. No lot, place or person here is real.

use embertally_core::chart::{
    CurveChart, DrawnShot, DrawnVolley, Figures, ForestLine, HeatTable, IntervalLine, ShotState, ShrinkageLine, Tone,
};
use embertally_stats::{IntervalMethod, binomial_interval, probability_rate_above};

use super::data::*;

/// Returns figures as the rates module would make them.
pub(super) fn figures(failures: u64, shots: u64, unresolved: u64) -> Figures {
    let settled = shots - unresolved;
    let share = |part: u64, whole: u64| (whole > 0).then(|| part as f64 / whole as f64);
    let interval = |x, n| binomial_interval(IntervalMethod::Exact, x, n, 0.95).unwrap();
    let (circuit, igniter) = (interval(failures, settled), interval(failures + unresolved, shots));
    Figures {
        failures,
        shots,
        unresolved,
        rate: share(failures, settled),
        low: circuit.low.min(igniter.low),
        high: circuit.high.max(igniter.high),
        if_circuit: share(failures, settled),
        if_igniter: share(failures + unresolved, shots),
    }
}

/// Failures, shots, unresolved.
type Counts = (u64, u64, u64);

/// Lot, fuse, then ignition and transfer.
type Row = (&'static str, &'static str, Counts, Counts);

const VISCO: &str = "visco 2 mm, green";
const TIME_FUSE: &str = "time fuse, tarred";
const BLACK_MATCH: &str = "black match, bare";
const QUICKMATCH: &str = "quickmatch in a paper pipe, tied twice and taped";

const ROWS: [Row; 8] = [
    ("TW-31", TIME_FUSE, (0, 252, 0), (41, 252, 1)),
    ("KB-088", VISCO, (9, 48, 0), (2, 39, 0)),
    ("TW-31", VISCO, (0, 140, 0), (4, 140, 0)),
    ("KB-104", VISCO, (1, 64, 9), (0, 54, 0)),
    ("SN-7", TIME_FUSE, (0, 4, 4), (0, 0, 0)),
    ("KB-104", BLACK_MATCH, (0, 8, 0), (0, 8, 0)),
    ("KB-104", QUICKMATCH, (1, 410, 0), (2, 409, 0)),
    ("SN-7", QUICKMATCH, (0, 190, 0), (0, 190, 0)),
];

fn triple((failures, shots, unresolved): Counts) -> Figures {
    figures(failures, shots, unresolved)
}

/// The chance that the true rate is above 2 %, and the verdict on it.
fn judged((failures, shots, unresolved): Counts) -> (f64, Tone) {
    let above = |x, n| probability_rate_above(x, n, 0.02).unwrap();
    let (circuit, igniter) = (above(failures, shots - unresolved), above(failures + unresolved, shots));
    let tone = match (failures, circuit.min(igniter), circuit.max(igniter)) {
        (1.., best, _) if best >= 0.95 => Tone::SetAside,
        (1.., best, _) if best >= 0.5 => Tone::Restrict,
        (_, _, worst) if worst <= 0.05 => Tone::Use,
        _ => Tone::TestMore,
    };
    (circuit, tone)
}

fn pairing((lot, fuse, ignition, transfer): Row) -> PairingText {
    let numbers = |measure: &str, counts| {
        let (probability_above, verdict) = judged(counts);
        MeasureNumbers { measure: measure.to_owned(), figures: triple(counts), verdict, probability_above }
    };
    let measures = vec![numbers("ignition", ignition), numbers("transfer", transfer)];
    let place = |t: Tone| Tone::VERDICTS.iter().position(|v| *v == t);
    let worst = measures.iter().min_by_key(|m| place(m.verdict)).unwrap().clone();
    let what = if worst.measure == "ignition" { "igniters failed" } else { "fuses were not lit" };
    let f = worst.figures;
    PairingText {
        lot: lot.to_owned(),
        fuse: Some(fuse.to_owned()),
        verdict: worst.verdict,
        sentence: format!(
            "{} of {} {what}; the true rate lies between {:.1} % and {:.0} % (95 % interval). The chance that it is \
             above 2.0 % is {:.0} %: {}.",
            f.failures,
            f.settled(),
            f.low * 100.0,
            f.high * 100.0,
            worst.probability_above * 100.0,
            worst.verdict.words()
        ),
        past_use_by: (lot == "KB-088").then(|| "2035-06-30".to_owned()),
        clean_shots_needed: (worst.verdict == Tone::TestMore).then_some(88),
        measures,
    }
}

fn charts(measure: &str, counts: &str, pick: impl Fn(&Row) -> Counts) -> MeasureCharts {
    let line = |row: &Row| IntervalLine {
        label: row.0.to_owned(),
        sub_label: row.1.to_owned(),
        figures: triple(pick(row)),
        tone: judged(pick(row)).1,
    };
    let unique = |of: fn(&Row) -> &'static str| {
        let mut all: Vec<String> = ROWS.iter().map(|r| of(r).to_owned()).collect();
        all.sort();
        all.dedup();
        all
    };
    let columns = unique(|r| r.1);
    let cell = |lot: &str, fuse: &str| ROWS.iter().find(|r| r.0 == lot && r.1 == fuse).map(|r| triple(pick(r)));
    let rows = unique(|r| r.0).into_iter().map(|lot| {
        let cells = columns.iter().map(|fuse| cell(&lot, fuse)).collect();
        (lot, cells)
    });
    MeasureCharts {
        measure: measure.to_owned(),
        counts: counts.to_owned(),
        lines: ROWS.iter().map(line).collect(),
        heat: HeatTable { row_word: "lot".to_owned(), rows: rows.collect(), columns, ..HeatTable::default() },
    }
}

fn rates(caption: &str, pick: impl Fn(&Row) -> Counts) -> RatesTable {
    let row = |r: &Row, weather: Option<&str>| RatesRow {
        names: vec![Some(r.0.to_owned()), Some(r.1.to_owned()), weather.map(str::to_owned)],
        figures: triple(pick(r)),
    };
    RatesTable {
        caption: caption.to_owned(),
        heads: ["lot", "fuse", "weather"].map(str::to_owned).to_vec(),
        rows: ROWS.iter().flat_map(|r| [row(r, Some("wet, 10 to 20 °C")), row(r, None)]).collect(),
    }
}

fn live(shot: &str, fuse: Option<&str>, place: &str, why: &str) -> LiveRow {
    LiveRow {
        shot: shot.to_owned(),
        fuse: fuse.map(str::to_owned),
        place: place.to_owned(),
        when: "Lantern night, 21:14".to_owned(),
        why: why.to_owned(),
    }
}

/// Returns the whole sample.
pub(super) fn sample() -> ReportData {
    let texts = |all: &[&str]| all.iter().map(|t| (*t).to_owned()).collect::<Vec<_>>();
    ReportData {
        title: "What the igniters of the Wren Hollow crew have shown".to_owned(),
        made_at: "3 May 2036, 09:20".to_owned(),
        invented: true,
        summary: Summary { outings: 2, volleys: 118, shots: 816, devices: 4, observers: 4 },
        tolerable: 0.02,
        pairings: ROWS.into_iter().map(pairing).collect(),
        kept_apart: 0,
        live: vec![
            live("KB-088 no. 7", Some("visco 2 mm, green"), "north box, channel 3, position 4", "failed to fire"),
            live("TW-31 no. 212", Some("time fuse, tarred"), "south box, channel 11", "fired, fuse not lit"),
            live("SN-7 no. 3", None, "north box, channel 5, position 1", "failed, string broke"),
        ],
        cautions: texts(&[
            "Treat every shot that failed or whose fuse was not lit as live.",
            "Wait the time that the site's rules give before anybody approaches, approach as the person in charge \
             directs, and follow local codes, the maker's instructions and licensed practice.",
            "No number here is a permission.",
        ]),
        together: vec![TogetherChart {
            measure: "ignition".to_owned(),
            mean: 0.04,
            words: "All together fail at 4 %.".to_owned(),
            lines: vec![ShrinkageLine {
                label: "KB-088".to_owned(),
                sub_label: "visco 2 mm, green".to_owned(),
                own: Some(0.125),
                drawn: figures(3, 24, 0),
                worse: true,
            }],
        }],
        models: vec![ModelChart {
            measure: "ignition".to_owned(),
            words: "Against lot TW-31.".to_owned(),
            lines: vec![ForestLine {
                label: "KB-088".to_owned(),
                sub_label: "lot".to_owned(),
                value: 4.0,
                low: Some(1.5),
                high: None,
                words: "4.00 (1.50 to no bound)".to_owned(),
            }],
        }],
        charts: vec![
            charts("ignition", "Igniters that failed by themselves, of those that were tried", |r| r.2),
            charts("transfer", "Fuses that were not lit, of those whose igniter fired", |r| r.3),
        ],
        curves: vec![CurveText {
            heading: "Delays of KB-104".to_owned(),
            sentences: texts(&["KB-104: 64 of 64 shots that fired were timed."]),
            chart: CurveChart {
                title: "Delays of KB-104".to_owned(),
                axis_word: "delay, ms".to_owned(),
                curve: vec![(10.0, 0.99), (40.0, 0.5), (90.0, 0.02)],
                steps: vec![(25.0, 33.0, 0.6), (41.0, 50.0, 0.0)],
                mark: Some((150.0, "limit 150 ms".to_owned())),
                ..CurveChart::default()
            },
        }],
        rates: vec![
            rates("Ignition by lot, fuse and weather", |r| r.2),
            rates("Transfer by lot, fuse and weather", |r| r.3),
        ],
        volleys: vec![DrawnVolley {
            title: "Volley 0c07398f, series".to_owned(),
            strings: vec![vec![DrawnShot {
                label: "SN-7 3".to_owned(),
                state: ShotState::Failed,
                cause: "unresolved".to_owned(),
            }]],
        }],
        volleys_left_out: 0,
        disputes: vec![DisputeText {
            about: "TW-31 no. 44, volley 17, whether its fuse was lit".to_owned(),
            said: texts(&["Ilse on the blue phone: lit", "Bram on the tablet: not lit, “only smoke”"]),
        }],
        method: Method {
            interval: "exact (Clopper–Pearson)".to_owned(),
            level: 0.95,
            set_aside_from: 0.95,
            restrict_from: 0.5,
            use_up_to: 0.05,
            weather_bands: [
                ("temperature", "0, 10, 20, 30 °C"),
                ("humidity", "50, 70, 85 %"),
                ("wet", "anything falls"),
            ]
            .map(|(a, b)| (a.to_owned(), b.to_owned()))
            .to_vec(),
            notes: texts(&["Each pairing is judged by itself; no other pairing lends it strength."]),
        },
    }
}
