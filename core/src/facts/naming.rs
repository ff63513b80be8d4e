//! What may be a name, and which known one somebody may have meant.

use thiserror::Error;

/// The most characters of a name that a person gives.
pub const MOST_IN_NAME: usize = 80;

/// Why a text is no name.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum NameError {
    /// There is nothing in it.
    #[error("a name must not be empty")]
    Empty,
    /// No list has room for it.
    #[error("a name of {letters} characters is too long; the most is {MOST_IN_NAME}")]
    TooLong {
        /// How many characters it has.
        letters: usize,
    },
    /// It could rewrite what stands on a screen.
    #[error("the name {name:?} holds control characters; type it without them")]
    Steering {
        /// The name.
        name: String,
    },
}

/// Tells whether a character steers a terminal or turns the reading direction. Names come from other people's files,
/// and must not be able to hide or rewrite what stands on a screen.
#[must_use]
pub fn is_steering(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// Returns a new name as it is to be written, white space around it cut.
///
/// # Errors
/// [`NameError`]: what is empty, too long for any list, or steers a terminal is no name.
pub fn checked_name(name: &str) -> Result<String, NameError> {
    let name = name.trim();
    if name.is_empty() {
        return Err(NameError::Empty);
    }
    let letters = name.chars().count();
    if letters > MOST_IN_NAME {
        return Err(NameError::TooLong { letters });
    }
    if name.chars().any(is_steering) {
        return Err(NameError::Steering { name: name.to_owned() });
    }
    Ok(name.to_owned())
}

/// Returns the known name that somebody may have meant: at most two letters, or a third of its own, away.
#[must_use]
pub fn nearest_name<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let near = known
        .into_iter()
        .map(|k| (distance(&k.to_lowercase(), &name.to_lowercase()), k))
        .filter(|(d, k)| *d <= 2.max(k.chars().count() / 3))
        .min();
    near.map(|(_, k)| k)
}

/// The fewest letters to add, drop, change or (side by side) swap to make one text of the other.
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().take(64).collect(), b.chars().take(64).collect());
    let at = |row: &[usize], j: usize| row.get(j).copied().unwrap_or(usize::MAX / 2);
    let mut before: Vec<usize> = Vec::new();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, letter) in a.iter().enumerate() {
        let mut next = vec![i + 1];
        for (j, other) in b.iter().enumerate() {
            let change = at(&row, j) + usize::from(letter != other);
            let mut best = change.min(at(&row, j + 1) + 1).min(at(&next, j) + 1);
            if let (Some(i), Some(j)) = (i.checked_sub(1), j.checked_sub(1))
                && a.get(i) == Some(other)
                && b.get(j) == Some(letter)
            {
                best = best.min(at(&before, j) + 1);
            }
            next.push(best);
        }
        before = std::mem::replace(&mut row, next);
    }
    at(&row, b.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_fingers_is_near() {
        assert_eq!(distance("kb-104", "kb-140"), 1);
        assert_eq!(distance("kb-104", "kb-104"), 0);
        assert_eq!(distance("", "abc"), 3);
        assert_eq!(distance("abc", ""), 3);
        assert_eq!(nearest_name("KB-140", ["XX-9", "KB-104"]), Some("KB-104"));
        assert_eq!(nearest_name("north", ["KB-104"]), None);
    }

    #[test]
    fn a_name_is_short_and_steers_nothing() {
        assert_eq!(checked_name(" KB-104 "), Ok("KB-104".to_owned()));
        for bad in ["", "a\u{1b}[2J", "a\nb", "a\u{202e}b", "a\u{9b}1m", &"x".repeat(81)] {
            assert!(checked_name(bad).is_err(), "{bad:?}");
        }
    }
}
