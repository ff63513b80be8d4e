//! Which documents two logs hold differently, without naming those they hold alike.
//!
//! Documents are put into 16 groups; the opening side sends one hash a group, the answering side lists its documents in
//! the groups that differ. A device that is up to date costs some 250 bytes and one round trip, however long the log is.

use std::collections::BTreeMap;

use super::frame::{BUCKETS, OutlineItem, Short};
use crate::facts::DocumentId;
use crate::log::{Log, LogError};
use crate::store::Store;

/// What this side holds.
#[derive(Debug, Clone, Default)]
pub(super) struct Outline {
    documents: BTreeMap<DocumentId, OutlineItem>,
}

fn bucket(document: &DocumentId) -> usize {
    let hash = blake3::hash(document.to_string().as_bytes());
    usize::from(hash.as_bytes()[0]) % BUCKETS
}

fn short(state: [u8; 16]) -> Short {
    let mut short = [0; 8];
    short.copy_from_slice(&state[..8]);
    short
}

impl Outline {
    pub(super) fn of<S: Store>(log: &mut Log<S>) -> Result<Self, LogError> {
        let times: BTreeMap<DocumentId, i64> =
            log.list()?.into_iter().filter_map(|line| Some((line.document, line.summary.last_ms?))).collect();
        let items = log.outline()?.into_iter().map(|(document, state)| {
            let last_ms = times.get(&document).copied().unwrap_or(0);
            (document, OutlineItem { document, state: short(state), last_ms })
        });
        Ok(Self { documents: items.collect() })
    }

    /// Returns one hash for each group.
    pub(super) fn buckets(&self) -> Vec<Short> {
        let mut hashers = vec![blake3::Hasher::new(); BUCKETS];
        for item in self.documents.values() {
            if let Some(hasher) = hashers.get_mut(bucket(&item.document)) {
                hasher.update(item.document.to_string().as_bytes());
                hasher.update(&[0]);
                hasher.update(&item.state);
            }
        }
        let first = |hasher: blake3::Hasher| {
            let mut short = [0; 8];
            hasher.finalize_xof().fill(&mut short);
            short
        };
        hashers.into_iter().map(first).collect()
    }

    /// Returns which groups differ from a peer's, as bits.
    pub(super) fn differing(&self, theirs: &[Short]) -> u16 {
        let differ = self.buckets().into_iter().zip(theirs).enumerate().filter(|(_, (mine, theirs))| mine != *theirs);
        differ.fold(0, |bits, (n, _)| bits | 1 << n)
    }

    /// Returns the documents in some groups: the register and people first, then outings, newest first.
    pub(super) fn in_groups(&self, groups: u16) -> Vec<OutlineItem> {
        let wanted = |item: &&OutlineItem| groups & (1 << bucket(&item.document)) != 0;
        let mut items: Vec<OutlineItem> = self.documents.values().filter(wanted).copied().collect();
        items.sort_by_key(order);
        items
    }

    /// Returns the documents that differ from a peer's, given its list of those groups, in the order to exchange them.
    pub(super) fn to_exchange(&self, groups: u16, theirs: &[OutlineItem]) -> Vec<DocumentId> {
        let mut all: BTreeMap<DocumentId, (OutlineItem, bool)> =
            self.in_groups(groups).into_iter().map(|item| (item.document, (item, true))).collect();
        for item in theirs {
            let known = all.entry(item.document).or_insert((*item, true));
            known.1 = self.documents.get(&item.document).is_none_or(|mine| mine.state != item.state);
            known.0.last_ms = known.0.last_ms.max(item.last_ms);
        }
        let mut differing: Vec<OutlineItem> = all.into_values().filter_map(|(item, d)| d.then_some(item)).collect();
        differing.sort_by_key(order);
        differing.into_iter().map(|item| item.document).collect()
    }
}

fn order(item: &OutlineItem) -> (bool, i64, DocumentId) {
    let outing = matches!(item.document, DocumentId::Outing { .. });
    (outing, if outing { item.last_ms.saturating_neg() } else { 0 }, item.document)
}
