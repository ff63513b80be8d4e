//! A name that is forgotten: on the device, on the server, and on a device that was away.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use embertally_tests::Device;

use super::sync::running::Server;

const NAME: &str = "Wilhelmina Quast";

/// How often the name's bytes stand in the files below a folder.
fn found(folder: &Path) -> usize {
    let mut count = 0;
    for entry in fs::read_dir(folder).expect("the folder cannot be read") {
        let path = entry.expect("the folder cannot be read").path();
        count += if path.is_dir() {
            found(&path)
        } else {
            // A file beside a database may go while we look.
            let bytes = fs::read(&path).unwrap_or_default();
            bytes.windows(NAME.len()).filter(|window| *window == NAME.as_bytes()).count()
        };
    }
    count
}

fn crewed() -> Device {
    let device = Device::new();
    device.done(&format!("crew add '{NAME}' --role chief"));
    device.done("crew add Otter");
    device.done(&format!("crew observer '{NAME}'"));
    device.done("outing begin 'Meadow test'");
    device.done("volley 3f1u KB-104:1-4 --fuse visco --new -w parallel");
    device
}

#[test]
fn a_forgotten_name_is_in_no_file_of_the_device_and_what_stays_is_said() {
    let device = crewed();
    device.done(&format!("fuse add 'visco, cut by {NAME}'"));
    assert!(found(&device.log_folder()) > 0, "the search finds what is there");

    let asked = device.refused(&format!("forget '{NAME}'"));
    asked.saying("Nothing was done").saying("--yes").saying("visco, cut by");
    device.wrong(&format!("forget '{NAME}' --yes --reason 'asked for by {NAME}'")).saying("holds the name");
    device.refused("forget 'Wilhelmina Quart' --yes").saying("Did you mean");
    assert!(device.done("crew").text().contains(NAME), "asking alone has changed something");

    // A text that somebody typed is evidence, and stays.
    let told = device.json(&format!("forget '{NAME}' --reason 'has left the crew' --yes"));
    assert_eq!((&told["saved"], &told["file_cleared"]), (&true.into(), &true.into()), "{told:#}");
    assert_eq!(told["mentions"][0]["text"], format!("visco, cut by {NAME}"), "{told:#}");
    assert!(told["elsewhere"].as_array().is_some_and(|list| list.len() >= 4));
    let called = told["called"].as_str().expect("a text").to_owned();
    assert!(called.starts_with("forgotten person "), "{called}");
    assert!(device.done("crew").text().contains(&called));
    assert!(device.export().contains(&called) && !device.export().contains(NAME));
    assert_eq!(device.rows().len(), 4, "the shots are still there");

    // By no way back: stated, set as the observer, imported, withdrawn.
    device.refused(&format!("crew add '{NAME}'")).saying("forgotten").saying("for good");
    device.refused(&format!("crew observer '{NAME}'"));
    device.import("sheet.csv", format!("outing,lot,unit,ignition,observer\nMeadow test,KB-104,9,fired,{NAME}\n"));
    assert!(!device.export().contains(NAME));
    let person = device.json(&format!("person '{NAME}'"));
    let word = person["facts"].as_array().expect("facts").iter().find(|fact| fact["kind"] == "forgotten");
    let word = word.expect("the word itself is a fact")["fact"].as_str().expect("an id").to_owned();
    device.refused(&format!("withdraw {word} --reason no")).saying("cannot be brought back");
    // Said again it is as it was.
    assert_eq!(device.json(&format!("forget '{NAME}'"))["already"], true);
}

#[test]
fn without_a_text_that_mentions_it_no_byte_of_the_name_is_left_and_a_volley_goes_on_without_observer() {
    let device = crewed();
    assert!(found(&device.log_folder()) > 0, "the search finds what is there");
    let carried = device.carry();
    device.done(&format!("forget '{NAME}' --yes")).saying("Saved on this device").saying("observer");
    assert_eq!(found(&device.log_folder()), 0);
    device.done("volley 2f KB-104:11-12 --fuse visco -w parallel");
    // The carry file from before brings nothing back.
    let absorbed = device.absorb(&carried);
    assert_eq!(absorbed["forgotten_left_out"], 1, "{absorbed:#}");
    assert_eq!(found(&device.log_folder()), 0);
    device.done("crew");
    assert_eq!(found(&device.log_folder()), 0);
}

#[test]
fn what_is_held_about_a_person_can_be_handed_over() {
    let device = crewed();
    let held = device.json(&format!("person '{NAME}'"));
    assert_eq!((&held["called"], &held["complete"]), (&NAME.into(), &true.into()), "{held:#}");
    let facts = held["facts"].as_array().expect("facts");
    let kinds: Vec<_> = facts.iter().filter_map(|fact| fact["kind"].as_str()).collect();
    assert_eq!(kinds, ["sightings", "person"], "{held:#}");
    assert_eq!(facts[0]["said"]["seen"].as_array().map(Vec::len), Some(4));
    assert_eq!(facts[1]["said"]["role"], "chief");
    device.done(&format!("person '{NAME}'")).saying("2 facts name this person");
    device.refused("person Nobody").saying("holds no member");
}

#[test]
fn the_server_and_a_device_that_was_away_drop_the_name_and_cannot_bring_it_back() {
    let mut server = Server::new();
    let (heron, otter) = (crewed(), Device::new());
    heron.done(&format!("sync {}", server.invitation));
    otter.done(&format!("sync {}", server.invitation));
    assert!(found(&server.folder()) > 0 && found(&otter.log_folder()) > 0, "the search finds what is there");
    // Away, it states the name anew, so that it has what nobody else has.
    otter.done(&format!("crew add '{NAME}' --role reader"));

    heron.done(&format!("forget '{NAME}' --yes"));
    heron.done("sync").saying("on the server's disk");
    assert_eq!(found(&heron.log_folder()), 0);
    // The commit is answered before the file is cleared away.
    let began = Instant::now();
    while found(&server.folder()) > 0 && began.elapsed() < Duration::from_secs(20) {
        std::thread::yield_now();
    }
    assert_eq!(found(&server.folder()), 0, "while it runs");

    otter.done("sync");
    assert_eq!((found(&otter.log_folder()), found(&server.folder())), (0, 0));
    heron.done("sync");
    assert_eq!(heron.rows().len(), otter.rows().len());
    assert!(!heron.export().contains(NAME) && !otter.export().contains(NAME));
    assert_eq!(server.terminate(), Some(0));
    assert_eq!(found(&server.folder()), 0, "when it has ended");
}
