//! What must hold of every page.

use embertally_core::chart::{Figures, ForestLine, ShrinkageLine, Tone};

use super::data::*;
use super::page::page;
use super::sample::sample;

/// A name that tries to be everything that it must not be.
const HOSTILE: &str = "</style></title><script>alert('x')</script><img src=x onerror=\"alert(1)\">&amp;";

fn hostile() -> ReportData {
    let mut data = sample();
    let bad = || HOSTILE.to_owned();
    (data.title, data.made_at, data.cautions) = (bad(), bad(), vec![bad()]);
    for p in &mut data.pairings {
        (p.lot, p.fuse, p.sentence, p.past_use_by) = (bad(), Some(bad()), bad(), Some(bad()));
        p.measures.iter_mut().for_each(|m| m.measure = bad());
    }
    for l in &mut data.live {
        *l = LiveRow { shot: bad(), fuse: Some(bad()), place: bad(), when: bad(), why: bad() };
    }
    for c in &mut data.charts {
        (c.measure, c.counts, c.heat.row_word) = (bad(), bad(), bad());
        c.lines.iter_mut().for_each(|l| (l.label, l.sub_label) = (bad(), bad()));
        c.heat.columns.iter_mut().for_each(|n| *n = bad());
        c.heat.rows.iter_mut().for_each(|(n, _)| *n = bad());
    }
    for c in &mut data.curves {
        (c.heading, c.sentences) = (bad(), vec![bad()]);
        (c.chart.title, c.chart.axis_word, c.chart.mark) = (bad(), bad(), Some((1.0, bad())));
    }
    let shrunk = ShrinkageLine { label: bad(), sub_label: bad(), ..ShrinkageLine::default() };
    data.together = vec![TogetherChart { measure: bad(), words: bad(), mean: f64::NAN, lines: vec![shrunk] }];
    let line =
        ForestLine { label: bad(), sub_label: bad(), words: bad(), value: f64::INFINITY, ..ForestLine::default() };
    data.models = vec![ModelChart { measure: bad(), words: bad(), lines: vec![line] }];
    for t in &mut data.rates {
        (t.caption, t.heads) = (bad(), vec![bad()]);
        t.rows.iter_mut().for_each(|r| r.names = vec![Some(bad())]);
    }
    data.disputes = vec![DisputeText { about: bad(), said: vec![bad()] }];
    (data.method.interval, data.method.notes) = (bad(), vec![bad()]);
    data.method.weather_bands = vec![(bad(), bad())];
    data
}

/// Returns the names of all tags, and fails on a `<` that begins none.
fn tags(html: &str) -> Vec<String> {
    html.split('<')
        .skip(1)
        .map(|t| t.chars().take_while(|c| c.is_ascii_alphanumeric() || matches!(c, '/' | '!')).collect::<String>())
        .collect()
}

#[test]
fn names_that_try_to_be_markup_stay_text() {
    let html = page(&hostile());
    let known = [
        "!doctype",
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "a",
        "p",
        "strong",
        "header",
        "h1",
        "h2",
        "h3",
        "h4",
        "nav",
        "ul",
        "ol",
        "li",
        "main",
        "section",
        "dl",
        "div",
        "dt",
        "dd",
        "span",
        "svg",
        "g",
        "path",
        "rect",
        "circle",
        "text",
        "bdi",
        "article",
        "table",
        "caption",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "small",
        "figure",
        "figcaption",
        "footer",
    ];
    for tag in tags(&html) {
        assert!(known.contains(&tag.trim_start_matches('/')), "<{tag}>");
    }
    assert_eq!(html.matches("</style>").count(), 1);
    assert!(!html.contains("<script") && !html.contains("<img") && !html.contains("onerror=\""));
}

#[test]
fn every_tag_that_opens_closes_in_order() {
    for data in [sample(), hostile(), ReportData::default()] {
        let html = page(&data);
        let mut open: Vec<String> = Vec::new();
        for (tag, whole) in tags(&html).into_iter().zip(html.split('<').skip(1)) {
            let closes_itself = whole.split('>').next().is_some_and(|t| t.ends_with('/'));
            if tag == "!doctype" || tag == "meta" || closes_itself {
                continue;
            }
            match tag.strip_prefix('/') {
                Some(name) => assert_eq!(open.pop().as_deref(), Some(name)),
                None => open.push(tag),
            }
        }
        assert!(open.is_empty(), "{open:?}");
    }
}

#[test]
fn the_page_loads_nothing_and_runs_nothing() {
    let html = page(&sample());
    for forbidden in ["<script", "src=", "http:", "https:", "url(", "@import", "<link", "<iframe"] {
        assert!(!html.contains(forbidden), "{forbidden}");
    }
}

#[test]
fn ids_are_unique_and_every_anchor_has_its_place() {
    let html = page(&sample());
    let after = |mark: &str| -> Vec<String> {
        html.split(mark).skip(1).filter_map(|t| t.split('"').next()).map(str::to_owned).collect()
    };
    let mut ids = after(" id=\"");
    for target in after("href=\"#") {
        assert!(ids.contains(&target), "#{target}");
    }
    let all = ids.len();
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), all);
}

#[test]
fn verdicts_come_first_with_the_caution_then_the_live_list() {
    let html = page(&sample());
    let at = |text: &str| html.find(text).unwrap_or_else(|| panic!("no {text}"));
    let order = [
        at("<h1>"),
        at("None of them is a permission."),
        at("class=\"glance\""),
        at("class=\"caution\""),
        at("id=\"pairing-0\""),
        at("id=\"live\""),
        at("<figure>"),
        at("class=\"rates\""),
        at("class=\"disputes\""),
        at("class=\"method\""),
    ];
    assert!(order.is_sorted(), "{order:?}");
    // With the verdicts, the live list and the drawings of volleys.
    assert_eq!(html.matches("No number here is a permission.").count(), 3);
}

#[test]
fn invented_data_is_said_at_the_top_and_at_the_foot() {
    let mut data = sample();
    assert_eq!(page(&data).matches("Invented data.").count(), 2);
    data.invented = false;
    assert!(!page(&data).contains("Invented"));
}

#[test]
fn an_empty_log_makes_a_page_that_says_so_and_claims_nothing_of_the_field() {
    let html = page(&ReportData::default());
    for text in ["No shot counts for a verdict yet", "not what lies on the", "nothing to draw", "Nothing is disputed"] {
        assert!(html.contains(text), "{text}");
    }
}

#[test]
fn every_pairing_stands_under_its_verdict_with_words() {
    let html = page(&sample());
    for (n, p) in sample().pairings.iter().enumerate() {
        let entry = html.split(&format!("id=\"pairing-{n}\"")).nth(1).unwrap();
        let tag = entry.split("</span>").find(|s| s.contains("class=\"tag")).unwrap();
        assert!(tag.ends_with(p.verdict.words()), "{tag}");
    }
    assert_eq!(html.matches("<small>needs 88\u{a0}clean shots</small>").count(), 2);
    assert!(html.contains("<strong>Past its use-by</strong> of 2035-06-30."));
}

#[test]
fn a_pairing_without_a_verdict_is_not_lost() {
    let lone = PairingText { lot: "KB-1".to_owned(), verdict: Tone::Plain, ..PairingText::default() };
    let html = page(&ReportData { pairings: vec![lone], ..ReportData::default() });
    assert!(html.contains("<h3>Not judged</h3>") && html.matches("<bdi>KB-1</bdi>").count() == 2);
}

#[test]
fn columns_of_unresolved_shots_stand_only_where_some_are() {
    let row = RatesRow { names: vec![None], figures: Figures { shots: 3, ..Figures::default() } };
    let table = RatesTable { caption: "Slow".to_owned(), heads: vec!["lot".to_owned()], rows: vec![row] };
    let html = page(&ReportData { rates: vec![table], ..ReportData::default() });
    assert!(html.contains("0 of 3") && html.contains("<th scope=\"row\">none</th>") && !html.contains("If circuit"));
}
