//! Tables and files of a crew: the same as a device works out for itself.

use embertally_core::exchange::{ImportOptions, Known, read_csv, read_jsonl};
use embertally_core::ledger::Ledger;
use embertally_core::rates::{Group, RatesRequest, rates};
use serde_json::Value;

use crate::device::Device;
use crate::rig::Rig;

fn ledger(device: &mut Device) -> Ledger {
    let mut ledger = Ledger::new();
    device.log.replay(|_, entry| ledger.add(&entry)).unwrap();
    ledger.settle();
    ledger
}

/// The device's own table, read from text as the server's is: reading a number may change its last digit.
fn own_table(ledger: &Ledger, request: &RatesRequest) -> Value {
    serde_json::from_str(&rates(ledger, request).unwrap().to_json().to_string()).unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_table_is_the_one_that_a_device_has() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let mut device = Device::join(rig.address(), &token, 1).await.unwrap();
    for _ in 0..30 {
        device.volley().await;
    }
    device.meet().await;
    let ledger = ledger(&mut device);
    let default = RatesRequest { by: vec![Group::Lot, Group::Fuse, Group::Weather], ..RatesRequest::default() };
    let own = own_table(&ledger, &default);
    let mut table = rig.get(&format!("/api/v1/crews/{crew}/rates"), &token).await.json();
    assert_eq!(table.as_object_mut().unwrap().remove("complete"), Some(true.into()));
    assert_eq!(table, own);
    assert!(table["rows"].as_array().unwrap().len() > 3);
    let request = RatesRequest {
        by: vec![Group::Outing],
        method: "wilson".parse().unwrap(),
        level: 0.9,
        ..RatesRequest::default()
    };
    let own = own_table(&ledger, &request);
    let path = format!("/api/v1/crews/{crew}/rates?by=outing&interval=wilson&level=0.9");
    assert_eq!(rig.get(&path, &token).await.json()["rows"], own["rows"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_file_holds_every_sighting_and_can_be_read_back() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let mut device = Device::join(rig.address(), &token, 1).await.unwrap();
    // Enough for several parts of the answer.
    for _ in 0..150 {
        device.volley().await;
    }
    device.meet().await;
    let csv = rig.get(&format!("/api/v1/crews/{crew}/export"), &token).await;
    assert!(csv.status == 200 && csv.head.contains("text/csv") && csv.body.len() > 128 << 10, "{}", csv.head);
    let lines = rig.get(&format!("/api/v1/crews/{crew}/export?format=jsonl"), &token).await;
    let options = ImportOptions::default();
    let from_csv = read_csv(&csv.body, &options, &Known::default()).unwrap();
    let from_lines = read_jsonl(&lines.body, &options, &Known::default()).unwrap();
    assert_eq!((from_csv.rows, from_lines.rows), (1_500, 1_500));
    let one = rig.get(&format!("/api/v1/crews/{crew}"), &token).await.json();
    assert_eq!((one["entries"].as_u64(), one["shots"].as_u64()), (Some(150), Some(1_500)));
}
