//! The answer at a glance: each verdict with the pairings that have it.

use embertally_core::chart::Tone;

use super::data::{PairingText, ReportData};
use super::html::{fuse, name, tag};
use super::page::cautions;

/// Returns the pairings of a verdict with their places in the list, which make their anchors.
pub(super) fn having(data: &ReportData, tone: Tone) -> impl Iterator<Item = (usize, &PairingText)> {
    data.pairings.iter().enumerate().filter(move |(_, p)| p.verdict == tone)
}

/// Returns the verdicts worst first; pairings without one come last, so that none is lost.
pub(super) fn groups(data: &ReportData) -> impl Iterator<Item = Tone> {
    let rest = having(data, Tone::Plain).next().map(|_| Tone::Plain);
    Tone::VERDICTS.into_iter().chain(rest)
}

/// Returns the short answer and the cautions.
pub(super) fn glance(data: &ReportData) -> String {
    if data.pairings.is_empty() {
        return "<p>No shot counts for a verdict yet.</p>".to_owned() + &cautions(data);
    }
    let mut rows = String::new();
    for tone in groups(data) {
        let links: Vec<String> = having(data, tone)
            .map(|(n, p)| {
                format!(r##"<li><a href="#pairing-{n}">{} on {}</a></li>"##, name(&p.lot), fuse(p.fuse.as_deref()))
            })
            .collect();
        let list = match links.as_slice() {
            [] => "<p class=\"none\">none</p>".to_owned(),
            links => format!("<ul>{}</ul>", links.concat()),
        };
        let n = links.len();
        rows.push_str(&format!("<div><dt>{} <span class=\"n\">{n}</span></dt><dd>{list}</dd></div>", tag(tone)));
    }
    format!(r#"<dl class="glance">{rows}</dl>{}"#, cautions(data))
}
