//! Tests of rates on small ledgers whose numbers can be worked out by hand.

use embertally_stats::{IntervalMethod, clopper_pearson};

use super::*;
use crate::facts::*;
use crate::ledger::{Ledger, Measure, WeatherField};

mod alike;
mod comparing;
mod delaying;
mod watching;

/// A ledger of single shots: lot, fuse, what was seen of each, and rain or not.
struct Notebook {
    ledger: Ledger,
    next: u64,
    at: Option<Moment>,
}

impl Notebook {
    fn new() -> Self {
        let mut book = Self { ledger: Ledger::new(), next: 0, at: None };
        let outing = Outing {
            name: "dry run".into(),
            kind: OutingKind::Test,
            place: None,
            begins: None,
            slow_limit_ms: None,
            wait_minutes: None,
        };
        let lot = |mark: &str| {
            Fact::Lot(Lot {
                mark: mark.into(),
                igniter_type: None,
                made_on: None,
                use_by: Date::from_days(0),
                count: None,
                storage: None,
            })
        };
        let fuse = Fact::Fuse(Fuse { name: "Cord".into(), kind: FuseKind::Visco, sheath: None, coupling: None });
        book.add(vec![Fact::Outing(outing), lot("A"), lot("B"), fuse]);
        book
    }

    fn add(&mut self, facts: Vec<Fact>) {
        self.next += 1;
        let mut n = self.next << 32;
        let id = EntryId::new(self.next as i64, &mut || {
            n += 1;
            n
        });
        let mut entry = Entry::new(id, DeviceId::named("phone"), Moment { unix_ms: 0, offset_minutes: 0 });
        facts.into_iter().for_each(|f| {
            entry.state(f);
        });
        self.ledger.add(&entry);
        self.ledger.settle();
    }

    fn volley(&mut self, lot: &str, wiring: Wiring, rain: Precipitation, seen: &[(Ignition, Transfer)]) {
        let seen = (1..).zip(seen).map(|(position, (ignition, transfer))| Sighting {
            position,
            ignition: *ignition,
            transfer: *transfer,
            delay: None,
            strength: None,
            cause: None,
            note: None,
        });
        let seen: Vec<Sighting> = seen.collect();
        self.log(&vec![lot; seen.len()], wiring, rain, seen);
    }

    fn log(&mut self, lots: &[&str], wiring: Wiring, rain: Precipitation, seen: Vec<Sighting>) {
        let volley = Volley {
            outing: OutingId::named("dry run"),
            at: self.at,
            module: None,
            channel: None,
            label: None,
            wiring,
            leads: None,
            conditions: Conditions {
                temperature: Temperature::from_f64(15.0),
                precipitation: Some(rain),
                ..Conditions::default()
            },
            shots: lots
                .iter()
                .map(|lot| Shot { lot: LotId::named(lot), unit: None, attempt: 1, fuse: Some(FuseId::named("Cord")) })
                .collect(),
        };
        self.next += 1;
        let mut n = self.next << 32;
        let id = EntryId::new(self.next as i64, &mut || {
            n += 1;
            n
        });
        let mut entry = Entry::new(id, DeviceId::named("phone"), Moment { unix_ms: 0, offset_minutes: 0 });
        let volley = entry.state_volley(volley);
        entry.state(Fact::Sightings(Sightings { volley, observer: None, seen }));
        self.ledger.add(&entry);
        self.ledger.settle();
    }

    fn singles(&mut self, lot: &str, rain: Precipitation, ignition: Ignition, transfer: Transfer, times: usize) {
        for _ in 0..times {
            self.volley(lot, Wiring::Single, rain, &[(ignition, transfer)]);
        }
    }
}

use Ignition::{Failed, Fired, Skipped, Slow};
use Transfer::{Lit, Unlit};

fn ask(book: &Notebook, by: &[Group], measure: Measure) -> Vec<(String, Rate)> {
    let request = RatesRequest { by: by.to_vec(), measure, ..RatesRequest::default() };
    let rows = rates(&book.ledger, &request).unwrap().rows;
    rows.into_iter()
        .map(|r| (r.names.into_iter().map(Option::unwrap_or_default).collect::<Vec<_>>().join("/"), r.rate))
        .collect()
}

#[test]
fn each_measure_counts_its_own_failures_of_its_own_shots() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 15);
    book.singles("A", Precipitation::Dry, Slow, Lit, 2);
    book.singles("A", Precipitation::Dry, Fired, Unlit, 1);
    book.singles("A", Precipitation::Dry, Failed, Unlit, 2);
    book.singles("A", Precipitation::Dry, Skipped, Unlit, 3);
    let of = |m| {
        let r = ask(&book, &[], m)[0].1;
        (r.failures, r.shots)
    };
    assert_eq!(of(Measure::Ignition), (2, 20));
    assert_eq!(of(Measure::Slow), (2, 18));
    assert_eq!(of(Measure::Transfer), (1, 18));
    assert_eq!(of(Measure::EndToEnd), (3, 20));
}

#[test]
fn the_interval_is_the_exact_one_of_the_counts() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 16);
    book.singles("A", Precipitation::Dry, Failed, Unlit, 4);
    let rate = ask(&book, &[Group::Lot], Measure::Ignition)[0].1;
    let exact = clopper_pearson(4, 20, 0.95).unwrap();
    assert_eq!((rate.rate, rate.low, rate.high), (Some(0.2), exact.low, exact.high));
    assert_eq!((rate.rate_if_igniter, rate.rate_if_circuit), (Some(0.2), Some(0.2)));
}

#[test]
fn a_broken_string_is_not_booked_as_bad_igniters() {
    let mut book = Notebook::new();
    let string: Vec<_> = (0..10).map(|i| if i == 3 { (Fired, Lit) } else { (Failed, Unlit) }).collect();
    book.volley("A", Wiring::Series, Precipitation::Dry, &string);
    let rate = ask(&book, &[Group::Lot], Measure::Ignition)[0].1;
    assert_eq!((rate.failures, rate.unresolved, rate.shots), (0, 9, 10));
    assert_eq!((rate.rate, rate.rate_if_igniter, rate.rate_if_circuit), (Some(0.0), Some(0.9), Some(0.0)));
    assert_eq!(rate.low, 0.0);
    assert!(rate.high > 0.99, "the high end takes all nine as the igniter's: {}", rate.high);
}

#[test]
fn groups_are_by_name_and_weather_by_its_parts() {
    let mut book = Notebook::new();
    book.singles("B", Precipitation::Rain, Fired, Lit, 2);
    book.singles("A", Precipitation::Rain, Fired, Lit, 1);
    book.singles("A", Precipitation::Dry, Failed, Unlit, 1);
    let rows = ask(&book, &[Group::Lot, Group::Fuse, Group::Weather], Measure::Ignition);
    let names: Vec<_> = rows.iter().map(|(n, _)| n.as_str()).collect();
    assert_eq!(names, ["A/Cord/dry, 10 to 20 °C", "A/Cord/wet, 10 to 20 °C", "B/Cord/wet, 10 to 20 °C"]);
    let rows = ask(&book, &[Group::Part(WeatherField::Wet)], Measure::Ignition);
    assert_eq!(rows.iter().map(|(n, r)| (n.as_str(), r.shots)).collect::<Vec<_>>(), [("dry", 1), ("wet", 3)]);
}

#[test]
fn a_filter_narrows_down_and_an_unknown_name_is_answered_with_the_known_ones() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 3);
    book.singles("B", Precipitation::Rain, Failed, Unlit, 2);
    let only = |group, name: &str| {
        let request =
            RatesRequest { by: vec![Group::Fuse], only: vec![(group, name.into())], ..RatesRequest::default() };
        rates(&book.ledger, &request)
    };
    assert_eq!(only(Group::Lot, " a ").unwrap().rows[0].rate.shots, 3);
    assert_eq!(only(Group::Part(WeatherField::Wet), "wet").unwrap().rows[0].rate.failures, 2);
    let said = only(Group::Lot, "C").unwrap_err().to_string();
    assert_eq!(said, "no lot is called \"C\"; there are: A, B");
}

#[test]
fn json_has_the_fields_of_the_contract_and_only_the_groups_asked_for() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 3);
    let request = RatesRequest { by: vec![Group::Lot], ..RatesRequest::default() };
    let json = rates(&book.ledger, &request).unwrap().to_json();
    assert_eq!(json["measure"], "ignition");
    assert_eq!(json["interval"], "exact");
    let mut keys: Vec<_> = json["rows"][0].as_object().unwrap().keys().cloned().collect();
    keys.sort();
    let contract =
        ["lot", "shots", "failures", "unresolved", "rate", "low", "high", "rate_if_igniter", "rate_if_circuit"];
    // Added later, beside them: the same interval for shots of one volley being alike.
    let mut wanted = [&contract[..], &["design_effect", "low_clustered", "high_clustered"]].concat();
    wanted.sort_unstable();
    assert_eq!(keys, wanted);
}

#[test]
fn an_empty_ledger_has_no_rows_and_no_panic() {
    let ledger = Ledger::new();
    assert!(rates(&ledger, &RatesRequest::default()).unwrap().rows.is_empty());
    assert!(pairings(&ledger, &PairingsRequest::default()).unwrap().is_empty());
    let wrong = RatesRequest { level: 1.5, ..RatesRequest::default() };
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 1);
    assert!(rates(&book.ledger, &wrong).is_err());
}

#[test]
fn pairings_come_worst_first_and_never_add_the_two_failures_up() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 200);
    book.singles("B", Precipitation::Dry, Fired, Lit, 10);
    book.singles("B", Precipitation::Dry, Fired, Unlit, 8);
    let request = PairingsRequest { today: Date::from_days(1), ..PairingsRequest::default() };
    let found = pairings(&book.ledger, &request).unwrap();
    let said: Vec<_> = found.iter().map(|p| (p.lot.as_deref().unwrap(), p.verdict, p.measure)).collect();
    assert_eq!(said, [("B", Verdict::SetAside, "transfer"), ("A", Verdict::Use, "ignition")]);
    assert!(found[0].probability_above > 0.999);
    assert_eq!(found[0].measures.iter().map(|m| m.rate.failures).collect::<Vec<_>>(), [0, 8]);
    assert_eq!(found[0].past_use_by.as_deref(), Some("1970-01-01"), "flagged beside the verdict");
}

#[test]
fn igniters_that_all_fired_at_fuses_that_nobody_watched_are_not_cleared_for_use() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Transfer::Unseen, 300);
    let found = pairings(&book.ledger, &PairingsRequest::default()).unwrap();
    assert_eq!((found[0].verdict, found[0].measure), (Verdict::TestMore, "transfer"));
    assert!(found[0].sentence.starts_with("Nobody has watched"), "{}", found[0].sentence);
}

#[test]
fn few_clean_shots_are_no_proof_and_the_number_missing_is_right() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 12);
    let found = pairings(&book.ledger, &PairingsRequest::default()).unwrap();
    assert_eq!(found[0].verdict, Verdict::TestMore);
    let more = found[0].clean_shots_needed.unwrap();
    book.singles("A", Precipitation::Dry, Fired, Lit, more as usize - 1);
    assert_eq!(pairings(&book.ledger, &PairingsRequest::default()).unwrap()[0].verdict, Verdict::TestMore);
    book.singles("A", Precipitation::Dry, Fired, Lit, 1);
    assert_eq!(pairings(&book.ledger, &PairingsRequest::default()).unwrap()[0].verdict, Verdict::Use);
}

#[test]
fn a_broken_string_alone_condemns_nothing() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 20);
    let string: Vec<_> = (0..10).map(|i| if i == 3 { (Fired, Lit) } else { (Failed, Unlit) }).collect();
    book.volley("A", Wiring::Series, Precipitation::Dry, &string);
    let found = pairings(&book.ledger, &PairingsRequest::default()).unwrap();
    assert_eq!(found[0].verdict, Verdict::TestMore, "{}", found[0].sentence);
    assert!(found[0].sentence.contains("9 more are unresolved"), "{}", found[0].sentence);
}

#[test]
fn wilson_and_jeffreys_can_be_asked_for() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 9);
    book.singles("A", Precipitation::Dry, Failed, Unlit, 1);
    for (method, word) in [(IntervalMethod::Wilson, "wilson"), (IntervalMethod::Jeffreys, "jeffreys")] {
        let request = RatesRequest { method, ..RatesRequest::default() };
        assert_eq!(rates(&book.ledger, &request).unwrap().to_json()["interval"], word);
    }
}
