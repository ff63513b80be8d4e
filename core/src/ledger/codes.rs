//! Small whole numbers in place of 16-byte ids: a hundred thousand shots would otherwise spend most of their memory,
//! and most of the time of a count, on ids.

use std::collections::HashMap;
use std::hash::Hash;

use crate::facts::comparable_name;

/// No row, no code.
pub(super) const NONE: u32 = u32::MAX;

/// Gives each id the next code, from 0, in the order of first mention.
///
/// The standard hasher stays, slow as it is: ids come from peers, who could choose them to collide.
#[derive(Debug)]
pub(super) struct Interner<T> {
    ids: Vec<T>,
    codes: HashMap<T, u32>,
    /// The shots of a volley mostly share a lot and a fuse: half of all look-ups ask for the one before.
    last: Option<(T, u32)>,
}

impl<T> Default for Interner<T> {
    fn default() -> Self {
        Self { ids: Vec::new(), codes: HashMap::new(), last: None }
    }
}

impl<T: Copy + Eq + Hash> Interner<T> {
    /// Returns the id's code, a new one if need be.
    pub(super) fn code(&mut self, id: T) -> u32 {
        if let Some((last, code)) = self.last
            && last == id
        {
            return code;
        }
        let next = self.ids.len() as u32;
        let code = *self.codes.entry(id).or_insert(next);
        if code == next {
            self.ids.push(id);
        }
        self.last = Some((id, code));
        code
    }

    /// Returns the id's code if it was ever mentioned.
    pub(super) fn find(&self, id: T) -> Option<u32> {
        self.codes.get(&id).copied()
    }

    /// Returns the id that a code stands for.
    pub(super) fn id(&self, code: u32) -> T {
        self.ids[code as usize]
    }

    /// Returns how many codes are given.
    pub(super) fn len(&self) -> usize {
        self.ids.len()
    }
}

/// The codes of a column and the ids they stand for; code 0 stands for none.
#[derive(Debug)]
pub struct Dictionary<T>(Interner<T>);

impl<T> Default for Dictionary<T> {
    fn default() -> Self {
        Self(Interner::default())
    }
}

impl<T: Copy + Eq + Hash> Dictionary<T> {
    pub(super) fn code(&mut self, id: Option<T>) -> u32 {
        id.map_or(0, |id| self.0.code(id) + 1)
    }

    /// Returns the id that a code stands for; `None` for code 0 and for codes not given.
    #[must_use]
    pub fn id(&self, code: u32) -> Option<T> {
        self.0.ids.get(code.checked_sub(1)? as usize).copied()
    }

    /// Returns the code of an id; `None` if no row ever had it.
    #[must_use]
    pub fn find(&self, id: T) -> Option<u32> {
        self.0.find(id).map(|code| code + 1)
    }

    /// Returns one more than the largest code: the length of a table with a place for each code.
    #[must_use]
    pub fn size(&self) -> usize {
        self.0.len() + 1
    }
}

/// Labels of up to this many bytes are kept in the table itself; nearly all are.
const SHORT: usize = 12;

/// The labels of one lot in one outing. An allocation a unit would cost more than all else that is kept of it.
#[derive(Debug, Default)]
struct Labels {
    short: HashMap<[u8; SHORT], u32>,
    long: HashMap<Box<str>, u32>,
}

/// Gives each unit, a label within a lot and an outing, its code: labels may begin again at the next outing.
#[derive(Debug, Default)]
pub(super) struct Units {
    scopes: Interner<(u32, u32)>,
    labels: Vec<Labels>,
    count: u32,
}

impl Units {
    /// Returns the code of a unit; labels that differ only in case or spacing are one unit, as with all names.
    pub(super) fn code(&mut self, outing: u32, lot: u32, label: &str) -> u32 {
        // Most labels are numbers, and folding costs three allocations.
        let is_plain = !label.is_empty() && label.bytes().all(|b| b.is_ascii_graphic() && !b.is_ascii_uppercase());
        let folded = (!is_plain).then(|| comparable_name(label));
        let key = folded.as_deref().unwrap_or(label);
        let scope = self.scopes.code((outing, lot)) as usize;
        if self.labels.len() <= scope {
            self.labels.resize_with(scope + 1, Labels::default);
        }
        let labels = &mut self.labels[scope];
        let next = self.count;
        let code = if key.len() <= SHORT && !key.contains('\0') {
            let mut short = [0; SHORT];
            short.iter_mut().zip(key.bytes()).for_each(|(to, from)| *to = from);
            *labels.short.entry(short).or_insert(next)
        } else if let Some(code) = labels.long.get(key) {
            *code
        } else {
            labels.long.insert(key.into(), next);
            next
        };
        self.count += u32::from(code == next);
        code
    }

    pub(super) fn len(&self) -> usize {
        self.count as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_unit_is_its_label_however_long_and_however_spelled() {
        let mut units = Units::default();
        let long = "left of the pier, by the tall pole";
        let labels = ["7", "07", "", "7\0", "123456789012", "1234567890123", long];
        let codes: Vec<u32> = labels.iter().map(|label| units.code(1, 1, label)).collect();
        assert_eq!(codes, [0, 1, 2, 3, 4, 5, 6]);
        assert_eq!(units.code(1, 1, " LEFT of  the pier, by the tall pole"), 6);
        assert_eq!((units.code(1, 1, " 7 "), units.code(1, 2, "7"), units.code(2, 1, "7"), units.len()), (0, 7, 8, 9));
    }

    #[test]
    fn code_0_of_a_table_stands_for_none() {
        let mut table = Dictionary::default();
        assert_eq!(
            (table.code(None), table.code(Some('a')), table.code(Some('b')), table.code(Some('a'))),
            (0, 1, 2, 1)
        );
        assert_eq!((table.id(0), table.id(2), table.id(3), table.find('c')), (None, Some('b'), None, None));
        assert_eq!(table.size(), 3);
    }
}
