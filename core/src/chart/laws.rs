//! What holds for every input: no text breaks out, every coordinate is finite and inside the drawing.

use proptest::prelude::*;

use super::*;

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => 0.0..=1.0_f64,
        1 => prop::num::f64::ANY,
        1 => prop::sample::select(vec![0.0, -0.0, 1.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MIN_POSITIVE]),
    ]
}

fn figures() -> impl Strategy<Value = Figures> {
    let count = || prop_oneof![0..60_u64, any::<u64>()];
    let rate = || prop::option::of(number());
    (count(), count(), count(), rate(), number(), number(), rate(), rate()).prop_map(
        |(failures, shots, unresolved, rate, low, high, if_circuit, if_igniter)| Figures {
            failures,
            shots,
            unresolved,
            rate,
            low,
            high,
            if_circuit,
            if_igniter,
        },
    )
}

/// Names of all kinds, those that try to be markup among them.
fn name() -> impl Strategy<Value = String> {
    prop_oneof![
        "[<>&\"'/=! a-z]{0,40}",
        "\\PC{0,60}",
        any::<String>(),
        Just("</text></svg><script>alert(1)</script>".to_owned()),
        Just("\" onload=\"alert(1)".to_owned()),
    ]
}

fn line() -> impl Strategy<Value = IntervalLine> {
    let tone = prop::sample::select(vec![Tone::Plain, Tone::Use, Tone::TestMore, Tone::Restrict, Tone::SetAside]);
    (name(), name(), figures(), tone).prop_map(|(label, sub_label, figures, tone)| IntervalLine {
        label,
        sub_label,
        figures,
        tone,
    })
}

fn chart() -> impl Strategy<Value = IntervalChart> {
    let layout = prop::sample::select(vec![Layout::Wide, Layout::Narrow]);
    (name(), prop::collection::vec(line(), 0..6), number(), layout).prop_map(|(title, lines, tolerable, layout)| {
        let scale = Scale::holding(lines.iter().map(|l| &l.figures), tolerable);
        IntervalChart { title, lines, tolerable, scale, layout }
    })
}

/// A tag's name, its attributes, and the text that follows it.
type Tag = (String, Vec<(String, String)>, String);

/// Reads markup as strictly as is needed here: tags that close in order, attributes in double quotes, no stray `<`,
/// `&` or quote. Returns each tag with its attributes.
fn read(markup: &str) -> Result<Vec<Tag>, String> {
    let mut open: Vec<String> = Vec::new();
    let mut tags = Vec::new();
    let mut rest = markup;
    while let Some(at) = rest.find('<') {
        text(&rest[..at])?;
        let end = rest[at..].find('>').ok_or("a tag does not end")? + at;
        let inside = &rest[at + 1..end];
        rest = &rest[end + 1..];
        if let Some(name) = inside.strip_prefix('/') {
            let last = open.pop();
            if last.as_deref() != Some(name) {
                return Err(format!("</{name}> closes {last:?}"));
            }
            continue;
        }
        let (inside, closed) = inside.strip_suffix('/').map_or((inside, false), |i| (i, true));
        let (name, mut attributes) = inside.split_once(' ').unwrap_or((inside, ""));
        let mut found = Vec::new();
        while !attributes.is_empty() {
            let (key, after) = attributes.split_once("=\"").ok_or(format!("no value in {attributes}"))?;
            let (value, after) = after.split_once('"').ok_or("no closing quote")?;
            text(value)?;
            found.push((key.trim().to_owned(), value.to_owned()));
            attributes = after.trim_start();
        }
        if !closed {
            open.push(name.to_owned());
        }
        let after = rest.split('<').next().unwrap_or_default();
        tags.push((name.to_owned(), found, unescaped(after)));
    }
    text(rest)?;
    if open.is_empty() { Ok(tags) } else { Err(format!("{open:?} stay open")) }
}

fn text(text: &str) -> Result<(), String> {
    let entities = ["&amp;", "&lt;", "&gt;", "&quot;", "&#39;"];
    let stray = text.match_indices('&').any(|(at, _)| !entities.iter().any(|e| text[at..].starts_with(e)));
    if stray || text.contains(['"', '\'', '>']) { Err(format!("not escaped: {text}")) } else { Ok(()) }
}

/// Returns the text as it is shown.
fn unescaped(text: &str) -> String {
    let signs = [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&#39;", "'"), ("&amp;", "&")];
    signs.iter().fold(text.to_owned(), |t, (from, to)| t.replace(from, to))
}

/// Returns where a path's pen goes.
fn pen(path: &str) -> Result<Vec<(f64, f64)>, String> {
    let mut at = (0.0, 0.0);
    let mut seen = Vec::new();
    let mut rest = path;
    while let Some(command) = rest.chars().next() {
        let end = rest[1..].find(|c: char| c.is_alphabetic()).map_or(rest.len(), |e| e + 1);
        let numbers: Result<Vec<f64>, _> = rest[1..end].split_whitespace().map(str::parse).collect();
        let numbers = numbers.map_err(|e| format!("{path}: {e}"))?;
        at = match (command, numbers.as_slice()) {
            ('M', [x, y]) => (*x, *y),
            ('H', [x]) => (*x, at.1),
            ('V', [y]) => (at.0, *y),
            ('l', [x, y]) => (at.0 + x, at.1 + y),
            ('h', [x]) => (at.0 + x, at.1),
            ('v', [y]) => (at.0, at.1 + y),
            ('z', []) => at,
            other => return Err(format!("{other:?} in {path}")),
        };
        seen.push(at);
        rest = &rest[end..];
    }
    Ok(seen)
}

fn inside(tags: &[Tag]) -> Result<(), String> {
    let of = |a: &[(String, String)], key: &str| a.iter().find(|(k, _)| k == key).map(|(_, v)| v.clone());
    let number = |a: &[(String, String)], key: &str| match of(a, key) {
        Some(v) => v.parse::<f64>().map_err(|e| format!("{key}={v}: {e}")),
        None => Ok(0.0),
    };
    let frame = tags.first().and_then(|(_, a, _)| of(a, "viewBox")).ok_or("no viewBox")?;
    let frame: Vec<f64> = frame.split(' ').filter_map(|n| n.parse().ok()).collect();
    let [_, _, width, height] = frame[..] else { return Err(format!("{frame:?}")) };
    for (tag, a, words) in tags {
        let corners = match tag.as_str() {
            "rect" => {
                let (x, y) = (number(a, "x")?, number(a, "y")?);
                vec![(x, y), (x + number(a, "width")?, y + number(a, "height")?)]
            }
            "circle" => {
                let (x, y, r) = (number(a, "cx")?, number(a, "cy")?, number(a, "r")?);
                vec![(x - r, y - r), (x + r, y + r)]
            }
            "text" => {
                let (x, y) = (number(a, "x")?, number(a, "y")?);
                let width = super::text::width(words) * number(a, "font-size")?;
                let class = of(a, "class").unwrap_or_default();
                let from = match class.split(' ').next() {
                    Some("chart-count" | "chart-word") => x - width,
                    Some("chart-tick" | "chart-limit") => x - width / 2.0,
                    _ => x,
                };
                vec![(from, y), (from + width, y)]
            }
            "path" => pen(&of(a, "d").ok_or("no path")?)?,
            _ => continue,
        };
        for (x, y) in corners {
            let good = |v: f64, end: f64| v.is_finite() && (-0.01..=end + 0.01).contains(&v);
            if !good(x, width) || !good(y, height) {
                return Err(format!("<{tag} {a:?}> leaves {width} x {height}"));
            }
        }
    }
    Ok(())
}

proptest! {
    #[test]
    fn no_text_breaks_out_of_an_interval_chart_and_nothing_leaves_the_drawing(chart in chart()) {
        let svg = interval_chart(&chart);
        let tags = read(&svg).map_err(|e| TestCaseError::fail(format!("{e}\n{svg}")))?;
        let known = ["svg", "g", "title", "text", "path", "rect", "circle"];
        prop_assert!(tags.iter().all(|(t, a, _)| known.contains(&t.as_str()) && a.iter().all(|(k, _)| !k.starts_with("on"))));
        inside(&tags).map_err(|e| TestCaseError::fail(format!("{e}\n{svg}")))?;
    }

    #[test]
    fn no_text_breaks_out_of_a_forest_or_a_shrinkage_chart_and_nothing_leaves_the_drawing(
        title in name(),
        lines in prop::collection::vec((name(), name(), number(), prop::option::of(number()), figures(), any::<bool>()), 0..5),
        mean in number(),
        layout in prop::sample::select(vec![Layout::Wide, Layout::Narrow]),
    ) {
        let forest = lines.iter().map(|(label, sub_label, value, end, ..)| ForestLine {
            label: label.clone(),
            sub_label: sub_label.clone(),
            value: value * 100.0,
            low: *end,
            high: end.map(|e| e * 1e5),
            words: label.clone(),
        });
        let forest = forest_chart(&ForestChart { title: title.clone(), lines: forest.collect(), layout });
        let scale = Scale::holding(lines.iter().map(|l| &l.4), mean);
        let drawn = lines.iter().map(|(label, sub_label, _, own, drawn, worse)| ShrinkageLine {
            label: label.clone(),
            sub_label: sub_label.clone(),
            own: *own,
            drawn: *drawn,
            worse: *worse,
        });
        let shrunk = shrinkage_chart(&ShrinkageChart { title, lines: drawn.collect(), mean, scale, layout });
        for svg in [forest, shrunk] {
            let tags = read(&svg).map_err(|e| TestCaseError::fail(format!("{e}\n{svg}")))?;
            inside(&tags).map_err(|e| TestCaseError::fail(format!("{e}\n{svg}")))?;
        }
    }

    #[test]
    fn no_text_breaks_out_of_a_heat_table_and_every_cell_speaks(
        caption in name(),
        row_word in name(),
        columns in prop::collection::vec(name(), 0..4),
        rows in prop::collection::vec((name(), prop::collection::vec(prop::option::of(figures()), 0..6)), 0..4),
        tolerable in number(),
    ) {
        let cells = columns.len() * rows.len();
        let html = heat_table(&HeatTable { caption, row_word, columns, rows, tolerable });
        let tags = read(&html).map_err(|e| TestCaseError::fail(format!("{e}\n{html}")))?;
        prop_assert_eq!(tags.iter().filter(|(t, ..)| t == "td").count(), cells);
        read(&heat_key(tolerable)).map_err(TestCaseError::fail)?;
        read(&interval_key(tolerable)).map_err(TestCaseError::fail)?;
    }

    #[test]
    fn terminal_lines_have_their_width_whatever_they_show(
        figures in prop::collection::vec(figures(), 0..6),
        tolerable in number(),
        width in 0..200_usize,
    ) {
        for style in [BarStyle::Plain, BarStyle::Drawn] {
            let drawn = bars(&figures, tolerable, width, style);
            prop_assert_eq!(drawn.lines.len(), figures.len());
            for line in drawn.lines.iter().chain([&drawn.scale]) {
                prop_assert_eq!(line.chars().count(), width.max(16));
                prop_assert!(!line.contains(char::is_control));
                prop_assert!(style == BarStyle::Drawn || line.is_ascii());
            }
        }
    }

    #[test]
    fn a_scale_keeps_order_and_stays_within_its_ends(a in number(), b in number(), largest in number()) {
        let scale = Scale::holding(&[Figures { shots: 1, high: largest, ..Figures::default() }], 0.02);
        let (x, y) = (scale.place(a), scale.place(b));
        prop_assert!((0.0..=1.0).contains(&x) && (0.0..=1.0).contains(&y));
        prop_assert!(a.is_nan() || b.is_nan() || a > b || x <= y);
    }

    #[test]
    fn an_escaped_text_holds_no_markup_and_no_forbidden_character(name in name()) {
        let escaped = escape(&name);
        prop_assert!(text(&escaped).is_ok() && !escaped.contains('<'));
        prop_assert!(escaped.chars().all(|c| c == '\n' || c == '\t' || !c.is_control()));
        let turning = escaped.contains(['\u{202e}', '\u{2066}', '\u{ffff}']);
        prop_assert!(!turning);
    }
}
