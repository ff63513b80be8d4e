//! How many to test, from the command line.

use embertally_tests::Device;

#[test]
fn plan_for_a_lot_is_that_of_the_tables() {
    let device = Device::new();
    // MIL-STD-105E Tables I and II-A: 1,201 to 3,200 at level II is K; 125, accept 3, reject 4 at an AQL of 1.0.
    let plan = device.json("plan sample --lot-size 1500 --aql 1.0");
    assert_eq!((&plan["letter"], &plan["shots"]), (&"K".into(), &125.into()));
    assert_eq!((&plan["accept"], &plan["reject"]), (&3.into(), &4.into()));
    assert_eq!(plan["operating_characteristic"]["rule"], "hypergeometric");
    // Letter G has an arrow down to H.
    let arrow = device.json("plan sample --lot-size 200 --aql 1.0");
    assert_eq!((&arrow["letter"], &arrow["plan_letter"], &arrow["shots"]), (&"G".into(), &"H".into(), &50.into()));
    device.wrong("plan sample --lot-size 200 --aql 3");
    device.wrong("plan sample --lot-size 1 --aql 1");
    assert!(device.done("plan sample --lot-size 5 --aql 0.1").text().contains("none would be left"));
}

#[test]
fn designs_and_powers_answer_or_refuse() {
    let device = Device::new();
    // Kiermeier, manual of the R package AcceptanceSampling, p. 14.
    let plan = device.json("plan design --good 0.05 --alpha 0.05 --bad 0.15 --beta 0.075");
    assert_eq!((&plan["shots"], &plan["accept"]), (&80.into(), &7.into()));
    let power = device.json("plan power --first 0.02 --second 0.3 --power 0.9");
    assert!(power["power"].as_f64().unwrap() >= 0.9 && power["wanted"] == 0.9);
    device.refused("plan power --first 0.1 --second 0.1001");
    device.wrong("plan power --first 0.1 --second 0.1");
    device.wrong("plan oc --shots 3 --accept 3");
    device.refused("plan oc --shots 30 --accept 1 --lot-size 20");
}

#[test]
fn record_of_a_lot_counts_both_readings() {
    let device = Device::new();
    let rows: String = (0..45).map(|n| format!("Meadow test,test,KB-104,{n},fired\n")).collect();
    device.import("a.csv", "outing,outing_kind,lot,unit,ignition\n".to_owned() + &rows);
    // 45 without a failure prove 95 % with 90 %: Touw & Hoogduin (2011), p. 126.
    let record = device.json("plan record --lot KB-104 --reliability 0.95 --confidence 0.9");
    assert_eq!((&record["if_circuit"]["is_proved"], &record["unresolved"]), (&true.into(), &0.into()));
    let more = device.json("plan record --lot KB-104 --reliability 0.95 --confidence 0.95");
    assert_eq!(more["if_circuit"]["clean_shots_needed"], 14);
    device.refused("plan record --lot KB-9 --reliability 0.95 --confidence 0.9");
    device.refused("plan record --lot KB-104 --reliability 0.95 --confidence 0.9 --lot-size 20");
}
