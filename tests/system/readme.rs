//! What the README shows is what the tool does.

use embertally_tests::Device;

const README: &str = include_str!("../../README.md");

/// Returns the lines of the fenced blocks of a kind.
fn blocks(kind: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut open: Option<&str> = None;
    for line in README.lines() {
        match (line.strip_prefix("```"), open) {
            (Some(fence), None) => open = Some(fence),
            (Some(_), Some(_)) => open = None,
            (None, Some(fence)) if fence == kind => lines.push(line.to_owned()),
            (None, _) => {}
        }
    }
    lines
}

#[test]
fn the_picture_in_the_readme_is_real_output_of_the_demo() {
    let told = Device::new().done("demo");
    let told: Vec<&str> = told.text().lines().map(str::trim_end).collect();
    let shown = blocks("text");
    assert!(shown.len() > 15, "the picture is gone");
    for line in shown.iter().filter(|l| *l != "…") {
        assert!(told.contains(&line.trim_end()), "the demo does not say: {line}");
    }
}

#[test]
fn the_commands_in_the_readme_work_in_their_order() {
    let device = Device::new();
    let commands: Vec<String> = blocks("")
        .into_iter()
        .filter_map(|line| line.strip_prefix("embertally ").map(str::to_owned))
        .filter(|line| !line.contains("OUT"))
        .collect();
    assert!(commands.len() >= 4, "the commands are gone: {commands:?}");
    for command in commands {
        device.done(&command);
    }
    assert_eq!(device.rows().len(), 10);
}

#[test]
fn the_sample_file_of_the_readme_is_there_and_is_taken_in() {
    let device = Device::new();
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/..");
    let line = README.lines().find(|l| l.contains(" -- import ")).expect("the README imports a sample");
    let file = line.rsplit(' ').next().expect("a path");
    device.done(&format!("import {root}/{file}"));
    assert!(!device.rows().is_empty());
}
