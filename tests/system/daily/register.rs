//! The register: stated, corrected, listed.

use embertally_tests::Device;

use super::{at_the_meadow, table};

#[test]
fn the_register_lists_what_was_stated() {
    let device = at_the_meadow();
    let crew = table(&device, "crew");
    let named =
        |name: &str| crew.iter().find(|row| row["name"] == name).unwrap_or_else(|| panic!("no {name}: {crew:#?}"));
    assert_eq!((&named("Marlo")["role"], &named("Pim")["role"]), (&"chief".into(), &"recorder".into()));
    assert_eq!(named("heron")["note"], "this device");
    assert_eq!(table(&device, "type")[0]["bridge_ohm"], 1.6);
    assert_eq!(table(&device, "fuse")[0]["kind"], "visco");
    assert_eq!(table(&device, "module")[0]["supply_v"], 24.0);
    assert_eq!(table(&device, "outing")[0]["outing"], "Meadow test");
}

#[test]
fn a_lot_added_again_is_corrected_and_loses_nothing() {
    let device = at_the_meadow();
    let corrected = device.json("lot add KB-104 --use-by 2031-05-01 --storage 'dry box'");
    assert_eq!(corrected["corrected"], 1);
    device.done("lot describe KB-104 'left of the door'");
    let lots = table(&device, "lot");
    assert_eq!(lots.len(), 2, "{lots:#?}");
    let lot = &lots[0];
    assert_eq!((&lot["lot"], &lot["type"], &lot["count"]), (&"KB-104".into(), &"Type one".into(), &100.into()));
    assert_eq!((&lot["made_on"], &lot["use_by"]), (&"2030-05-01".into(), &"2031-05-01".into()));
    assert_eq!((&lot["storage"], &lot["description"]), (&"dry box".into(), &"left of the door".into()));
}

#[test]
fn what_is_added_again_keeps_what_was_stated_before() {
    let device = at_the_meadow();
    device.done("fuse add visco --sheath green");
    device.done("module add Box-1 --source-ohm 0.5");
    device.done("crew add Marlo");
    let fuse = &table(&device, "fuse")[0];
    assert_eq!((&fuse["kind"], &fuse["sheath"]), (&"visco".into(), &"green".into()));
    let module = &table(&device, "module")[0];
    assert_eq!((&module["channels"], &module["supply_v"]), (&8.into(), &24.0.into()));
    assert_eq!(module["source_ohm"], 0.5);
    let crew = table(&device, "crew");
    let marlo = crew.iter().find(|row| row["name"] == "Marlo").expect("Marlo is of the crew");
    assert_eq!(marlo["role"], "chief");
}

#[test]
fn a_lot_past_its_use_by_is_flagged_and_judged_by_its_shots() {
    let device = at_the_meadow();
    device.done("lot add KB-105 --use-by 2001-01-01");
    device.done("volley 4f KB-105:1-4 -f visco -w parallel");
    let lots = table(&device, "lot");
    let flags: Vec<_> = lots.iter().map(|lot| lot["flag"].clone()).collect();
    assert_eq!(flags, [serde_json::Value::Null, "past use-by".into()]);
    let pairing = &table(&device, "pairings")[0];
    assert_eq!((&pairing["past_use_by"], &pairing["verdict"]), (&"2001-01-01".into(), &"test-more".into()));
}

#[test]
fn case_and_spacing_do_not_make_another_lot() {
    let device = at_the_meadow();
    device.done("volley f ' kb-104 :1' -f VISCO");
    let rows = table(&device, "rates --by lot,fuse");
    assert_eq!((&rows[0]["lot"], &rows[0]["fuse"]), (&"KB-104".into(), &"visco".into()));
}

#[test]
fn an_outing_is_begun_once_and_gone_to_again() {
    let device = at_the_meadow();
    device.refused("outing begin 'Meadow test'").saying("outing go");
    device.done("outing begin 'Lantern night' --kind show");
    device.done("volley f KB-104:1 -f visco");
    device.done("outing go 'Meadow test'");
    device.done("volley f KB-104:2 -f visco");
    let shots: Vec<_> = device.rows().iter().map(|row| (row["outing"].clone(), row["unit"].clone())).collect();
    assert!(shots.contains(&("Lantern night".into(), "1".into())), "{shots:?}");
    assert!(shots.contains(&("Meadow test".into(), "2".into())), "{shots:?}");
}

#[test]
fn a_device_that_is_at_no_outing_is_told_how_to_begin_one() {
    let device = Device::new();
    device.done("lot add KB-104");
    device.refused("volley f KB-104:1").saying("outing begin");
}
