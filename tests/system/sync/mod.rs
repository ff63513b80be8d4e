//! Logs that meet: through the real server over TLS on loopback, and directly.

mod members;
mod nearby;
mod refusing;
pub(crate) mod running;
mod serving;
mod watching;

use embertally_tests::Device;

/// A device with a log of its own: forty single shots, four of them failed, and one volley in a string.
fn logged(name: &str, lot: &str) -> Device {
    let device = Device::new();
    device.done(&format!("crew device {name}"));
    let shot = |n: usize| {
        let seen = if n.is_multiple_of(10) { "failed,unlit" } else { "fired,lit" };
        format!("Meadow test,test,{lot},{lot}-{n},visco,{seen}\n")
    };
    let sheet =
        "outing,outing_kind,lot,unit,fuse,ignition,transfer\n".to_owned() + &(1..=40).map(shot).collect::<String>();
    device.import(&format!("{lot}.csv"), sheet);
    device.done("outing go 'Meadow test'");
    device.done(&format!("volley 3f1u {lot}:101-104 -f visco -w parallel"));
    device
}

/// Asserts that devices show the same, to the last byte.
#[track_caller]
fn assert_same(devices: &[&Device]) {
    let shown = |device: &Device| {
        let live = device.json("live")["rows"].as_array().map(Vec::len);
        (device.all_rates(), device.rows().len(), live)
    };
    let first = shown(devices[0]);
    for device in &devices[1..] {
        assert!(shown(device) == first, "two devices that have met show different things");
    }
}
