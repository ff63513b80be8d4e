//! The page as a whole: its head, its order, its foot.

use embertally_core::chart::{STYLE as CHART_STYLE, Tone, escape};

use super::data::ReportData;
use super::html::{counted, section, words};
use super::{glance, pictures, tables, verdicts};

const STYLE: &str = include_str!("style.css");

/// Forbids everything but the styles in the page itself: a second lock behind the escaping.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// The sections, in the order in which a crew needs them.
const CONTENTS: [(&str, &str); 9] = [
    ("verdicts", "Verdicts"),
    ("live", "Still live"),
    ("charts", "Charts"),
    ("together", "Together"),
    ("curves", "Delays and plans"),
    ("rates", "Rates"),
    ("volleys", "Volleys"),
    ("disputes", "Disputes"),
    ("method", "Method"),
];

/// Returns the page: one HTML document without scripts, which loads nothing.
pub(crate) fn page(data: &ReportData) -> String {
    let title = escape(&data.title);
    let banner = if data.invented {
        "<p class=\"invented\" role=\"note\"><strong>Invented data.</strong> Every lot, place, person and number on \
         this page is made up to show the tool.</p>"
    } else {
        ""
    };
    let nav: String = CONTENTS.iter().map(|(id, name)| format!("<li><a href=\"#{id}\">{name}</a></li>")).collect();
    let foot = if data.invented { "Invented data. " } else { "" };
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">\n\
         <meta name=\"referrer\" content=\"no-referrer\">\n<meta name=\"color-scheme\" content=\"light dark\">\n\
         <title>{title}</title>\n<style>\n{CHART_STYLE}{STYLE}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#main\">Skip to the verdicts</a>\n{banner}\n\
         <header><p class=\"kicker\">Embertally report</p><h1>{title}</h1><p class=\"made\">Made {made}. {summary}</p>\
         <nav aria-label=\"Sections\"><ul>{nav}</ul></nav></header>\n<main id=\"main\">\n{main}\n</main>\n\
         <footer><p>{foot}Worked out from the log of {made}. The tool records and reckons; it never fires anything, \
         and no number here is a permission.</p></footer>\n</body>\n</html>\n",
        made = words(&data.made_at),
        summary = summary(data),
        main = main(data),
    )
}

fn summary(data: &ReportData) -> String {
    let s = &data.summary;
    format!(
        "The log holds {} in {} of {}, written on {} and seen by {}.",
        counted(s.shots, "shot", "shots"),
        counted(s.volleys, "volley", "volleys"),
        counted(s.outings, "outing", "outings"),
        counted(s.devices, "device", "devices"),
        counted(s.observers, "observer", "observers"),
    )
}

fn main(data: &ReportData) -> String {
    [
        section("verdicts", "What to take from it", &(glance::glance(data) + &verdicts::verdicts(data))),
        section("live", "Still live", &tables::live(data)),
        section("charts", "Rates and how well they are known", &pictures::charts(data)),
        section("together", "All pairings together", &pictures::together(data)),
        section("curves", "Delays, and what a sampling plan lets through", &pictures::curves(data)),
        section("rates", "Rates in numbers", &tables::rates(data)),
        section("volleys", "Volleys that fired in part or not at all", &pictures::volleys(data)),
        section("disputes", "Where the crew disagrees", &tables::disputes(data)),
        section("method", "How the numbers came about", &tables::method(data)),
    ]
    .join("\n")
}

/// Returns the cautions, in a box that no reader of a verdict or of the live list can miss.
pub(super) fn cautions(data: &ReportData) -> String {
    if data.cautions.is_empty() {
        return String::new();
    }
    let lines: String = data.cautions.iter().map(|c| format!("<p>{}</p>", words(c))).collect();
    format!(r#"<div class="caution" role="note" aria-label="Caution"><p class="caution-word">Caution</p>{lines}</div>"#)
}

/// Says what a verdict means; the rules with their numbers stand under the method.
pub(super) fn meaning(tone: Tone) -> &'static str {
    match tone {
        Tone::SetAside => "Very likely worse than is tolerable, even in the kinder reading of what is unresolved.",
        Tone::Restrict => "More likely than not worse than is tolerable.",
        Tone::TestMore => "Too little is known to say either.",
        Tone::Use => "The evidence so far supports it. It is no permission.",
        Tone::Plain => "No verdict was asked for.",
    }
}
