//! A log that cannot be read whole says so in every answer.

use embertally_tests::Device;

use super::tested;

const ANSWERS: &[&str] = &[
    "live",
    "rates",
    "pairings",
    "disputes",
    "export out.csv",
    "report out.html",
    "outing",
    "carry out.carry --force",
];

/// Flips bytes in the middle of every piece, as a failing disk does.
fn damage(device: &Device) {
    let store = rusqlite::Connection::open(device.log_folder().join("log.sqlite3")).expect("the log cannot be opened");
    let flip = "UPDATE pieces SET bytes = CAST(substr(bytes, 1, 40) || x'00ff00ff' || substr(bytes, 45) AS BLOB)";
    assert!(store.execute(flip, []).expect("the log cannot be damaged") > 0);
}

#[test]
fn an_answer_from_a_whole_log_is_complete() {
    let device = tested();
    for line in ANSWERS {
        let answer = device.json(line);
        assert_eq!(answer["complete"], true, "{line}");
        assert!(answer.get("problems").is_none(), "{line}");
    }
    assert!(!device.done("live").text().contains("INCOMPLETE"));
}

#[test]
fn an_answer_from_a_damaged_log_is_not_complete() {
    let device = tested();
    damage(&device);
    // The second time the damage was set aside already, and the answers are no more complete.
    for line in ANSWERS.iter().chain(ANSWERS) {
        let answer = device.json(line);
        assert_eq!(answer["complete"], false, "{line}");
        assert!(answer["problems"][0].as_str().is_some_and(|text| text.starts_with("Damage")), "{line}: {answer:#}");
    }
    let live = device.done("live");
    assert!(live.text().starts_with("THIS LIST IS INCOMPLETE: Damage"), "{}", live.text());
}
