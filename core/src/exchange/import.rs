//! What a file became.

use super::error::{BadRows, ImportError, RowError};
use super::group::Grouped;
use super::notice::{Notice, Notices};
use super::options::ImportOptions;
use crate::facts::{Entry, OutingId};

/// What was read from a file, ready for the log; nothing has been written yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Import {
    /// The entries, each with the outing that it belongs to; `None` for the register.
    pub entries: Vec<(Option<OutingId>, Entry)>,
    /// How many rows are in the entries.
    pub rows: u64,
    /// What was noticed and how it was taken.
    pub notices: Vec<Notice>,
    /// Rows that were left out because they are bad, at most [`super::MAX_BAD_ROWS`] of them.
    pub bad: Vec<RowError>,
    /// How many bad rows there are in all.
    pub bad_count: u64,
}

impl Import {
    /// All or nothing, unless the good rows were asked for alone.
    pub(super) fn of(
        grouped: Grouped,
        notices: Notices,
        bad: BadRows,
        options: &ImportOptions,
    ) -> Result<Self, ImportError> {
        let bad_count = bad.count();
        if !bad.is_empty() && !options.keep_good {
            return Err(ImportError::BadRows { bad: bad.into_vec(), count: bad_count });
        }
        let Grouped { entries, rows } = grouped;
        Ok(Self { entries, rows, notices: notices.into_vec(), bad: bad.into_vec(), bad_count })
    }
}
