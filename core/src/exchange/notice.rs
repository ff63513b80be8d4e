//! What a reader noticed and how it took it: nothing is guessed in silence.

use std::fmt;

use serde::Serialize;

/// One thing that a reader found in a file and how it took it; a thing that comes again is counted, not repeated.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Notice {
    /// A short word that names the kind of notice and never changes, such as `byte-order-mark`.
    pub code: &'static str,
    /// The physical line where it was first met, from 1; `None` where it regards the file as a whole.
    pub line: Option<u64>,
    /// How often it was met.
    pub count: u64,
    /// A sentence for the person, about the first time it was met.
    pub text: String,
}

impl fmt::Display for Notice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(line) = self.line {
            write!(f, "Line {line}: ")?;
        }
        f.write_str(&self.text)?;
        match self.count {
            0 | 1 => Ok(()),
            n => write!(f, " (And {} more of this kind.)", n - 1),
        }
    }
}

/// Collects notices, one for each kind.
#[derive(Debug, Default)]
pub(super) struct Notices(Vec<Notice>);

impl Notices {
    /// Notes something about the file as a whole.
    pub(super) fn file(&mut self, code: &'static str, text: impl Into<String>) {
        self.add(code, None, || text.into());
    }

    /// Notes something on a line; the sentence is made only for the first of its kind.
    pub(super) fn line(&mut self, code: &'static str, line: u64, text: impl FnOnce() -> String) {
        self.add(code, Some(line), text);
    }

    fn add(&mut self, code: &'static str, line: Option<u64>, text: impl FnOnce() -> String) {
        match self.0.iter_mut().find(|n| n.code == code) {
            Some(known) => known.count += 1,
            None => self.0.push(Notice { code, line, count: 1, text: text() }),
        }
    }

    pub(super) fn into_vec(self) -> Vec<Notice> {
        self.0
    }
}
