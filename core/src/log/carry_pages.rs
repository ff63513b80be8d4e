//! Carry files as pages of text that each fit a QR code, to hand over a small log with no network and no file.
//!
//! A page is one line of the characters of a QR code's alphanumeric mode:
//!
//! ```text
//! EMB1 3/12 0123456789ABCDEF:PAYLOAD:89ABCDEF
//! ```
//!
//! `EMB1` says what it is, `3/12` is the page and how many there are, then come the first 8 bytes of the BLAKE3 hash of
//! the whole as hexadecimal digits, the page's bytes as Base45 (RFC 9285), and the first 4 bytes of the BLAKE3 hash of
//! the line up to and with its last colon. The pages' lengths follow from the whole's length and the count: as even as
//! can be, longer ones first. Neither end is a space, which some scanners cut off, and a comma or quotation mark cannot
//! be part of a page, so one is found in a line of a scanner's list too.
//!
//! The hashes are against damage and mixing up, not against forgery; the whole is a carry file, with its own full hash.
//!
//! Not for: drawing the codes, or what the bytes mean (`super::carry`).

mod base45;

use std::collections::BTreeMap;

use thiserror::Error;

/// The first characters of every page.
pub const PAGE_MAGIC: &str = "EMB1 ";

/// The most pages that one carry file is split into.
pub const MOST_PAGES: u16 = 999;

/// The most characters of a page beside its payload.
const FRAME: usize = PAGE_MAGIC.len() + "999/999 ".len() + 16 + 1 + 1 + 8;

/// Why a page was not taken, or the whole not given. What was gathered before stays.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum PageError {
    /// A line holds no page.
    #[error("there is no page of a log in it")]
    NoPage,
    /// A page was read wrongly, or was never one.
    #[error("{} is damaged; scan it again", named(*.number))]
    Damaged {
        /// The number that it gives itself, where one can be read; the damage may be there too.
        number: Option<u16>,
    },
    /// A page of another log, or of this one at another time or in another size.
    #[error("page {number} of {count} belongs to another set of pages; gather each set by itself")]
    Foreign {
        /// Its number.
        number: u16,
        /// How many its own set has.
        count: u16,
    },
    /// Two intact pages with one number hold different bytes: somebody made one of them.
    #[error("page {number} was read twice, with different contents; show all pages anew")]
    Contradiction {
        /// Its number.
        number: u16,
    },
    /// Not all pages are there yet.
    #[error("{} of {count} pages missing", missing.len())]
    Incomplete {
        /// Their numbers; all of them are missing where no page was read at all.
        missing: Vec<u16>,
        /// How many there are.
        count: u16,
    },
    /// All pages are intact, and their whole is not what they say.
    #[error("the pages are all there and do not make up what they were made from; show all pages anew")]
    WrongWhole,
    /// There are more bytes than pages can hold.
    #[error("{bytes} bytes need more than {MOST_PAGES} pages of {page_bytes} bytes")]
    TooLarge {
        /// The bytes.
        bytes: usize,
        /// How many of them a page was to hold.
        page_bytes: usize,
    },
}

fn named(number: Option<u16>) -> String {
    number.map_or_else(|| "a page".to_owned(), |n| format!("page {n}"))
}

/// Pages as they are made.
#[derive(Debug)]
pub struct Pages;

impl Pages {
    /// Returns how many bytes a page holds at most that may have so many characters.
    #[must_use]
    pub fn bytes_in(characters: usize) -> usize {
        characters.saturating_sub(FRAME) / 3 * 2
    }

    /// Splits bytes into pages of at most `page_bytes` bytes each, as even as can be.
    ///
    /// # Errors
    /// [`PageError::TooLarge`], also where a page has no room at all.
    pub fn split(bytes: &[u8], page_bytes: usize) -> Result<Vec<String>, PageError> {
        let needed = if page_bytes == 0 { None } else { Some(bytes.len().div_ceil(page_bytes).max(1)) };
        let count = needed.and_then(|n| u16::try_from(n).ok()).filter(|n| *n <= MOST_PAGES);
        let count = count.ok_or(PageError::TooLarge { bytes: bytes.len(), page_bytes })?;
        let digest = digest(bytes);
        let mut rest = bytes;
        let pages = (1..=count).map(|number| {
            let (piece, after) = rest.split_at_checked(piece_length(bytes.len(), number, count)).unwrap_or((rest, &[]));
            rest = after;
            page(number, count, &digest, piece)
        });
        Ok(pages.collect())
    }
}

/// Returns how many bytes of the whole a page holds.
fn piece_length(whole: usize, number: u16, count: u16) -> usize {
    let count = usize::from(count.max(1));
    whole / count + usize::from(usize::from(number) <= whole % count)
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02X}")).collect()
}

fn digest(whole: &[u8]) -> String {
    hex(blake3::hash(whole).as_bytes().get(..8).unwrap_or_default())
}

fn page(number: u16, count: u16, digest: &str, piece: &[u8]) -> String {
    let mut text = format!("{PAGE_MAGIC}{number}/{count} {digest}:");
    base45::encode(piece, &mut text);
    text.push(':');
    text += &hex(blake3::hash(text.as_bytes()).as_bytes().get(..4).unwrap_or_default());
    text
}

/// A page as it was read.
struct Read<'a> {
    number: u16,
    count: u16,
    digest: &'a str,
    piece: Vec<u8>,
}

/// Reads a page; what is read is intact.
fn read(text: &str) -> Result<Read<'_>, PageError> {
    let head = text.strip_prefix(PAGE_MAGIC).and_then(|rest| rest.split_once('/'));
    let (number, rest) = head.ok_or(PageError::Damaged { number: None })?;
    let number = number.parse().ok().filter(|n| (1..=MOST_PAGES).contains(n));
    let damaged = PageError::Damaged { number };
    let number = number.ok_or(PageError::Damaged { number })?;
    let fields = rest.split_once(' ').and_then(|(count, rest)| {
        let (digest, rest) = rest.split_once(':')?;
        let (payload, _) = rest.rsplit_once(':')?;
        let count = count.parse().ok().filter(|c| (number..=MOST_PAGES).contains(c))?;
        Some(Read { number, count, digest, piece: base45::decode(payload)? })
    });
    // Written anew it must be the same, to the last character: that checks the checksum, and there is only one way to
    // write a page.
    fields.filter(|r| r.digest.len() == 16 && page(r.number, r.count, r.digest, &r.piece) == text).ok_or(damaged)
}

/// Finds the page in a line: from the magic to the first character that cannot be part of one.
fn find(line: &str) -> Option<&str> {
    let text = line.get(line.find(PAGE_MAGIC)?..)?;
    let end = text.bytes().position(|c| !base45::ALPHABET.contains(&c)).unwrap_or(text.len());
    Some(text.get(..end)?.trim_end())
}

/// What became of a page that was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Taken {
    /// The page's number.
    pub number: u16,
    /// Whether it was there already.
    pub again: bool,
}

/// Gathers the pages of one carry file, in any order, any of them more than once.
///
/// The first page taken says of which.
#[derive(Debug, Clone, Default)]
pub struct Gatherer {
    of: Option<(String, u16)>,
    pieces: BTreeMap<u16, Vec<u8>>,
}

impl Gatherer {
    /// Returns a gatherer that has no page yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes the page in a line, with whatever a scanner wrote before and after it.
    ///
    /// # Errors
    /// [`PageError::NoPage`], [`PageError::Damaged`], [`PageError::Foreign`], [`PageError::Contradiction`]; nothing
    /// changes then.
    pub fn take(&mut self, line: &str) -> Result<Taken, PageError> {
        let Read { number, count, digest, piece } = read(find(line).ok_or(PageError::NoPage)?)?;
        if self.of.as_ref().is_some_and(|(whole, pages)| (whole.as_str(), *pages) != (digest, count)) {
            return Err(PageError::Foreign { number, count });
        }
        if let Some(there) = self.pieces.get(&number) {
            let again = *there == piece;
            return if again { Ok(Taken { number, again }) } else { Err(PageError::Contradiction { number }) };
        }
        self.of.get_or_insert_with(|| (digest.to_owned(), count));
        self.pieces.insert(number, piece);
        Ok(Taken { number, again: false })
    }

    /// Returns how many pages there are in all; none where no page was taken.
    #[must_use]
    pub fn count(&self) -> Option<u16> {
        self.of.as_ref().map(|(_, count)| *count)
    }

    /// Returns the numbers of the pages that were not taken yet, in order.
    #[must_use]
    pub fn missing(&self) -> Vec<u16> {
        (1..=self.count().unwrap_or(0)).filter(|n| !self.pieces.contains_key(n)).collect()
    }

    /// Returns the whole.
    ///
    /// # Errors
    /// [`PageError::Incomplete`], and [`PageError::WrongWhole`] where its digest is not the one on the pages.
    pub fn whole(&self) -> Result<Vec<u8>, PageError> {
        let missing = self.missing();
        let (wanted, count) = self.of.as_ref().ok_or(PageError::Incomplete { missing: Vec::new(), count: 0 })?;
        if !missing.is_empty() {
            return Err(PageError::Incomplete { missing, count: *count });
        }
        let whole = self.pieces.values().flatten().copied().collect::<Vec<u8>>();
        let is_even = self.pieces.iter().all(|(n, piece)| piece.len() == piece_length(whole.len(), *n, *count));
        if is_even && digest(&whole) == *wanted { Ok(whole) } else { Err(PageError::WrongWhole) }
    }
}

#[cfg(test)]
mod tests;
