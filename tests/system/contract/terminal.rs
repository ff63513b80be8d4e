//! Colour, completions, the manual page.

use embertally_tests::{Device, Outcome};

use super::{commands, tested};

#[test]
fn nothing_is_coloured_in_a_pipe() {
    // Every call of these tests is checked for escape sequences; here are those that draw the most.
    let device = tested();
    for line in ["rates", "pairings", "live", "disputes", "demo", "--help", "pairings --help", "rates --by nonsense"] {
        device.run(line);
    }
}

#[test]
fn no_color_is_obeyed_even_where_colour_is_forced() {
    let device = Device::new();
    let help = |without: bool| {
        let mut call = device.call("--help");
        call.env("CLICOLOR_FORCE", "1").envs(without.then_some(("NO_COLOR", "1")));
        call.output().expect("the tool cannot be run").stdout
    };
    assert!(help(false).contains(&0x1b), "colour cannot be forced, so this test shows nothing");
    assert!(!help(true).contains(&0x1b));
}

#[test]
fn a_table_is_the_same_with_and_without_no_color() {
    let device = tested();
    let mut call = device.call_on_log("pairings");
    call.env("NO_COLOR", "1");
    let without = Outcome::new("pairings", call.output().expect("the tool cannot be run")).ended_with(0);
    assert_eq!(device.done("pairings").stdout, without.stdout);
}

#[test]
fn there_are_completions_for_every_shell() {
    let device = Device::new();
    let names = commands(device.done("--help").text());
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = device.done(&format!("completions {shell}"));
        for name in &names {
            assert!(script.text().contains(name.as_str()), "{shell} knows nothing of {name}");
        }
    }
    assert!(!device.log_folder().exists());
}

#[test]
fn the_manual_page_names_every_command() {
    let device = Device::new();
    let page = device.done("man");
    assert!(page.text().contains(".TH embertally"), "{}", page.text());
    for name in commands(device.done("--help").text()) {
        assert!(page.text().contains(&name), "nothing of {name}");
    }
}

#[test]
fn a_reader_that_has_had_enough_is_no_failure() {
    let device = Device::new();
    let mut call = device.call("completions bash");
    let mut child = call.stdout(std::process::Stdio::piped()).spawn().expect("the tool cannot be run");
    drop(child.stdout.take());
    assert!(child.wait().expect("it cannot be waited for").success());
}
