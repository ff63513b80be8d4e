//! What other programs hold on to: JSON objects, numbers, exit codes, and how the tool behaves in a pipe.

mod damage;
mod exits;
mod files;
mod numbers;
mod objects;
mod terminal;

use std::collections::BTreeSet;

use embertally_tests::Device;
use serde_json::Value;

/// Returns a sheet of single shots, of which the first `failed` failed; 12 °C and dry.
fn singles(lot: &str, fuse: &str, failed: usize, all: usize) -> String {
    let shot = |n: usize| {
        let seen = if n < failed { "failed,unlit" } else { "fired,lit" };
        format!("Meadow test,test,{lot},{n},{fuse},{seen},12,none\n")
    };
    let header = "outing,outing_kind,lot,unit,fuse,ignition,transfer,temperature_c,precipitation\n";
    header.to_owned() + &(0..all).map(shot).collect::<String>()
}

/// Makes a device whose log holds 1 failure in 30 on visco and none in 12 on quickmatch.
fn tested() -> Device {
    let device = Device::new();
    device.import("visco.csv", singles("KB-104", "visco", 1, 30));
    device.import("quickmatch.csv", singles("KB-105", "quickmatch", 0, 12));
    device
}

/// Returns the names of an object's fields.
#[track_caller]
fn fields(object: &Value) -> BTreeSet<&str> {
    object.as_object().expect("not an object").keys().map(String::as_str).collect()
}

/// Returns the commands that a help page lists.
fn commands(help: &str) -> Vec<String> {
    let lines = help.lines().skip_while(|line| line.trim() != "Commands:").skip(1);
    let names = lines.take_while(|line| line.starts_with("  ")).filter(|line| !line.starts_with("   "));
    names.filter_map(|line| line.split_whitespace().next()).map(str::to_owned).collect()
}
