//! The short form in which a volley is typed: what was seen of each shot, and which units they were.

use embertally_core::facts::{Ignition, Transfer};

/// What one letter says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Seen {
    pub(crate) ignition: Ignition,
    /// What was seen of the fuse, if there is one.
    pub(crate) transfer: Transfer,
}

impl Seen {
    /// Tells whether the letter says something of a fuse that must not be lost: that it was not lit, or not seen.
    pub(crate) fn speaks_of_fuse(self) -> bool {
        matches!(self.ignition, Ignition::Fired | Ignition::Slow) && self.transfer != Transfer::Lit
    }
}

/// The letters, for the help text.
pub(crate) const LETTERS: &str = "f fired, fuse lit · u fired, fuse not lit · n fired, fuse not seen · \
     s slow, fuse lit · w slow, fuse not lit · x failed · o not tried; a number repeats: 9f1x";

/// Most shots in one volley.
const MOST: usize = 1_000;

fn letter(c: char) -> Option<Seen> {
    let (ignition, transfer) = match c {
        'f' => (Ignition::Fired, Transfer::Lit),
        'u' => (Ignition::Fired, Transfer::Unlit),
        'n' => (Ignition::Fired, Transfer::Unseen),
        's' => (Ignition::Slow, Transfer::Lit),
        'w' => (Ignition::Slow, Transfer::Unlit),
        'x' => (Ignition::Failed, Transfer::Unlit),
        'o' => (Ignition::Skipped, Transfer::Unlit),
        _ => return None,
    };
    Some(Seen { ignition, transfer })
}

/// Reads `9f1x` or `fffffffffx`.
pub(crate) fn parse_seen(text: &str) -> Result<Vec<Seen>, String> {
    let mut out = Vec::new();
    let mut count = String::new();
    for c in text.chars().filter(|c| !c.is_whitespace()) {
        if c.is_ascii_digit() {
            count.push(c);
            continue;
        }
        let seen = letter(c.to_ascii_lowercase()).ok_or_else(|| format!("{c:?} is not one of: {LETTERS}"))?;
        let times = match count.as_str() {
            "" => 1,
            digits => digits.parse::<usize>().ok().filter(|n| *n > 0).ok_or_else(|| format!("{digits} times {c}?"))?,
        };
        if out.len() + times.min(MOST + 1) > MOST {
            return Err(format!("more than {MOST} shots in one volley"));
        }
        out.extend(std::iter::repeat_n(seen, times));
        count.clear();
    }
    if !count.is_empty() {
        return Err(format!("a letter is missing after {count}"));
    }
    if out.is_empty() {
        return Err(format!("nothing was said of any shot; letters: {LETTERS}"));
    }
    Ok(out)
}

/// A lot and the units of it, as typed: `MARK`, `MARK:1-10`, `MARK:3,5,A7`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Units {
    pub(crate) lot: String,
    /// Empty where no units were named.
    pub(crate) labels: Vec<String>,
}

/// Reads a lot with its units.
pub(crate) fn parse_units(text: &str) -> Result<Units, String> {
    let (lot, list) = text.rsplit_once(':').unwrap_or((text, ""));
    if lot.trim().is_empty() {
        return Err(format!("{text:?} names no lot; write MARK or MARK:UNITS, such as KB-104:1-10"));
    }
    let mut labels = Vec::new();
    for item in list.split(',').map(str::trim).filter(|i| !i.is_empty()) {
        match range(item)? {
            Some(mut run) => labels.append(&mut run),
            None => labels.push(item.to_owned()),
        }
        if labels.len() > MOST {
            return Err(format!("more than {MOST} units"));
        }
    }
    Ok(Units { lot: lot.trim().to_owned(), labels })
}

/// Reads `7-12` or `A7-A12`; anything else is one label.
fn range(item: &str) -> Result<Option<Vec<String>>, String> {
    let Some((from, to)) = item.split_once('-') else { return Ok(None) };
    let split = |s: &str| {
        let digits = s.len() - s.trim_end_matches(|c: char| c.is_ascii_digit()).len();
        let (prefix, number) = s.split_at(s.len() - digits);
        number.parse::<u32>().ok().map(|n| (prefix.to_owned(), n))
    };
    let (Some((prefix, low)), Some((other, high))) = (split(from.trim()), split(to.trim())) else { return Ok(None) };
    if prefix != other && !other.is_empty() {
        return Ok(None);
    }
    if low > high {
        return Err(format!("{item:?}: {low} is after {high}"));
    }
    if high - low >= MOST as u32 {
        return Err(format!("{item:?} is more than {MOST} units"));
    }
    Ok(Some((low..=high).map(|n| format!("{prefix}{n}")).collect()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_volley_of_ten_takes_four_letters() {
        let seen = parse_seen("9f1x").unwrap();
        assert_eq!(seen.len(), 10);
        assert_eq!((seen[8].ignition, seen[9].ignition), (Ignition::Fired, Ignition::Failed));
        assert_eq!(parse_seen("fffffffffx").unwrap(), seen);
    }

    #[test]
    fn wrong_letters_and_missing_ones_are_named() {
        assert!(parse_seen("9f1q").unwrap_err().starts_with("'q' is not one of"));
        assert_eq!(parse_seen("9f1").unwrap_err(), "a letter is missing after 1");
        assert!(parse_seen("").is_err());
        assert!(parse_seen("0f").is_err());
        assert!(parse_seen("99999999999999999999f").is_err());
        assert!(parse_seen("4000000000f").is_err());
    }

    #[test]
    fn units_are_ranges_or_labels() {
        let labels = |t: &str| parse_units(t).unwrap().labels.join(" ");
        assert_eq!(labels("KB-104:8-11,20"), "8 9 10 11 20");
        assert_eq!(labels("KB-104:A9-A11"), "A9 A10 A11");
        assert_eq!(labels("KB-104"), "");
        assert_eq!(parse_units("KB-104:1").unwrap().lot, "KB-104");
        assert_eq!(labels("L:left-hand"), "left-hand");
        assert!(parse_units("L:9-2").is_err());
        assert!(parse_units(":1-2").is_err());
        assert!(parse_units("L:1-4000000000").is_err());
    }
}
