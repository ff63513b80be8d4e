//! Many small lists over one set of items, each item in at most one of them: which slots share a key, which shots share
//! a unit. Two numbers an item, where a `Vec` a list would take three words and an allocation.

use super::codes::NONE;

#[derive(Debug, Clone, Copy)]
struct Link {
    list: u32,
    next: u32,
    before: u32,
}

const LOOSE: Link = Link { list: NONE, next: NONE, before: NONE };

/// The lists; the order within a list is the order of attaching and must not be relied on.
#[derive(Debug, Default)]
pub(super) struct Lists {
    heads: Vec<u32>,
    links: Vec<Link>,
}

impl Lists {
    /// Returns the list that holds the item.
    pub(super) fn list_of(&self, item: u32) -> Option<u32> {
        self.links.get(item as usize).map(|l| l.list).filter(|l| *l != NONE)
    }

    /// Puts the item into a list, out of the one it was in.
    pub(super) fn attach(&mut self, item: u32, list: u32) {
        if self.list_of(item) == Some(list) {
            return;
        }
        self.detach(item);
        if self.links.len() <= item as usize {
            self.links.resize(item as usize + 1, LOOSE);
        }
        if self.heads.len() <= list as usize {
            self.heads.resize(list as usize + 1, NONE);
        }
        let head = self.heads[list as usize];
        if head != NONE {
            self.links[head as usize].before = item;
        }
        self.links[item as usize] = Link { list, next: head, before: NONE };
        self.heads[list as usize] = item;
    }

    /// Takes the item out of the list it is in.
    pub(super) fn detach(&mut self, item: u32) {
        let Some(list) = self.list_of(item) else { return };
        let Link { next, before, .. } = std::mem::replace(&mut self.links[item as usize], LOOSE);
        if before == NONE {
            self.heads[list as usize] = next;
        } else {
            self.links[before as usize].next = next;
        }
        if next != NONE {
            self.links[next as usize].before = before;
        }
    }

    /// Returns the items of a list.
    pub(super) fn items(&self, list: u32) -> impl Iterator<Item = u32> + '_ {
        let mut at = self.heads.get(list as usize).copied().unwrap_or(NONE);
        std::iter::from_fn(move || {
            let item = at;
            (item != NONE).then(|| {
                at = self.links[item as usize].next;
                item
            })
        })
    }

    /// Returns how many lists there may be.
    pub(super) fn len(&self) -> u32 {
        self.heads.len() as u32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_item_is_in_the_list_it_was_put_into_last_and_in_no_other() {
        let mut l = Lists::default();
        for item in 0..5 {
            l.attach(item, 7);
        }
        l.attach(2, 3);
        l.detach(4);
        l.detach(4);
        l.detach(99);
        assert_eq!(l.items(7).collect::<Vec<_>>(), [3, 1, 0]);
        assert_eq!(l.items(3).collect::<Vec<_>>(), [2]);
        assert_eq!(l.items(1000).count(), 0);
        l.attach(4, 7);
        assert_eq!(l.items(7).collect::<Vec<_>>(), [4, 3, 1, 0]);
        assert_eq!((l.list_of(4), l.list_of(50)), (Some(7), None));
    }
}
