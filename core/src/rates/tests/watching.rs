//! Tests of watching a lot; the lines and run lengths themselves are tested in `embertally-stats`.

use super::*;

fn watched(book: &Notebook) -> Watch {
    watch(&book.ledger, &WatchRequest::of("A")).unwrap()
}

#[test]
fn clean_shots_are_accepted_at_the_twenty_fourth_and_not_before() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 12);
    let got = watched(&book);
    assert_eq!((got.if_circuit.decision, got.if_circuit.clean_shots_to_accept), (Decision::GoOn, Some(12)));
    assert_eq!((got.if_circuit.failures_to_reject, got.if_circuit.reject_from), (Some(2), Some(2)));
    book.singles("A", Precipitation::Dry, Fired, Lit, 12);
    let got = watched(&book);
    assert_eq!(got.if_circuit.decision, Decision::Accept);
    assert_eq!(got.if_circuit.decided.unwrap().shots, 24);
    // Going bad afterwards is the sum's to notice, not the test's.
    book.singles("A", Precipitation::Dry, Failed, Unlit, 3);
    let got = watched(&book);
    assert_eq!((got.if_circuit.decision, got.if_circuit.decided.unwrap().shots), (Decision::Accept, 24));
    assert!(got.if_circuit.sum.signals && got.if_circuit.sum.first_alarm.unwrap().shot <= 27);
}

#[test]
fn shots_are_taken_in_the_order_of_their_time_not_of_their_writing() {
    let mut book = Notebook::new();
    let moment = |unix_ms| Some(Moment { unix_ms, offset_minutes: 0 });
    // The two failures were written last and came first.
    book.at = moment(2_000);
    book.singles("A", Precipitation::Dry, Fired, Lit, 30);
    book.at = moment(1_000);
    book.singles("A", Precipitation::Dry, Failed, Unlit, 2);
    let got = watched(&book);
    let decided = got.if_circuit.decided.unwrap();
    assert_eq!(got.if_circuit.decision, Decision::Reject);
    assert_eq!((decided.shots, decided.failures, decided.unix_ms), (2, 2, Some(1_000)));
}

#[test]
fn a_broken_string_is_counted_beside_and_read_both_ways() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 5);
    let string: Vec<_> = (0..6).map(|i| if i == 3 { (Fired, Lit) } else { (Failed, Unlit) }).collect();
    book.volley("A", Wiring::Series, Precipitation::Dry, &string);
    let got = watched(&book);
    assert_eq!((got.shots, got.failures, got.unresolved), (11, 0, 5));
    assert_eq!((got.if_circuit.shots, got.if_circuit.failures, got.if_circuit.decision), (6, 0, Decision::GoOn));
    assert_eq!((got.if_igniter.shots, got.if_igniter.failures, got.if_igniter.decision), (11, 5, Decision::Reject));
}

#[test]
fn a_lot_without_shots_goes_on_and_a_wrong_call_is_refused_by_name() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Skipped, Unlit, 1);
    let got = watched(&book);
    assert_eq!((got.shots, got.if_circuit.decision, got.if_circuit.decided), (0, Decision::GoOn, None));
    assert_eq!(got.if_circuit.clean_shots_to_accept, Some(24));
    let ask = |request: WatchRequest| watch(&book.ledger, &request).unwrap_err().to_string();
    assert_eq!(ask(WatchRequest::of("Z")), "no lot is called \"Z\"; there are: A");
    assert!(ask(WatchRequest { good: 0.2, ..WatchRequest::of("A") }).contains("good < bad"));
    assert!(ask(WatchRequest { alpha: 1.0, ..WatchRequest::of("A") }).contains("risks"));
    assert!(ask(WatchRequest { run: f64::INFINITY, ..WatchRequest::of("A") }).contains("false alarms"));
}

#[test]
fn json_tells_both_readings() {
    let mut book = Notebook::new();
    book.singles("A", Precipitation::Dry, Fired, Lit, 24);
    let json = serde_json::to_value(watched(&book)).unwrap();
    assert_eq!(json["if_circuit"]["decision"], "accept");
    assert_eq!(json["if_igniter"]["sum"]["value"], 0);
    assert!(json["if_circuit"]["clean_shots_to_accept"].is_null());
    assert!(json["sum_run_if_good"].as_f64().unwrap() >= 1000.0);
}
