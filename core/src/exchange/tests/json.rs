//! JSON lines and their schema.

use serde_json::{Value, json};

use super::*;
use crate::exchange::row::Column;
use crate::facts::Delay;

fn read(text: &str) -> Result<Import, ImportError> {
    read_jsonl(text.as_bytes(), &ImportOptions::default(), &Known::default())
}

/// Checks a value against the few words of JSON Schema that the row's schema uses; a word it does not know fails.
fn check(schema: &Value, value: &Value, at: &str) -> Result<(), String> {
    let fail = |why: &str| Err(format!("{at}: {why}: {value}"));
    let is = |name: &str| match name {
        "object" => value.is_object(),
        "string" => value.is_string(),
        "integer" => value.as_f64().is_some_and(|n| n.fract() == 0.0),
        "number" => value.is_number(),
        "boolean" => value.is_boolean(),
        other => panic!("unknown type {other}"),
    };
    for (word, rule) in schema.as_object().unwrap() {
        let n = value.as_f64();
        let holds = match word.as_str() {
            "$schema" | "$id" | "title" | "description" | "format" => true,
            "type" => match rule {
                Value::String(name) => is(name),
                names => names.as_array().unwrap().iter().any(|name| is(name.as_str().unwrap())),
            },
            "enum" => rule.as_array().unwrap().contains(value),
            "minLength" => value.as_str().is_none_or(|t| t.chars().count() as f64 >= rule.as_f64().unwrap()),
            "minimum" => n.is_none_or(|n| n >= rule.as_f64().unwrap()),
            "maximum" => n.is_none_or(|n| n <= rule.as_f64().unwrap()),
            "exclusiveMinimum" => n.is_none_or(|n| n > rule.as_f64().unwrap()),
            "required" => rule.as_array().unwrap().iter().all(|name| value.get(name.as_str().unwrap()).is_some()),
            "dependentRequired" => rule.as_object().unwrap().iter().all(|(name, needs)| {
                let needs = needs.as_array().unwrap();
                value.get(name).is_none() || needs.iter().all(|need| value.get(need.as_str().unwrap()).is_some())
            }),
            "properties" => {
                for (name, field) in value.as_object().unwrap() {
                    let rule = rule.get(name).unwrap_or(&schema["additionalProperties"]);
                    check(rule, field, name)?;
                }
                true
            }
            "additionalProperties" => true,
            other => panic!("unknown word {other}"),
        };
        if !holds {
            return fail(word);
        }
    }
    Ok(())
}

fn valid(value: &Value) -> bool {
    check(&serde_json::from_str(ROW_SCHEMA).unwrap(), value, "row").is_ok()
}

#[test]
fn the_schema_has_the_columns_of_the_contract() {
    let schema: Value = serde_json::from_str(ROW_SCHEMA).unwrap();
    let mut names: Vec<_> = schema["properties"].as_object().unwrap().keys().map(String::as_str).collect();
    let mut columns: Vec<_> = Column::TABLE.iter().map(|(_, name)| *name).collect();
    names.sort_unstable();
    columns.sort_unstable();
    assert_eq!(names, columns);
    assert_eq!(schema["required"], json!(Column::REQUIRED.map(Column::name)));
}

#[test]
fn reader_and_schema_take_and_refuse_the_same_rows() {
    let good = json!({"outing": "Invented", "lot": "KB-104", "unit": "1", "ignition": "fired"});
    for (field, value, fits) in [
        ("unit", json!(12), true),
        ("unit", json!(1.5), false),
        ("volley", json!(3), true),
        ("lot", json!(3), false),
        ("lot", json!(""), false),
        ("ignition", json!("fird"), false),
        ("channel", json!(70000), false),
        ("channel", json!("3"), false),
        ("strength", json!(6), false),
        ("strength", json!(5), true),
        ("delay_ms", json!(120.4), true),
        ("delay_ms", json!(null), false),
        ("delay_low_ms", json!(1), false),
        ("frames", json!(3), false),
        ("temperature_c", json!(-91), false),
        ("humidity_pct", json!(100), true),
        ("outing_kind", json!("show"), true),
        ("slow_limit_ms", json!(150), true),
        ("slow_limit_ms", json!(0), false),
        ("clip", json!("c3.mp4"), true),
        ("clip", json!(["c3.mp4"]), false),
    ] {
        let mut row = good.clone();
        row[field] = value;
        assert_eq!(valid(&row), fits, "schema: {row}");
        assert_eq!(read(&row.to_string()).is_ok(), fits, "reader: {row}");
    }
}

#[test]
fn exported_rows_fit_the_schema_and_numbers_are_numbers() {
    let import = imported(
        "outing,lot,unit,ignition,time,delay_ms,channel,temperature_c\n\
         a,b,7,fired,2031-05-09T21:30:00+02:00,120,3,18.5\n",
    );
    let mut out = Vec::new();
    assert_eq!(write_jsonl(&mut out, exported(&import)).unwrap(), 1);
    let text = String::from_utf8(out).unwrap();
    let row: Value = serde_json::from_str(text.trim_end()).unwrap();
    assert!(valid(&row), "{row}");
    assert_eq!((&row["delay_low_ms"], &row["delay_ms"], &row["channel"]), (&json!(119.5), &json!(120), &json!(3)));
    assert_eq!(row["unit"], "7");
    assert!(row.get("observer").is_none() && row.get("frames").is_none());
    assert_eq!(ids(&read(&text).unwrap()), ids(&import));
}

#[test]
fn errors_name_line_and_field() {
    let good = r#"{"outing":"a","lot":"b","unit":"1","ignition":"fired"}"#;
    for (line, field, reason) in [
        (r#"{"outing":"a","lot":"b","unit":"1","ignition":"fird"}"#, "ignition", "not a known ignition"),
        (r#"{"outing":"a","lot":"b","unit":"1"}"#, "ignition", "empty"),
        (r#"{"outing":"a","lot":"b","lot":"c","unit":"1","ignition":"fired"}"#, "lot", "the field is there twice"),
        (r#"{"outing":"a","lot":[],"unit":"1","ignition":"fired"}"#, "lot", "it must be a text"),
        (r#"{"outing":"a""#, "", "the line is not one JSON object"),
        ("[1]", "", "the line is not one JSON object"),
        ("{} {}", "", "the line is not one JSON object"),
    ] {
        let e = bad(read(&format!("{good}\n\n{line}\n")));
        assert_eq!((e.line, e.column_name.as_str(), e.column_number), (3, field, None), "{line}");
        assert!(e.reason.starts_with(reason), "{line}: {e}");
    }
}

#[test]
fn numbers_keep_the_precision_that_json_shows() {
    let import = read(r#"{"outing":"a","lot":"b","unit":1,"ignition":"fired","delay_ms":120.4}"#).unwrap();
    let all = volleys(&import);
    assert_eq!(all[0].2[0].seen[0].delay, Some(Delay::Stated { low_us: 120_350, high_us: 120_450 }));
}
