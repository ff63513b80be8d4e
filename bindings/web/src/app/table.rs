//! A table as it is shown and as it is handed on.

use embertally_core::chart::percent;
use embertally_core::rates::Rate;
use serde::Serialize;

/// One column.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Column {
    /// Its heading.
    label: &'static str,
    /// Its name in a file.
    #[serde(skip)]
    key: &'static str,
    /// Whether its cells are numbers.
    numeric: bool,
}

/// One cell: as it is shown, and in full for a file.
#[derive(Debug, Clone)]
pub(super) struct Cell {
    shown: String,
    full: String,
}

impl Serialize for Cell {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.shown)
    }
}

impl Cell {
    pub(super) fn text(text: impl Into<String>) -> Self {
        let shown = text.into();
        Self { full: shown.clone(), shown }
    }

    /// A name; where there is none, words that say so, and an empty cell in a file.
    pub(super) fn name(name: Option<&str>, none: &str) -> Self {
        name.map_or_else(|| Self { shown: none.to_owned(), full: String::new() }, Self::text)
    }

    pub(super) fn count(n: u64) -> Self {
        Self::text(n.to_string())
    }

    /// A share, shown in percent.
    pub(super) fn share(share: Option<f64>) -> Self {
        match share.filter(|s| s.is_finite()) {
            Some(share) => Self { shown: percent(share), full: share.to_string() },
            None => Self { shown: "–".to_owned(), full: String::new() },
        }
    }

    /// Another number, shown to some digits.
    pub(super) fn number(value: Option<f64>, digits: usize) -> Self {
        match value.filter(|v| v.is_finite()) {
            Some(value) => Self { shown: format!("{value:.digits$}"), full: value.to_string() },
            None => Self { shown: "–".to_owned(), full: String::new() },
        }
    }
}

/// A table.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Table {
    pub(super) caption: String,
    columns: Vec<Column>,
    rows: Vec<Vec<Cell>>,
}

/// The columns of a rate, with their names in files.
const RATE: [(&str, &str); 8] = [
    ("failed", "failures"),
    ("of", "settled"),
    ("open", "unresolved"),
    ("rate", "rate"),
    ("from", "low"),
    ("to", "high"),
    ("if circuit", "rate_if_circuit"),
    ("if igniter", "rate_if_igniter"),
];

impl Table {
    pub(super) fn new(caption: impl Into<String>) -> Self {
        Self { caption: caption.into(), columns: Vec::new(), rows: Vec::new() }
    }

    pub(super) fn texts(mut self, columns: &[(&'static str, &'static str)]) -> Self {
        self.columns.extend(columns.iter().map(|(label, key)| Column { label, key, numeric: false }));
        self
    }

    pub(super) fn numbers(mut self, columns: &[(&'static str, &'static str)]) -> Self {
        self.columns.extend(columns.iter().map(|(label, key)| Column { label, key, numeric: true }));
        self
    }

    pub(super) fn rate(self) -> Self {
        self.numbers(&RATE)
    }

    pub(super) fn row(&mut self, cells: Vec<Cell>) {
        self.rows.push(cells);
    }

    /// Returns the table as CSV (RFC 4180), numbers in full precision.
    pub(super) fn csv(&self) -> String {
        let quoted = |text: &str| match text.contains(['"', ',', '\n', '\r']) {
            true => format!("\"{}\"", text.replace('"', "\"\"")),
            false => text.to_owned(),
        };
        let mut lines = vec![self.columns.iter().map(|c| quoted(c.key)).collect::<Vec<_>>().join(",")];
        lines.extend(self.rows.iter().map(|r| r.iter().map(|c| quoted(&c.full)).collect::<Vec<_>>().join(",")));
        lines.push(String::new());
        lines.join("\r\n")
    }
}

/// Returns the cells of a rate, in the order of its columns; the interval is the one that is shown.
pub(super) fn rate_cells(rate: &Rate) -> Vec<Cell> {
    let (low, high) = rate.shown();
    vec![
        Cell::count(rate.failures),
        Cell::count(rate.shots - rate.unresolved),
        Cell::count(rate.unresolved),
        Cell::share(rate.rate),
        Cell::share(Some(low)),
        Cell::share(Some(high)),
        Cell::share(rate.rate_if_circuit),
        Cell::share(rate.rate_if_igniter),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_has_full_numbers_and_quotes_what_needs_it() {
        let mut table = Table::new("t").texts(&[("Lot", "lot")]).numbers(&[("rate", "rate")]);
        table.row(vec![Cell::name(Some("a, \"b\""), "none"), Cell::share(Some(1.0 / 3.0))]);
        table.row(vec![Cell::name(None, "no lot"), Cell::share(None)]);
        assert_eq!(table.csv(), "lot,rate\r\n\"a, \"\"b\"\"\",0.3333333333333333\r\n,\r\n");
    }
}
