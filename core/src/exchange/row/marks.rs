//! Which decimal mark a file uses: stated, or found out and said aloud, never guessed.

use super::super::error::FormatError;
use super::super::notice::Notices;
use super::decimal::{Decimal, DecimalMark};

/// Where a mark was first met.
#[derive(Debug, Clone, Copy)]
struct Place {
    line: u64,
    column: Option<u32>,
}

/// What was met of one mark.
#[derive(Debug, Clone, Copy, Default)]
struct Met {
    first: Option<Place>,
    /// At least one number can only be read with this as the decimal mark.
    certain: bool,
}

/// The marks met so far. Numbers are read as if the mark met were the right one; [`Marks::settle`] says at the end
/// whether that holds for the whole file, before anything that was read leaves the importer.
#[derive(Debug)]
pub(in super::super) struct Marks {
    stated: Option<DecimalMark>,
    /// In a file that separates cells with semicolons or tabs, a lone point may stand between thousands.
    doubts_points: bool,
    comma: Met,
    point: Met,
}

impl Marks {
    pub(in super::super) fn new(stated: Option<DecimalMark>, doubts_points: bool) -> Self {
        Self { stated, doubts_points, comma: Met::default(), point: Met::default() }
    }

    /// Takes note of a number's mark; an error if another is stated.
    pub(in super::super) fn meet(
        &mut self,
        number: Decimal,
        mark: DecimalMark,
        place: impl FnOnce() -> (u64, Option<u32>),
    ) -> Result<(), &'static str> {
        match (self.stated, mark) {
            (Some(DecimalMark::Point), DecimalMark::Comma) => return Err("the decimal mark is stated to be a point"),
            (Some(DecimalMark::Comma), DecimalMark::Point) => return Err("the decimal mark is stated to be a comma"),
            _ => {}
        }
        let met = match mark {
            DecimalMark::Comma => &mut self.comma,
            DecimalMark::Point => &mut self.point,
        };
        met.first.get_or_insert_with(|| {
            let (line, column) = place();
            Place { line, column }
        });
        met.certain |= !number.may_be_thousands();
        Ok(())
    }

    /// Says whether all numbers of the file can be read in one way only.
    pub(in super::super) fn settle(&self, notices: &mut Notices) -> Result<(), FormatError> {
        let ambiguous = |place: Place, reason: String| {
            Err(FormatError::at(
                place.line,
                place.column,
                format!("{reason}; say with the option decimal which is meant"),
            )
            .settled_by("decimal"))
        };
        match (self.comma.first, self.point.first) {
            (Some(comma), Some(point)) => {
                let reason = format!("this number has a decimal comma, and that of line {} a point", point.line);
                ambiguous(comma, reason)
            }
            (Some(comma), None) if self.stated.is_none() && !self.comma.certain => {
                ambiguous(comma, "the comma may be a decimal mark or stand between thousands".to_owned())
            }
            (None, Some(point)) if self.stated.is_none() && self.doubts_points && !self.point.certain => {
                ambiguous(point, "the point may be a decimal mark or stand between thousands".to_owned())
            }
            (Some(comma), None) => {
                notices
                    .line("decimal-comma", comma.line, || "Numbers have a decimal comma and are read so.".to_owned());
                Ok(())
            }
            _ => Ok(()),
        }
    }
}
