//! What the caller may say about a file.

use std::str::FromStr;

use super::row::DecimalMark;

/// What separates the cells of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Delimiter {
    /// A comma.
    Comma,
    /// A semicolon, as spreadsheets write where the comma is the decimal mark.
    Semicolon,
    /// A tab.
    Tab,
}

impl Delimiter {
    /// All choices.
    pub const ALL: [Self; 3] = [Self::Comma, Self::Semicolon, Self::Tab];

    /// Returns the byte.
    #[must_use]
    pub const fn byte(self) -> u8 {
        match self {
            Self::Comma => b',',
            Self::Semicolon => b';',
            Self::Tab => b'\t',
        }
    }

    /// Returns its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Comma => "comma",
            Self::Semicolon => "semicolon",
            Self::Tab => "tab",
        }
    }
}

impl FromStr for Delimiter {
    type Err = String;

    /// Reads `comma`, `semicolon`, `tab`, or the character itself.
    fn from_str(text: &str) -> Result<Self, String> {
        let said = |d: &Self| text.as_bytes() == [d.byte()] || text.trim().eq_ignore_ascii_case(d.word());
        let found = Self::ALL.into_iter().find(said);
        found.ok_or_else(|| format!("{text:?} is not a delimiter; use one of: comma, semicolon, tab"))
    }
}

/// How a file is to be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ImportOptions {
    /// Take the good rows even if others are bad. Otherwise one bad row and nothing is taken.
    pub keep_good: bool,
    /// The most rows.
    pub max_rows: u64,
    /// The most bytes in one cell.
    pub max_cell_bytes: usize,
    /// What separates the cells, if not to be found out.
    pub delimiter: Option<Delimiter>,
    /// The decimal mark, if not to be found out.
    pub decimal: Option<DecimalMark>,
}

impl Default for ImportOptions {
    /// All or nothing, at most a million rows of cells of at most 4,096 bytes.
    fn default() -> Self {
        Self { keep_good: false, max_rows: 1_000_000, max_cell_bytes: 4096, delimiter: None, decimal: None }
    }
}
