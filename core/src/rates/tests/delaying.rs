//! Tests of delays and strengths on small ledgers; the numbers themselves are tested in `embertally-stats`.

use embertally_stats::{CensoredSample, CensoredTime, Law, LogFit, mann_whitney};

use super::*;

/// A lot, low and high end of the delay in µs, strength.
type Seen = (&'static str, Option<(u32, u32)>, Option<u8>);

fn book(volleys: &[&[Seen]]) -> Notebook {
    let mut book = Notebook::new();
    for volley in volleys {
        let lots: Vec<&str> = volley.iter().map(|(lot, ..)| *lot).collect();
        let wiring = if volley.len() > 1 { Wiring::Parallel } else { Wiring::Single };
        let seen = (1..).zip(*volley).map(|(position, (_, delay, strength))| Sighting {
            position,
            ignition: Fired,
            transfer: Lit,
            delay: delay.map(|(low, high)| Delay::stated(low, high).unwrap()),
            strength: *strength,
            cause: None,
            note: None,
        });
        book.log(&lots, wiring, Precipitation::Dry, seen.collect());
    }
    book
}

fn spread_out(lot: &'static str, from: u32, step: u32, n: u32) -> Vec<Seen> {
    (0..n).map(|k| (lot, Some((from + k * step, from + k * step + 8_000)), Some(3))).collect()
}

fn only(table: &DelayTable) -> &DelayFigures {
    assert_eq!(table.rows.len(), 1);
    &table.rows[0].figures
}

#[test]
fn delays_of_a_lot_are_those_of_its_fit() {
    let shots = spread_out("A", 40_000, 3_000, 30);
    let singles: Vec<&[Seen]> = shots.chunks(1).collect();
    let table = delays(&book(&singles).ledger, &DelaysRequest { limit_ms: Some(100.0), ..Default::default() }).unwrap();
    let times: Vec<CensoredTime> =
        (0..30).map(|k| f64::from(40 + 3 * k)).map(|low| CensoredTime::new(low, low + 8.0).unwrap()).collect();
    let fit = LogFit::new(Law::LogNormal, &CensoredSample::new(&times).unwrap()).unwrap();
    let got = only(&table);
    assert_eq!((got.fired, got.measured, got.disputed, got.median_width_ms), (30, 30, 0, Some(8.0)));
    assert_eq!(got.fits[0].bound_ms, Some(fit.quantile_bound(0.95, 0.90).unwrap()));
    assert_eq!(got.fits[0].slower.unwrap().high, Some(fit.slower_than(100.0, 0.95).unwrap().high));
    // From 100 ms on: 100, 103 … 127; across it 94, 97.
    let slow = got.slow.unwrap();
    assert_eq!((slow.surely, slow.possibly), (10, 12));
    // 45 are needed for 95 % at 90 %.
    assert_eq!((got.bound_any_law_ms, got.bound_any_law_takes), (None, 45));
    assert!(got.not_said[0].contains("at least 45"), "{:?}", got.not_said);
    assert!(table.rows[0].sentence.starts_with("A: 30 of 30 shots that fired were timed; 10 of 30 were slower"));
}

#[test]
fn what_was_not_timed_or_lies_together_is_said_and_not_guessed() {
    let unmeasured = only(&delays(&book(&[&[("A", None, None)]]).ledger, &DelaysRequest::default()).unwrap()).clone();
    assert_eq!((unmeasured.fired, unmeasured.measured, unmeasured.fits.len()), (1, 0, 0));
    assert_eq!(unmeasured.not_said, ["no delay was measured"]);
    let together: [&[Seen]; 2] = [&[("A", Some((0, 33_334)), None)], &[("A", Some((0, 33_334)), None)]];
    let table = delays(&book(&together).ledger, &DelaysRequest::default()).unwrap();
    assert!(only(&table).fits.is_empty() && only(&table).not_said[0].contains("have a time in common"));
    let text = table.to_json().to_string();
    assert!(!text.contains("NaN") && text.contains("\"bound_any_law_ms\":null"), "{text}");
    assert!(delays(&Ledger::new(), &DelaysRequest::default()).unwrap().rows.is_empty());
    let odd = DelaysRequest { limit_ms: Some(f64::NAN), ..Default::default() };
    assert!(delays(&Ledger::new(), &odd).is_err());
}

#[test]
fn shots_of_one_volley_give_the_spread() {
    let volley: [&[Seen]; 2] = [
        &[("A", Some((40_000, 40_000)), None), ("A", Some((44_000, 44_000)), None)],
        &[("A", Some((50_000, 50_000)), None), ("A", Some((52_000, 52_000)), None)],
    ];
    let spread = only(&delays(&book(&volley).ledger, &DelaysRequest::default()).unwrap()).spread.unwrap();
    // Squares 8 and 2 over two degrees.
    assert!((spread.deviation_ms - 5.0_f64.sqrt()).abs() < 1e-12);
    assert_eq!((spread.volleys, spread.shots, spread.widest_at_most_ms), (2, 4, 4.0));
}

#[test]
fn slower_lot_is_named_and_equal_ones_are_not_called_equal() {
    let names = ["A".to_owned(), "B".to_owned()];
    let (quick, slow) = (spread_out("A", 40_000, 1_000, 20), spread_out("B", 70_000, 1_000, 20));
    let all: Vec<&[Seen]> = quick.chunks(1).chain(slow.chunks(1)).collect();
    let ask = DelaysRequest::default();
    let found = compare_delays(&book(&all).ledger, Group::Lot, &names, &ask).unwrap();
    assert!(found.shown && found.sentences[0].starts_with("B is slower than A"), "{:?}", found.sentences);
    let ratio = found.tests.unwrap().median_ratio.unwrap();
    assert!(ratio.low < ratio.value && ratio.value < 1.0 && ratio.high.unwrap() < 1.0);
    let alike = spread_out("B", 40_000, 1_000, 20);
    let all: Vec<&[Seen]> = quick.chunks(1).chain(alike.chunks(1)).collect();
    let found = compare_delays(&book(&all).ledger, Group::Lot, &names, &ask).unwrap();
    assert!(!found.shown && found.sentences[0].contains("not the same as no difference"));
    assert!((found.tests.unwrap().log_rank_p - 1.0).abs() < 1e-9);
    let same = ["A".to_owned(), " a".to_owned()];
    assert!(matches!(compare_delays(&book(&all).ledger, Group::Lot, &same, &ask), Err(RatesError::Same { .. })));
}

#[test]
fn stronger_lot_is_named() {
    let weak: Vec<Seen> = [1, 1, 2, 2, 2, 3, 1, 2].map(|s| ("A", None, Some(s))).to_vec();
    let strong: Vec<Seen> = [4, 5, 4, 3, 5, 4, 4, 5].map(|s| ("B", None, Some(s))).to_vec();
    let all: Vec<&[Seen]> = weak.chunks(1).chain(strong.chunks(1)).chain([&[("B", None, None)][..]]).collect();
    let ledger = book(&all).ledger;
    let table = strengths(&ledger, &[Group::Lot], &[], &[]).unwrap();
    assert_eq!(table.rows[0].1, Grades { fired: 8, graded: 8, counts: [3, 4, 1, 0, 0], median: Some(2) });
    assert_eq!((table.rows[1].1.fired, table.rows[1].1.graded, table.rows[1].1.median), (9, 8, Some(4)));
    let names = ["A".to_owned(), "B".to_owned()];
    let found = compare_strengths(&ledger, Group::Lot, &names, 0.95, &[]).unwrap();
    assert_eq!(found.p_value, Some(mann_whitney(&[3, 4, 1, 0, 0], &[0, 0, 1, 4, 3], 0.95).unwrap().p_value));
    assert!(found.shown && found.sentence.starts_with("B is stronger than A"), "{}", found.sentence);
    let ungraded = compare_strengths(
        &book(&[&[("A", None, None)], &[("B", None, Some(3))]]).ledger,
        Group::Lot,
        &names,
        0.95,
        &[],
    )
    .unwrap();
    assert!(!ungraded.shown && ungraded.p_value.is_none());
}

#[test]
fn a_law_is_fitted_to_what_the_frames_of_a_clip_leave() {
    let mut book = Notebook::new();
    let counts = [2_u32, 3, 3, 3, 4, 4, 5, 6];
    for count in counts {
        let delay = Some(Delay::from_clip(10, 10 + count, 30_000).unwrap());
        let seen =
            Sighting { position: 1, ignition: Fired, transfer: Lit, delay, strength: None, cause: None, note: None };
        book.log(&["A"], Wiring::Single, Precipitation::Dry, vec![seen]);
    }
    let got = only(&delays(&book.ledger, &DelaysRequest::default()).unwrap()).clone();
    assert_eq!((got.measured, got.narrowed_for_fits), (8, 8));
    assert!(
        (got.median_width_ms.unwrap() - 2.0 * 1000.0 / 30.0).abs() < 0.01,
        "the interval itself is as wide as ever"
    );
    let frame = 1000.0 / 30.0;
    let half = std::f64::consts::FRAC_1_SQRT_2;
    let times =
        counts.map(|n| CensoredTime::new((f64::from(n) - half) * frame, (f64::from(n) + half) * frame).unwrap());
    let fit = LogFit::new(Law::LogNormal, &CensoredSample::new(&times).unwrap()).unwrap();
    assert!((got.fits[0].scale - fit.scale()).abs() < 1e-9 && (got.fits[0].location - fit.location()).abs() < 1e-9);
}
