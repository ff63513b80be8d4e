//! Intervals for a terminal: one text of fixed width a line, all on one scale.

use super::figures::Figures;
use super::scale::Scale;
use super::text::tick;

/// The least width, for a scale that still has its two ends.
const LEAST: usize = 16;

/// Which characters are drawn with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum BarStyle {
    /// ASCII only: `|--o--|`.
    #[default]
    Plain,
    /// Box-drawing characters: `├──●──┤`.
    Drawn,
}

/// The characters of a style.
struct Ink {
    left: char,
    right: char,
    line: char,
    only: char,
    point: char,
    open: char,
    limit: char,
    crossed: char,
}

impl BarStyle {
    const fn ink(self) -> Ink {
        match self {
            Self::Plain => {
                Ink { left: '|', right: '|', line: '-', only: '|', point: 'o', open: '=', limit: ':', crossed: '+' }
            }
            Self::Drawn => {
                Ink {
                    left: '├', right: '┤', line: '─', only: '│', point: '●', open: '═', limit: '┊', crossed: '┼'
                }
            }
        }
    }
}

/// Lines and their scale, all of the same width in characters, without colour and without names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bars {
    /// One a line, in the order of the figures.
    pub lines: Vec<String>,
    /// The scale to stand above or below them.
    pub scale: String,
}

/// Draws intervals, each `width` characters wide (16 at the least).
///
/// A line runs from the low to the high end, with the rate of the settled shots as a point; a double line is the
/// distance between the two readings of what is unresolved, and the tolerable rate is marked on every line.
#[must_use]
pub fn bars(figures: &[Figures], tolerable: f64, width: usize, style: BarStyle) -> Bars {
    let width = width.max(LEAST);
    let (scale, ink) = (Scale::holding(figures, tolerable), style.ink());
    let column = |share: f64| (scale.place(share) * (width - 1) as f64).round() as usize;
    Bars {
        lines: figures.iter().map(|f| one(f, column(tolerable), width, &column, &ink)).collect(),
        scale: labels(scale, tolerable, width, &column, &ink),
    }
}

fn one(figures: &Figures, limit: usize, width: usize, column: &impl Fn(f64) -> usize, ink: &Ink) -> String {
    let mut cells = vec![' '; width];
    put(&mut cells, limit, ink.limit);
    if figures.shots == 0 {
        write(&mut cells, limit + 2, "not tried");
        return cells.into_iter().collect();
    }
    let (low, high) = figures.interval();
    let (low, high) = (column(low), column(high));
    fill(&mut cells, low, high, ink.line);
    if let Some((from, to)) = figures.readings() {
        fill(&mut cells, column(from), column(to), ink.open);
    }
    if (low..=high).contains(&limit) {
        put(&mut cells, limit, ink.crossed);
    }
    put(&mut cells, low, ink.left);
    put(&mut cells, high, ink.right);
    if low == high {
        put(&mut cells, low, ink.only);
    }
    if let Some(point) = figures.point() {
        put(&mut cells, column(point), ink.point);
    }
    cells.into_iter().collect()
}

/// Returns the scale: the tolerable rate behind its mark first, then as many ticks as there is room for.
fn labels(scale: Scale, tolerable: f64, width: usize, column: &impl Fn(f64) -> usize, ink: &Ink) -> String {
    let mut cells = vec![' '; width];
    write(&mut cells, 0, "0");
    let end = tick(scale.ceiling());
    write(&mut cells, width.saturating_sub(end.len()), &end);
    let limit = format!("{}{}", ink.limit, tick(tolerable));
    if !write_if_free(&mut cells, column(tolerable), &limit) {
        put(&mut cells, column(tolerable), ink.limit);
    }
    for t in scale.ticks(5.0 / width as f64) {
        let label = tick(t);
        write_if_free(&mut cells, column(t).saturating_sub(label.len() / 2), &label);
    }
    cells.into_iter().collect()
}

fn put(cells: &mut [char], at: usize, c: char) {
    if let Some(cell) = cells.get_mut(at) {
        *cell = c;
    }
}

fn fill(cells: &mut [char], from: usize, to: usize, c: char) {
    (from..=to).for_each(|at| put(cells, at, c));
}

/// Writes as much of a text as fits.
fn write(cells: &mut [char], from: usize, text: &str) {
    text.chars().enumerate().for_each(|(n, c)| put(cells, from + n, c));
}

/// Writes a text if it fits and stays a space away from everything else.
fn write_if_free(cells: &mut [char], from: usize, text: &str) -> bool {
    let to = from + text.chars().count();
    let free = to <= cells.len()
        && cells.get(from.saturating_sub(1)..(to + 1).min(cells.len())).is_some_and(|c| c.iter().all(|c| *c == ' '));
    if free {
        write(cells, from, text);
    }
    free
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Vec<Figures> {
        let figures = |failures: u64, shots: u64, rate: f64, low: f64, high: f64| Figures {
            failures,
            shots,
            rate: Some(rate),
            low,
            high,
            ..Figures::default()
        };
        vec![
            figures(0, 40, 0.0, 0.0, 0.09),
            figures(3, 24, 0.125, 0.03, 0.32),
            Figures { unresolved: 9, if_circuit: Some(0.0), if_igniter: Some(0.3), ..figures(0, 30, 0.0, 0.0, 0.49) },
            Figures::default(),
        ]
    }

    #[test]
    fn lines_and_scale_stand_under_each_other_in_ascii() {
        let drawn = bars(&sample(), 0.02, 41, BarStyle::Plain);
        assert_eq!(
            drawn.lines,
            [
                "o-------+--------|                       ",
                "        : |---------o-----------|        ",
                "o=======+=======================--------|",
                "        : not tried                      ",
            ]
        );
        assert_eq!(drawn.scale, "0    1% :2% 5%   10%    20%   30%     50%");
    }

    #[test]
    fn lines_are_drawn_with_boxes_where_the_terminal_can() {
        let drawn = bars(&sample(), 0.02, 41, BarStyle::Drawn);
        assert_eq!(drawn.lines[1], "        ┊ ├─────────●───────────┤        ");
        assert!(drawn.scale.contains("┊2%"));
    }

    #[test]
    fn a_narrow_terminal_keeps_the_ends_and_the_limit() {
        let drawn = bars(&sample(), 0.02, 0, BarStyle::Plain);
        assert!(drawn.lines.iter().chain([&drawn.scale]).all(|l| l.chars().count() == LEAST), "{drawn:?}");
        assert!(drawn.scale.starts_with("0 ") && drawn.scale.ends_with("50%") && drawn.scale.contains(":2%"));
    }
}
