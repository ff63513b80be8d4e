//! The pairings, worst first, each with its sentence and its numbers.

use embertally_core::chart::{percent, range};

use super::data::{MeasureNumbers, PairingText, ReportData};
use super::glance::{groups, having};
use super::html::{capital, cell, fuse, name, tag, verdict, words};
use super::page::meaning;

/// Returns the pairings under the verdicts that they have.
pub(super) fn verdicts(data: &ReportData) -> String {
    let mut out = String::new();
    for tone in groups(data) {
        let entries: String = having(data, tone).map(|(n, p)| entry(n, p, data.tolerable)).collect();
        if entries.is_empty() {
            continue;
        }
        out.push_str(&format!(
            r#"<div class="group"><h3>{}</h3><p class="meaning">{}</p></div><div class="entries">{entries}</div>"#,
            capital(verdict(tone)),
            meaning(tone),
        ));
    }
    out
}

fn entry(n: usize, pairing: &PairingText, tolerable: f64) -> String {
    let mut flags = String::new();
    if let Some(use_by) = &pairing.past_use_by {
        flags.push_str(&format!(
            "<li><strong>Past its use-by</strong> of {}. A flag, and no part of the verdict.</li>",
            words(use_by)
        ));
    }
    let flags = if flags.is_empty() { flags } else { format!(r#"<ul class="flags">{flags}</ul>"#) };
    format!(
        r#"<article class="entry {tone}" id="pairing-{n}"><h4>{lot} <span class="on">on {fuse}</span></h4>{tag}<p>{sentence}</p>{flags}{numbers}</article>"#,
        tone = pairing.verdict.class(),
        lot = name(&pairing.lot),
        fuse = fuse(pairing.fuse.as_deref()),
        tag = tag(pairing.verdict),
        sentence = words(&pairing.sentence),
        numbers = numbers(pairing, tolerable),
    )
}

/// Returns the numbers of each measure; on a phone each becomes a card, as in the live list.
fn numbers(pairing: &PairingText, tolerable: f64) -> String {
    let above = format!("Chance above {}", percent(tolerable));
    let head = |words: &str| format!(r#"<th role="columnheader" scope="col">{words}</th>"#);
    let heads: String = ["Measure", "Failed", "Interval", &above, "By itself"].map(head).concat();
    let rows: String = pairing.measures.iter().map(|m| row(m, &above)).collect();
    format!(
        r#"<table class="numbers cards" role="table"><thead role="rowgroup"><tr role="row">{heads}</tr></thead><tbody role="rowgroup">{rows}</tbody></table>"#
    )
}

fn row(m: &MeasureNumbers, above: &str) -> String {
    let f = &m.figures;
    let (counts, interval, chance) = match f.shots {
        0 => ("not tried".to_owned(), "unknown".to_owned(), "unknown".to_owned()),
        _ => (f.counts(), range(f.low, f.high), percent(m.probability_above)),
    };
    let open = match f.unresolved {
        0 => String::new(),
        n => format!(r#", <span class="open">{n} open</span>"#),
    };
    format!(
        r#"<tr role="row"><th role="rowheader" scope="row">{}</th>{}{}{}{}</tr>"#,
        words(&m.measure),
        cell("Failed", &format!("{counts}{open}")),
        cell("Interval", &interval),
        cell(above, &chance),
        cell("By itself", &tag(m.verdict)),
    )
}
