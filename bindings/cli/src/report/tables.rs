//! What stands in tables and lists: the live shots, the rates, the disputes, the method.

use embertally_core::chart::{percent, range};

use super::data::{LiveRow, RatesRow, RatesTable, ReportData};
use super::html::{capital, cell, counted, fuse, name, scroll, words};
use super::page::cautions;

/// Returns the live list with the cautions before it.
pub(super) fn live(data: &ReportData) -> String {
    let rows: String = data.live.iter().map(live_row).collect();
    let apart = if data.kept_apart > 0 {
        format!(
            "<p><strong>{} in entries that are kept apart and do not count may be live too.</strong> The tool's command \
             <code>apart</code> lists them.</p>",
            counted(data.kept_apart, "shot", "shots")
        )
    } else {
        String::new()
    };
    if rows.is_empty() {
        return "<p>No shot stands as live in this log. That says what was written down, not what lies on the \
                field.</p>"
            .to_owned()
            + &apart
            + &cautions(data);
    }
    let n = counted(data.live.len() as u64, "shot", "shots");
    // On a phone each row becomes a card; the roles keep it a table for screen readers all the same.
    format!(
        r#"<p>{n} failed or left the fuse unlit and have not been made safe in this log.</p>{apart}{}<table class="cards" role="table"><caption>Shots still live</caption><thead role="rowgroup"><tr role="row"><th role="columnheader" scope="col">Shot</th><th role="columnheader" scope="col">Fuse</th><th role="columnheader" scope="col">Where</th><th role="columnheader" scope="col">When</th><th role="columnheader" scope="col">Why</th></tr></thead><tbody role="rowgroup">{rows}</tbody></table>"#,
        cautions(data)
    )
}

fn live_row(row: &LiveRow) -> String {
    format!(
        r#"<tr role="row"><th role="rowheader" scope="row">{}</th>{}{}{}{}</tr>"#,
        name(&row.shot),
        cell("Fuse", &fuse(row.fuse.as_deref())),
        cell("Where", &words(&row.place)),
        cell("When", &words(&row.when)),
        cell("Why", &words(&row.why)),
    )
}

/// Returns the tables of rates.
pub(super) fn rates(data: &ReportData) -> String {
    let tables: String = data.rates.iter().filter(|t| !t.rows.is_empty()).map(table).collect();
    if tables.is_empty() { "<p>No shot counts for a rate yet.</p>".to_owned() } else { tables }
}

fn table(table: &RatesTable) -> String {
    // Where nothing is unresolved three columns would say nothing.
    let open = table.rows.iter().any(|r| r.figures.unresolved > 0);
    let th = |head: &str| format!(r#"<th scope="col">{}</th>"#, words(&capital(head)));
    let num = |head: &str| format!(r#"<th scope="col" class="num">{head}</th>"#);
    let mut heads: String = table.heads.iter().map(|h| th(h)).collect();
    heads.extend(["Failed", "Rate", "Interval"].map(num));
    if open {
        heads.extend(["Unresolved", "If circuit’s", "If igniter’s"].map(num));
    }
    let rows: String = table.rows.iter().map(|r| rate_row(r, table.heads.len(), open)).collect();
    let html = format!(
        r#"<table class="rates"><caption>{}</caption><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"#,
        words(&table.caption)
    );
    scroll(&table.caption, &html)
}

fn rate_row(row: &RatesRow, names: usize, open: bool) -> String {
    let mut cells = String::new();
    for n in 0..names {
        let inside = row.names.get(n).and_then(Option::as_deref).map_or_else(|| "none".to_owned(), name);
        cells.push_str(&if n == 0 {
            format!(r#"<th scope="row">{inside}</th>"#)
        } else {
            format!("<td>{inside}</td>")
        });
    }
    let f = &row.figures;
    let share = |s: Option<f64>| s.map_or_else(|| "unknown".to_owned(), percent);
    let num = |inside: String| format!(r#"<td class="num">{inside}</td>"#);
    cells.extend([f.counts(), share(f.rate), range(f.low, f.high)].map(num));
    if open {
        // Without unresolved shots the two readings are the rate itself.
        let reading = |s| if f.unresolved == 0 { String::new() } else { share(s) };
        cells.extend([f.unresolved.to_string(), reading(f.if_circuit), reading(f.if_igniter)].map(num));
    }
    format!("<tr>{cells}</tr>")
}

/// Returns the disputes, each with who said what.
pub(super) fn disputes(data: &ReportData) -> String {
    if data.disputes.is_empty() {
        return "<p>Nothing is disputed.</p>".to_owned();
    }
    let items: String = data
        .disputes
        .iter()
        .map(|d| {
            let said: String = d.said.iter().map(|s| format!("<li>{}</li>", words(s))).collect();
            let said = if said.is_empty() { said } else { format!("<ul>{said}</ul>") };
            format!("<li><strong>{}</strong>{said}</li>", words(&d.about))
        })
        .collect();
    format!(
        "<p>Nothing said is lost or overwritten; a disputed shot is unresolved until the crew rules on it.</p>\
         <ol class=\"disputes\">{items}</ol>"
    )
}

/// Returns how the numbers came about.
pub(super) fn method(data: &ReportData) -> String {
    let m = &data.method;
    let bands: String =
        m.weather_bands.iter().map(|(what, cuts)| format!("<li>{}: {}</li>", words(what), words(cuts))).collect();
    let bands = if bands.is_empty() { "not used".to_owned() } else { format!("<ul>{bands}</ul>") };
    let notes: String = m.notes.iter().map(|n| format!("<p>{}</p>", words(n))).collect();
    let rules = format!(
        "<ul><li>Set aside: the chance of being above it is {} or more, in both readings of what is unresolved.</li>\
         <li>Restrict: {} or more, in both readings, and something failed.</li>\
         <li>Use: {} or less, in both readings.</li><li>Test more: everything else.</li></ul>",
        percent(m.set_aside_from),
        percent(m.restrict_from),
        percent(m.use_up_to),
    );
    let parts = [
        ("Interval", format!("{}, {} level.", words(&m.interval), percent(m.level))),
        ("Tolerable", format!("A failure rate of {}.", percent(data.tolerable))),
        ("Verdicts", rules),
        (
            "Unresolved",
            "A shot whose outcome or cause is not settled is neither counted nor dropped. The rates are reckoned twice, \
             once as if all such shots were the circuit’s and once as if all were the igniter’s, and the interval \
             reaches over both."
                .to_owned(),
        ),
        ("Weather bands", bands),
    ];
    let list: String = parts.iter().map(|(head, body)| format!("<div><dt>{head}</dt><dd>{body}</dd></div>")).collect();
    format!(r#"<dl class="method">{list}</dl>{notes}"#)
}
