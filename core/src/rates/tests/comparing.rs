//! Tests of comparisons on small ledgers; the numbers themselves are tested in `embertally-stats`.

use embertally_stats::{TwoByTwo, boschloo_exact, fisher_exact, mantel_haenszel, newcombe_difference};

use super::*;

fn lots(book: &Notebook) -> Comparison {
    compare(&book.ledger, &CompareRequest::of(Group::Lot, "A", "B")).unwrap()
}

fn broken_string(book: &mut Notebook, lot: &str, shots: usize) {
    let string: Vec<_> = (0..shots).map(|i| if i == 1 { (Fired, Lit) } else { (Failed, Unlit) }).collect();
    book.volley(lot, Wiring::Series, Precipitation::Dry, &string);
}

#[test]
fn two_lots_get_the_numbers_of_their_table() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 27);
    book.singles("A", Precipitation::Dry, Failed, Unlit, 7);
    book.singles("B", Precipitation::Dry, Fired, Lit, 33);
    book.singles("B", Precipitation::Dry, Failed, Unlit, 1);
    let got = lots(&book);
    let table = TwoByTwo::new(7, 34, 1, 34).unwrap();
    let difference = newcombe_difference(&table, 0.95).unwrap();
    let said = got.if_circuit.difference.unwrap();
    assert_eq!((said.value, said.low, said.high), (difference.value, difference.low, difference.high));
    assert_eq!(got.if_circuit.p_value, Some(boschloo_exact(&table).unwrap().two_sided));
    assert_eq!(got.if_circuit.p_values.unwrap().fisher, fisher_exact(&table).unwrap().two_sided);
    assert_eq!((got.shown, got.first.rate.failures, got.second.rate.shots), (Shown::Difference, 7, 34));
    assert!(got.sentences[1].starts_with("A's rate is higher than B's"), "{:?}", got.sentences);
    assert_eq!(got.if_first_igniter, None);
}

#[test]
fn twelve_against_forty_clean_shots_show_no_difference_and_say_so() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 12);
    book.singles("B", Precipitation::Dry, Fired, Lit, 40);
    let got = lots(&book);
    assert_eq!(got.shown, Shown::NoDifference);
    let wanted = "12 against 40 shots: no difference is shown; that is not the same as no difference. A's true rate \
                  may lie from 8.8 points below to 24 points above B's (95 % interval).";
    assert_eq!(got.sentences[1], wanted);
    let ratio = got.if_circuit.risk_ratio.unwrap();
    assert_eq!((ratio.value, ratio.low, ratio.high), (None, 0.0, None));
    assert_eq!(got.if_circuit.p_value, Some(1.0));
}

#[test]
fn a_broken_string_makes_it_depend_on_what_is_unresolved() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 20);
    book.singles("B", Precipitation::Dry, Fired, Lit, 20);
    broken_string(&mut book, "A", 10);
    let got = lots(&book);
    assert_eq!((got.if_circuit.first.failures, got.if_circuit.first.shots), (0, 21));
    assert_eq!((got.if_igniter.first.failures, got.if_igniter.first.shots), (9, 30));
    assert_eq!(got.shown, Shown::DependsOnUnresolved);
    assert!(got.sentences[1].contains("settle those first"), "{:?}", got.sentences);
    assert_eq!(got.if_first_igniter, None, "only one of them has unresolved shots");
}

#[test]
fn broken_strings_on_both_sides_are_also_read_crosswise() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 30);
    book.singles("B", Precipitation::Dry, Fired, Lit, 30);
    broken_string(&mut book, "A", 10);
    broken_string(&mut book, "B", 10);
    let got = lots(&book);
    // Read alike they are alike; the two ways across are not.
    assert_eq!((got.if_circuit.p_value, got.if_igniter.p_value), (Some(1.0), Some(1.0)));
    let (first, second) = (got.if_first_igniter.unwrap(), got.if_second_igniter.unwrap());
    assert_eq!((first.first.failures, first.second.failures), (9, 0));
    assert_eq!((second.first.failures, second.second.failures), (0, 9));
    assert_eq!(got.shown, Shown::DependsOnUnresolved);
}

#[test]
fn strata_undo_a_difference_that_the_rain_made() {
    let mut book = Notebook::new();
    // Both fail 1 in 10 when dry and 5 in 10 when wet, but A was fired in the rain.
    for (lot, rain, good, failed) in [
        ("A", Precipitation::Dry, 9, 1),
        ("A", Precipitation::Rain, 20, 20),
        ("B", Precipitation::Dry, 36, 4),
        ("B", Precipitation::Rain, 5, 5),
    ] {
        book.singles(lot, rain, Fired, Lit, good);
        book.singles(lot, rain, Failed, Unlit, failed);
    }
    let request =
        CompareRequest { by: Some(Group::Part(WeatherField::Wet)), ..CompareRequest::of(Group::Lot, "A", "B") };
    let got = compare(&book.ledger, &request).unwrap();
    assert_eq!(got.shown, Shown::Difference, "by itself");
    let strata = got.if_circuit.strata.clone().unwrap();
    let names: Vec<_> = strata.strata.iter().map(|s| s.name.as_deref().unwrap()).collect();
    assert_eq!((names, strata.informative), (vec!["dry", "wet"], 2));
    let tables = [TwoByTwo::new(1, 10, 4, 40).unwrap(), TwoByTwo::new(20, 40, 5, 10).unwrap()];
    let common = mantel_haenszel(&tables, 0.95).unwrap();
    assert_eq!(strata.odds_ratio.unwrap().value, Some(common.value));
    assert!((common.value - 1.0).abs() < 1e-12);
    assert!(strata.test.unwrap().p > 0.99 && strata.homogeneity.unwrap().degrees == 1);
    let last = got.sentences.last().unwrap();
    assert!(last.contains("common odds ratio 1.00") && last.ends_with("so wet may account for it."), "{last}");
}

#[test]
fn strata_that_say_nothing_are_shown_and_refused() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Rain, Fired, Lit, 5);
    book.singles("A", Precipitation::Rain, Failed, Unlit, 2);
    book.singles("B", Precipitation::Dry, Fired, Lit, 9);
    let request = CompareRequest { by: Some(Group::Weather), ..CompareRequest::of(Group::Lot, "A", "B") };
    let got = compare(&book.ledger, &request).unwrap();
    let strata = got.if_circuit.strata.unwrap();
    assert_eq!((strata.strata.len(), strata.informative, strata.odds_ratio), (2, 0, None));
    assert!(strata.refusal.unwrap().starts_with("no stratum says anything"));
}

#[test]
fn a_lot_without_a_shot_is_refused_in_words_and_a_wrong_name_by_name() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 3);
    book.singles("B", Precipitation::Dry, Skipped, Unlit, 2);
    let got = lots(&book);
    assert_eq!((got.shown, got.if_circuit.difference), (Shown::Nothing, None));
    assert_eq!(got.sentences[1], "Nothing can be said: no settled shot of B counts for this.");
    let ask = |a, b| compare(&book.ledger, &CompareRequest::of(Group::Lot, a, b)).unwrap_err().to_string();
    assert_eq!(ask("A", "Z"), "no lot is called \"Z\"; there are: A, B");
    assert!(ask("A", " a ").contains("cannot be compared with itself"));
    let request = CompareRequest { level: f64::NAN, ..CompareRequest::of(Group::Lot, "A", "B") };
    assert!(compare(&book.ledger, &request).is_err());
}

#[test]
fn json_has_stable_fields_and_null_for_what_is_not() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 3);
    book.singles("B", Precipitation::Dry, Failed, Unlit, 2);
    let json = serde_json::to_value(lots(&book)).unwrap();
    let mut keys: Vec<_> = json.as_object().unwrap().keys().map(String::as_str).collect();
    keys.sort_unstable();
    let wanted = [
        "by",
        "first",
        "if_circuit",
        "if_first_igniter",
        "if_igniter",
        "if_second_igniter",
        "level",
        "measure",
        "of",
        "second",
        "sentences",
        "shown",
        "volleys",
    ];
    assert_eq!(keys, wanted);
    assert_eq!(json["of"], "lot");
    assert_eq!(json["shown"], "no-difference", "three against two shots show nothing, however unlike");
    assert_eq!(json["first"]["name"], "A");
    assert_eq!(json["if_circuit"]["odds_ratio"]["low"], 0.0);
    assert_eq!(json["if_circuit"]["second"]["failures"], 2);
    assert!(json["if_circuit"]["strata"].is_null());
}

#[test]
fn names_with_commas_are_taken_apart_where_both_halves_are_names() {
    let mut book = Notebook::new();
    let fuse = |name: &str| Fact::Fuse(Fuse { name: name.into(), kind: FuseKind::Visco, sheath: None, coupling: None });
    book.add(vec![fuse("visco, green")]);
    book.singles("A", Precipitation::Dry, Fired, Lit, 1);
    let pair = |text| pair_named(&book.ledger, Group::Lot, text);
    assert_eq!(pair("A, B"), Some(["A".to_owned(), "B".to_owned()]));
    assert_eq!(pair("A"), None);
    assert_eq!(pair("A,"), None);
    assert_eq!(pair("A,B,C"), None);
    assert_eq!(pair("A,Z"), Some(["A".to_owned(), "Z".to_owned()]), "the wrong one is told later");
}

/// Volleys of ten that fail whole or not at all are as good as one shot each.
#[test]
fn a_difference_of_shots_that_is_none_of_volleys_is_said_to_be_that() {
    let mut book = Notebook::new();
    for (lot, bad) in [("A", 3), ("B", 0)] {
        for n in 0..6 {
            let (ignition, transfer) = if n < bad { (Failed, Unlit) } else { (Fired, Lit) };
            book.volley(lot, Wiring::Parallel, Precipitation::Dry, &[(ignition, transfer); 10]);
        }
    }
    let request = CompareRequest { measure: Measure::Raw, ..CompareRequest::of(Group::Lot, "A", "B") };
    let got = compare(&book.ledger, &request).unwrap();
    let circuit = &got.if_circuit;
    let alike = circuit.clustered.unwrap();
    assert!(circuit.p_value.unwrap() < 1e-6 && alike.p > 0.05, "{alike:?}");
    assert_eq!(alike.design_effect_first, 10.0);
    assert!((alike.p - 0.182).abs() < 1e-3, "{alike:?}");
    // Three of six volleys against none of six: Yates' p is 0.18, as is Fisher's.
    let plain = circuit.difference.unwrap();
    assert!(alike.low < plain.low && alike.high >= plain.high);
    assert_eq!(got.shown, Shown::DependsOnVolleys);
    assert!(got.sentences[1].contains("More volleys settle it"), "{:?}", got.sentences);
    let strata = CompareRequest { by: Some(Group::Part(WeatherField::Wet)), ..request };
    let within = compare(&book.ledger, &strata).unwrap().if_circuit.strata.unwrap();
    assert!(within.test.unwrap().p_corrected < 1e-6 && within.clustered.unwrap().p > 0.01);
}
