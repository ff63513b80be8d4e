//! The answer at a glance: each verdict with the pairings that have it.

use embertally_core::chart::Tone;

use super::data::{PairingText, ReportData};
use super::html::{counted, fuse, name, tag};
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
        let links: Vec<String> = having(data, tone).map(|(n, p)| link(n, p)).collect();
        let list = match links.as_slice() {
            [] => "<p class=\"none\">none</p>".to_owned(),
            links => format!("<ul>{}</ul>", links.concat()),
        };
        let n = links.len();
        rows.push_str(&format!("<div><dt>{} <span class=\"n\">{n}</span></dt><dd>{list}</dd></div>", tag(tone)));
    }
    // Said before the list as well: on a phone a long one pushes the box with the cautions out of sight.
    format!(
        r#"<p>A verdict says what the evidence so far supports. <strong>None of them is a permission.</strong></p><dl class="glance">{rows}</dl>{}"#,
        cautions(data)
    )
}

/// Returns a pairing as a link to its numbers, with what it would take to clear it where that is worth trying.
fn link(n: usize, pairing: &PairingText) -> String {
    let needed = pairing.clean_shots_needed.filter(|_| pairing.verdict != Tone::SetAside);
    let needed = needed.map_or_else(String::new, |shots| {
        format!(" <small>needs {}</small>", counted(shots, "clean shot", "clean shots"))
    });
    let (lot, fuse) = (name(&pairing.lot), fuse(pairing.fuse.as_deref()));
    format!(r##"<li><a href="#pairing-{n}">{lot} on {fuse}</a>{needed}</li>"##)
}
