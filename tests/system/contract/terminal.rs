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

#[test]
fn a_name_from_somebody_elses_file_cannot_steer_the_terminal() {
    let device = Device::new();
    // Names of a sheet may turn the reading direction; other texts may hold anything.
    let sheet = "outing,lot,unit,fuse,ignition,transfer,note\nT,KB\u{202e}401-,1\u{2066},vi\u{200f}sco,failed,unlit,\n";
    device.import("names.csv", sheet);
    device.done("crew add Pim");
    device.done("lot add KB-1 --storage '\u{1b}]0;owned\u{7}\rwet\u{9b}31m'");
    device.done("lot describe KB-1 'one\ntwo\u{1b}[2J'");
    device.done("safe --all --outing T --by Pim --how '\u{1b}[1A\u{1b}[2Ktaken away'");
    device.import("more.csv", sheet.replace(",1\u{2066}", ",2"));
    for line in
        ["lot", "fuse", "live", "live --made-safe", "rates", "pairings", "disputes", "lot --json", "live --json"]
    {
        let outcome = device.done(line);
        let shown = format!("{}{}", outcome.text(), outcome.stderr);
        let steers = |c: char| c != '\n' && (c.is_control() || "\u{200f}\u{202e}\u{2066}".contains(c));
        assert!(!shown.contains(steers), "`{line}` prints {shown:?}");
    }
    assert!(device.done("lot").text().contains("one\u{fffd}two"), "a line end in a cell makes another row");
    // A program gets the names as they are.
    let lots = device.json("lot").to_string();
    assert!(lots.contains("KB\u{202e}401-") && lots.contains("one\\ntwo"), "{lots}");
}

#[test]
fn a_name_that_fills_the_screen_is_shortened_in_tables_alone() {
    let device = Device::new();
    let long = "L".repeat(300);
    device.import("long.csv", format!("outing,lot,unit,ignition\nT,{long},7,failed\n"));
    let live = device.done("live");
    assert!(live.text().contains("… unit 7"), "{}", live.text());
    assert!(live.text().lines().all(|line| line.chars().count() < 240), "{}", live.text());
    assert_eq!(device.json("live")["rows"][0]["lot"], long);
}

#[test]
fn a_name_with_control_characters_or_without_end_is_refused_where_it_is_given() {
    let device = tested();
    device.done("outing go 'Meadow test'");
    let before = device.log_files();
    for bad in ["K\u{1b}[2J", "K\u{202e}B", "K\nB", &"K".repeat(81)] {
        for line in [
            "crew add 'NAME'",
            "crew device 'NAME'",
            "type add 'NAME'",
            "lot add 'NAME'",
            "fuse add 'NAME'",
            "module add 'NAME'",
            "outing begin 'NAME'",
            "volley f KB-104:x --label 'NAME'",
            "volley f 'KB-104:NAME'",
            "volley f 'NAME:1' --new",
            "volley f KB-104:x --new -f 'NAME'",
            "volley f KB-104:x --new -m 'NAME'",
        ] {
            device.wrong(&line.replace("NAME", bad));
        }
    }
    assert_eq!(device.log_files(), before);
}
