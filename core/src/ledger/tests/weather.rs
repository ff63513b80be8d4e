use super::*;
use crate::facts::{Humidity, Lot, Reading, Temperature, TypeId};

fn celsius(t: i16) -> Conditions {
    Conditions { temperature: Some(Temperature(t * 100)), ..Conditions::default() }
}

fn read(c: &mut Crew, at: i64, conditions: Conditions) -> FactId {
    let outing = OutingId::named("dry run");
    c.state(1, Fact::Reading(Reading { outing, at: minute(at), conditions, source: None }))
}

fn temperature(c: &mut Crew, shot: ShotId) -> String {
    let l = c.settled();
    let row = l.finding(shot).unwrap().row();
    l.bands().name(WeatherField::Temperature, l.columns().band(WeatherField::Temperature)[row])
}

#[test]
fn a_shot_has_the_nearest_earlier_reading_of_its_outing() {
    let mut c = Crew::new();
    let v = c.volley(1, Volley { at: Some(minute(60)), ..single("1") });
    assert_eq!(temperature(&mut c, at(v, 1)), "unknown");
    read(&mut c, 0, celsius(5));
    let near = read(&mut c, 60, celsius(15));
    read(&mut c, 61, celsius(25));
    assert_eq!(temperature(&mut c, at(v, 1)), "10 to 20 °C");
    c.withdraw(near);
    assert_eq!(temperature(&mut c, at(v, 1)), "0 to 10 °C");
}

#[test]
fn a_reading_of_over_ninety_minutes_before_is_too_old() {
    let mut c = Crew::new();
    let v = c.volley(1, Volley { at: Some(minute(91)), ..single("1") });
    read(&mut c, 0, celsius(5));
    assert_eq!(temperature(&mut c, at(v, 1)), "unknown");
    let w = c.volley(1, Volley { at: Some(minute(90)), ..single("2") });
    assert_eq!(temperature(&mut c, at(w, 1)), "0 to 10 °C");
}

#[test]
fn readings_fill_field_by_field_what_the_volley_leaves_open() {
    let mut c = Crew::new();
    let v = c.volley(1, Volley { at: Some(minute(60)), conditions: celsius(-1), ..single("1") });
    read(&mut c, 10, Conditions { humidity: Some(Humidity(900)), ..celsius(5) });
    read(&mut c, 20, celsius(6));
    let shot = c.settled().finding(at(v, 1)).unwrap();
    assert_eq!(shot.conditions, Conditions { humidity: Some(Humidity(900)), ..celsius(-1) });
}

#[test]
fn without_a_time_the_shot_has_the_time_of_writing() {
    let mut c = Crew::new();
    read(&mut c, 0, celsius(5));
    let v = VolleyId(c.state_at(1, minute(30), Fact::Volley(single("1")), None));
    assert_eq!(temperature(&mut c, at(v, 1)), "0 to 10 °C");
}

#[test]
fn a_lots_igniter_type_reaches_its_rows_whenever_it_is_stated() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    let lot = |name: &str| {
        Fact::Lot(Lot {
            mark: "a-17".to_owned(),
            igniter_type: Some(TypeId::named(name)),
            made_on: None,
            use_by: None,
            count: None,
            storage: None,
        })
    };
    let type_of = |c: &mut Crew| {
        let l = c.settled();
        let row = l.finding(at(v, 1)).unwrap().row();
        l.columns().types().id(l.columns().igniter_type()[row])
    };
    assert_eq!(type_of(&mut c), None);
    let stated = c.state(1, lot("slim"));
    assert_eq!(type_of(&mut c), Some(TypeId::named("slim")));
    c.correct(1, stated, lot("stout"));
    assert_eq!(type_of(&mut c), Some(TypeId::named("stout")));
    assert_eq!(c.ledger.register().lot_marked(" A-17 ").unwrap().mark, "a-17");
}
