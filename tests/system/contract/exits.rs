//! Exit codes: 0 done, 1 refused with a reason, 2 wrong usage; and where the log is looked for.

use embertally_tests::{Device, Outcome};

use super::{commands, tested};

#[test]
fn a_name_that_nothing_has_is_refused() {
    let device = tested();
    device.done("outing go 'Meadow test'");
    let before = device.log_files();
    for line in [
        "rates --where lot=KB-999",
        "pairings --where fuse=string",
        "live --outing Nowhere",
        "outing go Nowhere",
        "crew observer Nobody",
        "lot add KB-106 --type 'No such type'",
        "lot describe KB-999 text",
        "volley f KB-999:1",
        "volley f KB-104:100 --fuse string",
        "sight abcdef01 f",
        "rule shot abcdef01:1 --ignition fired --reason text",
        "withdraw abcdef01 --reason text",
        "safe abcdef01:1",
        "weather --temperature 3 --outing Nowhere",
        "import no-such-file.csv",
        "absorb no-such-file.carry",
    ] {
        device.refused(line);
    }
    assert_eq!(device.log_files(), before, "something was written by a call that was refused");
}

#[test]
fn a_wrong_call_is_told_from_a_refusal() {
    let device = tested();
    device.done("outing go 'Meadow test'");
    let before = device.log_files();
    for line in [
        "",
        "no-such-command",
        "rates --no-such-option",
        "rates --by nonsense",
        "rates --measure nonsense",
        "rates --interval nonsense",
        "rates --level 2",
        "rates --level high",
        "rates --where lot",
        "rates --where nonsense=1",
        "pairings --tolerable 2",
        "plan prove --reliability 0.95",
        "plan prove --reliability 2 --confidence 0.95",
        "export --format nonsense out",
        "import a.csv --delimiter nonsense",
        "volley",
        "volley 3q KB-104:100-102 -w series",
        "volley 3f KB-104:100-102",
        "volley 3f KB-104:100-101 -w series",
        "volley f KB-104:100 --at yesterday",
        "volley f KB-104:100 --humidity 101",
        "volley f KB-104:100 --delay-ms 100",
        "rule shot abcdef01:1 --ignition fired",
        "withdraw zz --reason text",
        "weather",
        "safe",
        "completions nonsense",
    ] {
        device.wrong(line);
    }
    assert_eq!(device.log_files(), before, "something was written by a wrong call");
}

#[test]
fn what_cannot_be_proved_is_refused_and_no_wrong_call() {
    Device::new().refused("plan prove --reliability 0.999999999 --confidence 0.999");
    Device::new().wrong("plan prove --reliability 0.95 --confidence 1");
}

#[test]
fn the_help_of_every_command_is_there() {
    fn visit(device: &Device, call: &str) -> usize {
        let help = device.done(&format!("{call} --help"));
        assert!(help.text().contains("Usage:") && help.stderr.is_empty(), "`{call} --help`: {help:#?}");
        let below = commands(help.text());
        let below = below.iter().filter(|name| *name != "help");
        1 + below.map(|name| visit(device, &format!("{call} {name}"))).sum::<usize>()
    }
    let pages = visit(&Device::new(), "");
    assert!(pages >= 40, "only {pages} pages were found");
}

#[test]
fn a_log_that_is_not_there_is_refused_with_a_hint_and_not_made() {
    for line in [
        "rates",
        "pairings",
        "disputes",
        "live",
        "export -",
        "carry out.carry",
        "report out.html",
        "sight abcdef01 f",
        "rule shot abcdef01:1 --ignition fired --reason text",
        "withdraw abcdef01 --reason text",
        "safe --all",
        "crew",
        "type",
        "lot",
        "fuse",
        "module",
        "outing",
    ] {
        let device = Device::new();
        let said = device.refused(line).saying("embertally import").saying("embertally demo");
        assert!(said.stdout.is_empty(), "`{line}` printed {}", said.text());
        assert!(!device.log_folder().exists(), "`{line}` made a log");
        let left = std::fs::read_dir(device.path("")).expect("the folder is there").count();
        assert_eq!(left, 0, "`{line}` left a file behind");
    }
}

#[test]
fn the_log_is_named_by_the_option_else_by_the_environment_else_in_the_data_folder() {
    let device = tested();
    let run = |line: &str, environment: Option<&std::path::Path>| {
        let mut call = device.call(line);
        call.envs(environment.map(|folder| ("EMBERTALLY_LOG", folder)));
        Outcome::new(line, call.output().expect("the tool cannot be run"))
    };
    let log = device.log_folder();
    assert_eq!(run("export -", Some(&log)).ended_with(0).text(), device.export());
    run("export - --log elsewhere", Some(&log)).ended_with(1).saying("elsewhere");
    run("export -", None).ended_with(1).saying("data/embertally");
    run("lot add KB-1", None).ended_with(0);
    assert!(run("lot", None).ended_with(0).text().contains("KB-1"));
}

#[test]
fn a_file_in_the_place_of_the_log_is_named_as_the_mistake() {
    let device = Device::new();
    device.write("log.sqlite3", "anything");
    for line in ["live", "lot add KB-1", "import log.sqlite3"] {
        let mut call = device.call(line);
        call.args(["--log", "log.sqlite3"]);
        let said = Outcome::new(line, call.output().expect("the tool cannot be run"));
        said.ended_with(1).saying("is a file, and a log is a folder");
    }
}
