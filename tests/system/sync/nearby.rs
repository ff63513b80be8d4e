//! Devices that meet with no server.

use super::running::Running;
use super::{assert_same, logged};

#[test]
fn two_devices_with_the_crews_code_meet_and_one_with_another_code_gets_nothing() {
    let (heron, otter, newt) = (logged("heron", "KB-104"), logged("otter", "KB-105"), logged("newt", "KB-106"));
    let code =
        |device: &embertally_tests::Device, line: &str| device.json(line)["code"].as_str().expect("a code").to_owned();
    let crew = code(&heron, "nearby --new");
    assert_eq!(code(&heron, "nearby --show"), crew);
    heron.refused("nearby --new").saying("has a code already");
    let other = code(&newt, "nearby --new");
    assert_ne!(crew, other);

    let mut run = Running::start(heron.call_on_log("nearby --watch --json --off --listen 127.0.0.1:0"));
    let address = run.event("listening")["address"].as_str().expect("an address").to_owned();
    newt.refused(&format!("nearby --address {address}")).saying("does not know this crew's code").saying("is safe");
    let stranger = run.event("stranger");
    assert_eq!(stranger["error"], "E_LINK_WRONG_CODE");
    assert_eq!(newt.rows().len(), 44);

    let sloppy = crew.to_lowercase().replace('-', " ");
    let met = otter.json(&format!("nearby --code '{sloppy}' --address {address}"));
    assert_eq!(met["met"], 1, "{met:#}");
    assert!(met["newly_live"].as_u64() > Some(0), "{met:#}");
    run.event("came");
    assert_same(&[&heron, &otter]);
    assert_eq!(otter.rows().len(), 88);
    // The code is kept: from now on the address alone is enough.
    otter.done(&format!("nearby --address {address}")).saying("on their disks");
    assert_eq!(run.terminate(), Some(0));
}

#[test]
fn who_meets_nobody_is_told_so() {
    let heron = logged("heron", "KB-104");
    heron.done("nearby --new");
    heron.refused("nearby --off --for 1 --listen 127.0.0.1:0").saying("No other device of this crew was met");
    assert_eq!(heron.json("nearby --forget")["forgotten"], true);
    heron.refused("nearby --show").saying("No code is kept");
}
