//! `--json` gives one object with stable names.

use std::collections::BTreeSet;

use embertally_tests::Device;
use serde_json::Value;

use super::{commands, fields, singles, tested};

/// Commands in an order in which each can be done, with fields that their objects must have. `{volley}` stands for the
/// volley that was logged.
const OBJECTS: &[(&str, &[&str])] = &[
    ("crew add Marlo", SAVED),
    ("crew device heron", SAVED),
    ("crew observer Marlo", &["saved"]),
    ("type add 'Type one' --bridge-ohm 1.6", SAVED),
    ("lot add KB-104 --type 'Type one'", SAVED),
    ("lot describe KB-104 'from the dry box'", &["saved"]),
    ("fuse add visco --kind visco", SAVED),
    ("module add Box-1 --channels 8", SAVED),
    ("outing begin 'Meadow test'", SAVED),
    ("outing go 'Meadow test'", &["saved"]),
    ("volley 2f1x KB-104:1-3 -f visco -w parallel", &["saved", "volley", "shots", "failed_or_not_tried", "unlit"]),
    ("sight {volley} 3f --observer Marlo", &["saved", "volley", "corrected"]),
    ("rule shot {volley}:3 --ignition failed --reason 'as the clip shows'", &["saved", "shot", "corrected", "kept"]),
    ("bridge {volley}:3 --ohm 1.62", &["saved", "shot", "fact", "counts", "shows", "cause", "reason", "caution"]),
    ("weather --temperature 12", &["saved", "fact"]),
    ("safe {volley}:3", &["saved", "shots", "cleared", "facts"]),
    ("safe --undo {volley}:3", &["saved", "withdrawn", "live_again"]),
    ("import more.csv", &["rows", "bad_rows", "entries_added", "entries_already_there", "notices", "bad"]),
    ("export out.csv", &["rows", "file", "complete"]),
    ("export --format json out.jsonl", &["rows", "file", "complete"]),
    ("rates", &["measure", "interval", "level", "volleys", "rows", "complete"]),
    ("pairings", &["tolerable", "interval", "level", "rules", "prior", "together", "volleys", "rows", "complete"]),
    ("model --terms lot", &["measure", "level", "references", "redundant", "if_circuit", "if_igniter", "complete"]),
    ("compare --lots KB-104,KB-105", &["of", "measure", "level", "first", "second", "shown", "sentences"]),
    ("watch --lot KB-104", &["lot", "measure", "good", "bad", "shots", "failures"]),
    (
        "string fire 'Type one:2' --supply-v 12",
        &[
            "wiring",
            "lead_ohm",
            "total_ohm",
            "first_amperes",
            "margins",
            "chance_all_fire",
            "missing",
            "warnings",
            "caution",
        ],
    ),
    ("string length", &["reliability", "confidence", "rows", "caution", "complete"]),
    ("string why {volley}", &["volley", "wiring", "mixed_types", "rows", "caution", "complete"]),
    ("threshold fit '9x 11f 10f 10.5x 12f'", &["mean", "spread", "all_fire", "no_fire", "confidence", "caution"]),
    ("threshold next --plan up-down --step 1 9x", &["plan", "level", "shots", "caution"]),
    ("disputes", &["rows", "proposals", "labels", "agreement", "complete"]),
    ("live", &["rows", "fuse_not_seen", "made_safe", "caution", "complete"]),
    ("plan prove --reliability 0.95 --confidence 0.95", &["shots", "failures", "reliability", "confidence", "rule"]),
    ("plan record --lot KB-104 --reliability 0.9 --confidence 0.9", &["lot", "measure", "if_circuit", "if_igniter"]),
    ("plan sample --lot-size 1500 --aql 1", &["letter", "shots", "accept", "reject", "operating_characteristic"]),
    ("plan oc --shots 52 --accept 3", &["shots", "accept", "rule", "curve"]),
    ("plan design --good 0.01 --bad 0.1", &["good", "bad", "shots", "accept", "curve"]),
    ("plan power --first 0.02 --second 0.3 --shots 20", &["shots_first", "shots_second", "test", "power"]),
    ("delays", &["unit", "share", "bound_confidence", "level", "rows", "complete"]),
    ("delays --compare KB-104,KB-105", &["of", "names", "first", "second", "tests", "shown", "sentences", "complete"]),
    ("strength", &["rows", "complete"]),
    ("strength --compare KB-104,KB-105", &["of", "names", "first", "second", "p_value", "shown", "sentence"]),
    ("report out.html", &["file", "bytes", "complete"]),
    ("carry out.carry", &["documents", "entries", "bytes", "complete"]),
    ("absorb out.carry", &["documents", "entries_added", "entries_already_there"]),
    ("nearby --new", &["code"]),
    ("nearby --show", &["code"]),
    ("nearby --forget", &["forgotten"]),
    ("sync --forget", &["forgotten"]),
    ("withdraw {volley} --reason 'a test of the call'", &["saved", "fact", "withdrawal", "live_before", "live_after"]),
    ("crew", &["rows"]),
    ("type", &["rows"]),
    ("lot", &["rows"]),
    ("fuse", &["rows"]),
    ("module", &["rows"]),
    ("outing", &["rows", "complete"]),
    ("crew found 'Invented crew'", &["saved", "crew", "vouched"]),
    ("crew invite --role reader", &["code", "role", "until"]),
    ("apart", &["rows", "complete"]),
    ("seal", &["saved", "outing", "entries", "digest", "live"]),
    ("verify", &["checked", "fits", "first", "crew", "counted", "apart", "problems", "seals"]),
    ("person Marlo", &["person", "called", "forgotten", "facts", "mentions", "devices_named", "complete"]),
    ("forget Marlo --yes", &["saved", "already", "entry", "person", "called", "facts", "mentions", "file_cleared"]),
];

const SAVED: &[&str] = &["saved", "entry", "corrected"];

#[test]
fn every_command_prints_one_json_object_with_its_stable_fields() {
    let device = Device::new();
    let other = singles("KB-105", "visco", 0, 5);
    let other = other.split_once('\n').map_or("", |(_, rows)| rows);
    device.write("more.csv", singles("KB-104", "visco", 1, 5) + other);
    let mut volley = String::new();
    for (line, wanted) in OBJECTS {
        let object = device.json(&line.replace("{volley}", &volley));
        if let Some(id) = object["volley"].as_str() {
            volley = id.to_owned();
        }
        let missing: Vec<_> = wanted.iter().filter(|field| object.get(**field).is_none()).collect();
        assert!(missing.is_empty(), "`{line}` lacks {missing:?}: {object:#}");
    }
}

#[test]
fn no_command_was_forgotten_here() {
    let listed = commands(Device::new().done("--help").text());
    let tried: BTreeSet<&str> = OBJECTS.iter().filter_map(|(line, _)| line.split_whitespace().next()).collect();
    // The demo and the server have their own tests; the others print texts for programs already.
    let others = ["demo", "serve", "completions", "man", "help"];
    let forgotten: Vec<_> =
        listed.iter().filter(|name| !tried.contains(name.as_str()) && !others.contains(&name.as_str())).collect();
    assert!(listed.len() > 20 && forgotten.is_empty(), "{forgotten:?}");
}

#[test]
fn rows_of_rates_have_only_the_groups_that_were_asked_for() {
    const NUMBERS: [&str; 11] = [
        "shots",
        "failures",
        "unresolved",
        "rate",
        "low",
        "high",
        "rate_if_igniter",
        "rate_if_circuit",
        "design_effect",
        "low_clustered",
        "high_clustered",
    ];
    let device = tested();
    let asked = [
        &["lot", "fuse", "weather"][..],
        &["lot"],
        &["fuse", "wiring"],
        &["outing", "type", "module"],
        &["wet", "temperature", "humidity", "wind"],
    ];
    for by in asked {
        let table = device.json(&format!("rates --by {}", by.join(",")));
        assert_eq!(fields(&table), BTreeSet::from(["measure", "interval", "level", "volleys", "rows", "complete"]));
        let rows = table["rows"].as_array().expect("rows are a list");
        assert!(!rows.is_empty());
        for row in rows {
            assert_eq!(fields(row), NUMBERS.iter().chain(by).copied().collect(), "by {by:?}");
        }
    }
}

#[test]
fn pairings_are_ranked_worst_first_with_verdict_and_probability() {
    let table = tested().json("pairings --tolerable 0.02");
    let rows = table["rows"].as_array().expect("rows are a list");
    let lots: Vec<_> = rows.iter().map(|row| &row["lot"]).collect();
    assert_eq!(lots, ["KB-104", "KB-105"]);
    for row in rows {
        assert!(row["verdict"].is_string() && row["sentence"].is_string(), "{row:#}");
        let chance = row["probability_above"].as_f64().expect("a probability is a number");
        assert!((0.0..=1.0).contains(&chance), "{chance}");
    }
}

#[test]
fn a_refusal_is_an_object_on_standard_error_and_leaves_standard_output_empty() {
    let said = tested().refused("rates --where lot=KB-999 --json");
    assert!(said.stdout.is_empty());
    let error: Value = serde_json::from_str(&said.stderr).expect("the refusal is not JSON");
    assert_eq!(error["error"], "E_NO_SUCH_NAME");
    assert!(error["message"].as_str().is_some_and(|text| text.contains("KB-999")), "{error:#}");
}

#[test]
fn messages_go_to_standard_error_alone() {
    let device = Device::new();
    for line in
        ["crew add Marlo", "lot add KB-104", "fuse add visco", "outing begin 'Meadow test'", "volley f KB-104:1"]
    {
        let said = device.done(line);
        assert!(said.stdout.is_empty(), "`{line}` printed {}", said.text());
        assert!(said.stderr.contains("Saved on this device"), "`{line}` said {}", said.stderr);
    }
}

#[test]
fn a_wrong_call_is_an_object_too_where_json_was_asked_for() {
    for line in ["live --no-such-option --json", "--json rates --level high", "volley 3u KB-104:1-3 -w series --json"] {
        let said = Device::new().wrong(line);
        assert!(said.stdout.is_empty());
        let error: Value =
            serde_json::from_str(&said.stderr).unwrap_or_else(|e| panic!("{line}: {e}: {}", said.stderr));
        assert_eq!(error["error"], "E_USAGE");
        assert!(error["message"].as_str().is_some_and(|text| !text.is_empty()), "{error:#}");
    }
}

#[test]
fn one_is_not_spoken_of_as_many() {
    let device = Device::new();
    device.write("one.csv", singles("KB-104", "visco", 1, 1));
    device.done("import one.csv").saying("1 row; ").saying("1 shot to treat as live");
    device.done("export out.csv").saying("1 row written");
}
