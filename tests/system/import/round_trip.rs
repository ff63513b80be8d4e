//! Out to a file and into a fresh log.

use std::fs;

use embertally_tests::Device;

/// Returns the invented sample files that come with the project.
fn samples() -> Vec<(String, Vec<u8>)> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../examples/csv");
    let paths = fs::read_dir(folder).expect("examples/csv is there").map(|entry| entry.expect("it can be read").path());
    let mut samples: Vec<_> = paths
        .filter(|path| path.extension().is_some_and(|e| e == "csv"))
        .map(|path| {
            let name = path.file_name().and_then(|n| n.to_str()).expect("a plain name").to_owned();
            (name, fs::read(&path).expect("a sample can be read"))
        })
        .collect();
    samples.sort();
    samples
}

/// Two observers of one string, one of whom saw it otherwise; a retry; delays measured in three ways; weather.
const MIXED: &str = "\
outing,outing_kind,time,device,observer,volley,module,channel,wiring,string_length,position,lot,unit,attempt,fuse,ignition,transfer,delay_ms,delay_low_ms,delay_high_ms,frames,fps,strength,cause,temperature_c,humidity_pct,wind_m_s,precipitation,note
Lantern night,show,2031-06-21T22:00:00+02:00,heron,Marlo,A1,Box-1,1,series,3,1,KB-104,1,1,visco,fired,lit,,40,48,,,4,,11.5,70.5,2.1,rain,
Lantern night,show,2031-06-21T22:00:00+02:00,heron,Marlo,A1,Box-1,1,series,3,2,KB-104,2,1,visco,failed,unlit,,,,,,,,11.5,70.5,2.1,rain,dark
Lantern night,show,2031-06-21T22:00:00+02:00,heron,Marlo,A1,Box-1,1,series,3,3,KB-104,3,1,visco,slow,lit,310.5,,,,,2,,11.5,70.5,2.1,rain,
Lantern night,show,2031-06-21T22:00:00+02:00,heron,Pim,A1,Box-1,1,series,3,1,KB-104,1,1,visco,fired,lit,,,,11,240,,,11.5,70.5,2.1,rain,
Lantern night,show,2031-06-21T22:00:00+02:00,heron,Pim,A1,Box-1,1,series,3,2,KB-104,2,1,visco,failed,unlit,,,,,,,broken-string,11.5,70.5,2.1,rain,
Lantern night,show,2031-06-21T22:00:00+02:00,heron,Pim,A1,Box-1,1,series,3,3,KB-104,3,1,visco,fired,unlit,,,,,,,,11.5,70.5,2.1,rain,
Lantern night,show,2031-06-21T22:10:00+02:00,otter,Tamsin,B1,Box-1,2,single,1,1,KB-104,2,2,visco,fired,unseen,,,,,,,,-1.5,90,0,snow,
Lantern night,show,2031-06-21T22:12:00+02:00,otter,Tamsin,B2,Box-2,1,parallel,,1,KB-105,1,1,,fired,none,,,,,,,,-1.5,90,0,none,
Lantern night,show,2031-06-21T22:12:00+02:00,otter,Tamsin,B2,Box-2,1,parallel,,2,KB-105,?,1,,failed,none,,,,,,,,-1.5,90,0,none,
Lantern night,show,2031-06-21T22:12:00+02:00,otter,Tamsin,B2,Box-2,1,parallel,,3,KB-105,?,1,,skipped,none,,,,,,,,-1.5,90,0,none,
";

#[track_caller]
fn assert_comes_back(device: &Device) {
    let (export, rates) = (device.export(), device.all_rates());
    for (name, options) in [("again.csv", "csv"), ("again.jsonl", "json")] {
        let fresh = Device::new();
        device.done(&format!("export --format {options} {name}"));
        fresh.import(name, device.read(name));
        assert_eq!(fresh.all_rates(), rates, "rates are not the same by way of {name}");
        assert_eq!(fresh.export(), export, "the export is not the same by way of {name}");
    }
}

#[test]
fn a_mixed_sheet_gives_byte_identical_rates_after_the_way_round() {
    let device = Device::new();
    device.import("mixed.csv", MIXED);
    assert_eq!(device.rows().len(), 10);
    assert_comes_back(&device);
}

#[test]
fn the_sample_files_give_byte_identical_rates_after_the_way_round() {
    let device = Device::new();
    let samples = samples();
    assert!(samples.len() > 1, "there are no sample files");
    for (name, contents) in samples {
        device.import(&name, contents);
    }
    assert_comes_back(&device);
}

#[test]
fn what_was_typed_gives_byte_identical_rates_after_the_way_round() {
    let device = Device::new();
    for line in [
        "outing begin 'Meadow test'",
        "volley 9f1x KB-104:1-10 -f visco -w series -m Box-1 -c 3 --new --temperature 12 --precipitation none",
        "volley 2f1u KB-104:11-13 -f visco -w parallel --delay-ms 40-50,,300-310 --strength 3,,5",
        "volley fsu KB-105:1-3 -f quickmatch -w series --pulse 10 --fps 240 --light 20,90,21 --new",
        "volley f KB-104:10 -f visco --retry",
        "volley 3f1x KB-105:4-7 -f quickmatch -w series-parallel --strings 2,2",
        "volley 2f KB-106 -w parallel --new",
    ] {
        device.done(line);
    }
    assert_comes_back(&device);
}

/// FAILS, and is right: the sheet has no column for the outing's limit, and what it says of a shot is the observer's
/// word alone. So a shot that was slow by measurement comes back as one that was not.
#[test]
fn a_shot_that_was_slow_by_measurement_is_slow_after_the_way_round() {
    let device = Device::new();
    device.done("outing begin 'Meadow test' --slow-ms 200");
    device.done("volley 2f KB-104:1-2 -f visco -w parallel --delay-ms 40-60,210-260 --new");
    assert_comes_back(&device);
}
