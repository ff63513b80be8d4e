//! The measures of an interval chart, for a desk and for a phone.

use super::text;

/// For which width a chart is drawn. Shrinking the wide drawing to a phone would make its words unreadable, so there
/// are two, and the page shows the one that fits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Layout {
    /// Names to the left of the axis, counts to the right; for 800 pixels or more.
    #[default]
    Wide,
    /// Names and counts above each line; for a phone.
    Narrow,
}

/// Where things stand, in the units of the drawing, one of which is about a pixel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Measures {
    /// Width of the drawing.
    pub(super) width: f64,
    /// Where the axis begins and ends.
    pub(super) axis: (f64, f64),
    /// Height above the first line.
    pub(super) top: f64,
    /// Height of one line.
    pub(super) row: f64,
    /// How far below a line's top its interval stands.
    pub(super) middle: f64,
    /// How far below a line's top its two lines of text stand.
    pub(super) text: (f64, f64),
    /// Size of the first line of text, and of the second.
    pub(super) size: (f64, f64),
    /// Room for the two lines of the names, in the same units.
    pub(super) names: (f64, f64),
    /// Room for the counts, in the same units.
    pub(super) counts: f64,
    /// Height below the last line.
    pub(super) foot: f64,
}

impl Layout {
    /// Returns the class that the style sheet knows it by.
    pub(super) const fn class(self) -> &'static str {
        match self {
            Self::Wide => "chart-wide",
            Self::Narrow => "chart-narrow",
        }
    }

    /// Returns the measures for lines of these names.
    pub(super) fn measures<'a>(self, names: impl Iterator<Item = (&'a str, &'a str)>) -> Measures {
        match self {
            Self::Wide => {
                let size = (14.5, 12.5);
                let widest = names.map(|(a, b)| (text::width(a) * size.0).max(text::width(b) * size.1));
                let names = widest.fold(80.0, f64::max).min(270.0);
                let width = 900.0;
                Measures {
                    width,
                    axis: (names + 26.0, width - 170.0),
                    top: 34.0,
                    row: 46.0,
                    middle: 22.0,
                    text: (19.0, 36.0),
                    size,
                    names: (names, names),
                    counts: 154.0,
                    foot: 30.0,
                }
            }
            Self::Narrow => Measures {
                width: 328.0,
                axis: (18.0, 302.0),
                top: 30.0,
                row: 72.0,
                middle: 52.0,
                text: (18.0, 34.0),
                size: (14.0, 12.5),
                names: (168.0, 228.0),
                counts: 138.0,
                foot: 28.0,
            },
        }
    }
}
