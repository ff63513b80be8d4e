//! The whole story on invented data.

use std::time::{Duration, Instant};

use embertally_tests::Device;

#[test]
fn the_demo_takes_less_than_a_minute_and_says_that_it_is_invented() {
    let device = Device::new();
    let begun = Instant::now();
    let told = device.done("demo");
    assert!(begun.elapsed() < Duration::from_secs(60), "it took {:?}", begun.elapsed());
    assert!(told.text().starts_with("INVENTED"), "{}", told.text());
    for part in ["unresolved", "Pairings, worst first", "Where observers disagree", "still live"] {
        assert!(told.text().contains(part), "the story has nothing of {part:?}");
    }
    assert!(told.stderr.contains("No number here is a permission."));
}

#[test]
fn the_demo_tells_the_same_to_the_last_byte() {
    let (one, other) = (Device::new(), Device::new());
    assert_eq!(one.done("demo").text(), other.done("demo").text());
    assert_eq!(one.done("demo --json").text(), other.done("demo --json").text());
}

#[test]
fn the_demo_as_json_is_one_object_and_all_devices_agree() {
    let told = Device::new().json("demo");
    assert_eq!((&told["invented"], &told["same_on_all_devices"]), (&true.into(), &true.into()));
    let devices = told["devices"].as_array().map_or(0, Vec::len);
    assert_eq!(devices, 4);
    for list in ["pairings", "findings"] {
        assert!(told[list].as_array().is_some_and(|rows| rows.len() > 3), "{list}: {told:#}");
    }
    assert!(told["disputes"].as_u64() > Some(0) && told["live"].as_u64() > Some(0), "{told:#}");
}

#[test]
fn the_demo_leaves_nothing_behind() {
    let device = Device::new();
    device.done("demo");
    assert!(!device.log_folder().exists(), "it wrote to the user's own log");
    let left = std::fs::read_dir(device.path("../tmp")).expect("the folder is there").count();
    assert_eq!(left, 0, "it left temporary files behind");
}

#[test]
fn a_demo_that_is_kept_is_a_log_to_look_around_in() {
    let device = Device::new();
    let told = device.json("demo --keep ../log");
    let length = |list: &serde_json::Value| list.as_array().map_or(0, Vec::len) as u64;
    assert_eq!(length(&device.json("pairings")["rows"]), length(&told["pairings"]));
    assert_eq!(length(&device.json("disputes")["rows"]), told["disputes"].as_u64().unwrap_or_default());
    assert_eq!(length(&device.json("live")["rows"]), told["live"].as_u64().unwrap_or_default());
    device.done("report out.html");
    let page = String::from_utf8(device.read("out.html")).expect("the page is not UTF-8");
    assert!(page.contains("<svg") && page.contains("</html>"));
    for elsewhere in ["src=\"http", "href=\"http", "url(http", "@import"] {
        assert!(!page.contains(elsewhere), "the page takes something from elsewhere: {elsewhere}");
    }
    device.refused("demo --keep ../log").saying("not empty");
}
