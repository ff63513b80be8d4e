//! A table of lot by fuse, each cell tinted by its rate, and hatched where little is known.

use super::figures::Figures;
use super::text::{escape, percent, range};

/// The table: what its rows and columns are, and a cell for each.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HeatTable {
    /// What the table shows.
    pub caption: String,
    /// What the rows are, such as `lot`.
    pub row_word: String,
    /// The names of the columns.
    pub columns: Vec<String>,
    /// The rows: a name, and the cells in the order of the columns. What is missing was not tried.
    pub rows: Vec<(String, Vec<Option<Figures>>)>,
    /// The rate that is tolerable; the tints are multiples of it.
    pub tolerable: f64,
}

/// Up to how many times what is tolerable a tint reaches; one more is above them all.
const STEPS: [f64; 3] = [1.0, 2.5, 5.0];

/// From which width of the interval a rate is known roughly, and from which hardly.
const ROUGHLY: f64 = 0.10;
const HARDLY: f64 = 0.25;

/// Returns the tint of a cell: 0 where none failed, then upwards.
fn tint(rate: f64, tolerable: f64) -> usize {
    if rate <= 0.0 {
        return 0;
    }
    // An allowance for rates that are the limit but for a rounding, such as 3 of 150 against 0.02.
    STEPS.iter().position(|s| rate <= s * tolerable + 1e-12).unwrap_or(STEPS.len()) + 1
}

/// Returns the class and the words of how well a cell is known.
fn known(figures: &Figures) -> (&'static str, &'static str) {
    let (low, high) = figures.interval();
    match high - low {
        w if w > HARDLY => ("heat-hardly", "hardly known"),
        w if w > ROUGHLY => ("heat-roughly", "roughly known"),
        _ => ("heat-well", ""),
    }
}

/// Returns the table as one `<table>` element, every cell said in words and numbers.
#[must_use]
pub fn heat_table(table: &HeatTable) -> String {
    let head: String = table.columns.iter().map(|c| format!(r#"<th scope="col">{}</th>"#, escape(c))).collect();
    let mut body = String::new();
    for (name, cells) in &table.rows {
        body.push_str(&format!(r#"<tr><th scope="row">{}</th>"#, escape(name)));
        for n in 0..table.columns.len() {
            body.push_str(&cell(cells.get(n).and_then(Option::as_ref), table.tolerable));
        }
        body.push_str("</tr>");
    }
    format!(
        r#"<table class="heat"><caption>{}</caption><thead><tr><th scope="col">{}</th>{head}</tr></thead><tbody>{body}</tbody></table>"#,
        escape(&table.caption),
        escape(&table.row_word),
    )
}

fn cell(figures: Option<&Figures>, tolerable: f64) -> String {
    let Some(figures) = figures.filter(|f| f.shots > 0) else {
        return r#"<td class="heat-empty">not tried</td>"#.to_owned();
    };
    let small = |words: &str| if words.is_empty() { String::new() } else { format!("<small>{words}</small>") };
    let open = match figures.unresolved {
        0 => String::new(),
        n => format!("{n} open"),
    };
    let (known, words) = known(figures);
    let (low, high) = figures.interval();
    let (class, rate) = match figures.point() {
        Some(rate) => (format!("heat-{}", tint(rate, tolerable)), percent(rate)),
        None => ("heat-open".to_owned(), "unresolved".to_owned()),
    };
    format!(
        r#"<td class="{class} {known}"><strong>{rate}</strong>{}{}{}{}</td>"#,
        small(&figures.counts()),
        small(&range(low, high)),
        small(&open),
        small(words),
    )
}

/// Returns the key to the tints and the hatching as an HTML list.
#[must_use]
pub fn heat_key(tolerable: f64) -> String {
    let mut items = vec![("heat-0 heat-well", "none failed".to_owned())];
    let classes = ["heat-1 heat-well", "heat-2 heat-well", "heat-3 heat-well"];
    items.extend(classes.into_iter().zip(STEPS).map(|(c, step)| (c, format!("up to {}", percent(step * tolerable)))));
    items.push(("heat-4 heat-well", format!("above {}", percent(STEPS[2] * tolerable))));
    items.push(("heat-4 heat-roughly", format!("roughly known: interval wider than {}", percent(ROUGHLY))));
    items.push(("heat-4 heat-hardly", format!("hardly known: wider than {}", percent(HARDLY))));
    let items: String = items
        .iter()
        .map(|(class, words)| {
            format!(r#"<li><span class="heat-swatch {class}" aria-hidden="true"></span>{words}</li>"#)
        })
        .collect();
    format!(r#"<ul class="chart-key">{items}</ul>"#)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figures(failures: u64, shots: u64, high: f64) -> Figures {
        let rate = Some(failures as f64 / shots as f64);
        Figures { failures, shots, rate, high, ..Figures::default() }
    }

    #[test]
    fn tints_are_multiples_of_what_is_tolerable_and_hold_their_limit() {
        let tints = [0.0, 0.019, 3.0 / 150.0, 0.021, 0.05, 0.1, 0.11, 1.0].map(|r| tint(r, 0.02));
        assert_eq!(tints, [0, 1, 1, 2, 2, 3, 4, 4]);
        assert_eq!(tint(0.5, f64::NAN), 4);
    }

    #[test]
    fn every_cell_says_its_rate_its_counts_and_how_well_it_is_known() {
        let html = heat_table(&HeatTable {
            caption: "Ignition".into(),
            row_word: "lot".into(),
            columns: vec!["visco".into(), "black match".into(), "none".into()],
            rows: vec![("KB-104".into(), vec![Some(figures(2, 24, 0.27)), Some(Figures::default())])],
            tolerable: 0.02,
        });
        assert!(
            html.contains(
                "<td class=\"heat-3 heat-hardly\"><strong>8.3\u{a0}%</strong><small>2 of 24</small>\
             <small>0 to 27\u{a0}%</small><small>hardly known</small></td>"
            ),
            "{html}"
        );
        assert_eq!(html.matches("not tried").count(), 2);
        assert!(html.contains(r#"<th scope="row">KB-104</th>"#) && html.contains(r#"<th scope="col">visco</th>"#));
    }

    #[test]
    fn a_cell_of_nothing_but_unresolved_shots_has_no_rate() {
        let open = Figures { shots: 4, unresolved: 4, ..Figures::default() };
        let html = cell(Some(&open), 0.02);
        assert!(html.contains("<strong>unresolved</strong>") && html.contains("<small>4 open</small>"), "{html}");
    }

    #[test]
    fn the_key_names_every_tint() {
        let key = heat_key(0.02);
        assert!((0..=4).all(|n| key.contains(&format!("heat-{n} "))), "{key}");
    }
}
