//! An outing's seal: what counted in it when its chief closed it, and what does not fit it now.

use std::collections::BTreeMap;

use crate::facts::{DeviceId, EntryHash, EntryId, FactId, Held, OutingId, Seal};

/// How many entries one seal fact lists: what fits into one entry's bytes with room to spare.
const PER_SEAL: usize = 3_000;

/// Returns the hash by which an entry is listed in a seal, from its bytes without its signature.
#[must_use]
pub fn hash_of(payload: &[u8]) -> EntryHash {
    let mut hash = [0; 16];
    hash.iter_mut().zip(blake3::hash(payload).as_bytes()).for_each(|(to, from)| *to = *from);
    hash
}

/// Returns the digest of a list of entries, which must ascend.
#[must_use]
pub fn digest_of(held: &[Held]) -> [u8; 32] {
    let mut hasher = blake3::Hasher::new();
    hasher.update(b"embertally seal");
    for one in held {
        hasher.update(one.entry.as_bytes()).update(&one.hash);
    }
    *hasher.finalize().as_bytes()
}

/// A seal as it stands in the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sealed {
    /// The first of the facts that it is made of.
    pub fact: FactId,
    /// The outing.
    pub outing: OutingId,
    held: Vec<Held>,
    digest: [u8; 32],
}

/// What does not fit a seal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum SealFault {
    /// The seal's own list is not the one that its digest is of.
    Broken,
    /// A sealed entry is not there, or does not count any more.
    Missing(EntryId),
    /// A sealed entry says something else.
    Altered(EntryId),
}

impl Sealed {
    /// Makes the facts that seal an outing; `held` is what counts in it, in any order. Each is for an entry of its own.
    #[must_use]
    pub fn facts(outing: OutingId, mut held: Vec<Held>) -> Vec<Seal> {
        held.sort_unstable();
        held.dedup_by_key(|h| h.entry);
        let (digest, count) = (digest_of(&held), u32::try_from(held.len()).unwrap_or(u32::MAX));
        let seal = |part: &[Held]| Seal { outing, held: part.to_vec(), count, digest };
        if held.is_empty() { vec![seal(&[])] } else { held.chunks(PER_SEAL).map(seal).collect() }
    }

    /// Joins the facts of one outing's seals: those of one device and one digest are one seal.
    pub fn join<'a>(facts: impl IntoIterator<Item = (DeviceId, FactId, &'a Seal)>) -> Vec<Self> {
        let mut seals: BTreeMap<(DeviceId, [u8; 32]), Self> = BTreeMap::new();
        for (device, fact, seal) in facts {
            let sealed = seals.entry((device, seal.digest)).or_insert_with(|| Self {
                fact,
                outing: seal.outing,
                held: Vec::new(),
                digest: seal.digest,
            });
            sealed.fact = sealed.fact.min(fact);
            sealed.held.extend_from_slice(&seal.held);
        }
        let mut seals: Vec<Self> = seals.into_values().collect();
        for seal in &mut seals {
            seal.held.sort_unstable();
            seal.held.dedup();
        }
        seals.sort_unstable_by_key(|s| s.fact);
        seals
    }

    /// Returns how many entries are sealed.
    #[must_use]
    pub fn len(&self) -> usize {
        self.held.len()
    }

    /// Tells whether nothing is sealed.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.held.is_empty()
    }

    /// Tells whether an entry is one of those sealed.
    #[must_use]
    pub fn holds(&self, entry: EntryId) -> bool {
        self.held.binary_search_by_key(&entry, |h| h.entry).is_ok()
    }

    /// Returns the digest.
    #[must_use]
    pub fn digest(&self) -> [u8; 32] {
        self.digest
    }

    /// Returns what does not fit the seal, by entry; empty when all is as it was sealed. What was written after the seal
    /// is no fault.
    #[must_use]
    pub fn faults(&self, now: &BTreeMap<EntryId, EntryHash>) -> Vec<SealFault> {
        let mut faults = Vec::new();
        if digest_of(&self.held) != self.digest {
            faults.push(SealFault::Broken);
        }
        faults.extend(self.held.iter().filter_map(|held| match now.get(&held.entry) {
            None => Some(SealFault::Missing(held.entry)),
            Some(hash) if *hash != held.hash => Some(SealFault::Altered(held.entry)),
            Some(_) => None,
        }));
        faults
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(n: u8) -> EntryId {
        EntryId::from_bytes([n; 16])
    }

    #[test]
    fn a_seal_names_what_does_not_fit_it() {
        let mut now: BTreeMap<EntryId, EntryHash> = (1..=3).map(|n| (entry(n), [n; 16])).collect();
        let held = now.iter().map(|(entry, hash)| Held { entry: *entry, hash: *hash }).collect();
        let facts = Sealed::facts(OutingId::named("dry run"), held);
        let fact = FactId { entry: entry(9), place: 0 };
        let [seal] = Sealed::join(facts.iter().map(|f| (DeviceId::named("d"), fact, f))).try_into().unwrap();
        assert_eq!(seal.faults(&now), []);
        now.insert(entry(4), [4; 16]);
        assert_eq!(seal.faults(&now), [], "written after the seal");
        assert!(!seal.holds(entry(4)) && seal.holds(entry(3)));
        now.insert(entry(2), [9; 16]);
        now.remove(&entry(3));
        assert_eq!(seal.faults(&now), [SealFault::Altered(entry(2)), SealFault::Missing(entry(3))]);
        let cut = Seal { held: facts[0].held[1..].to_vec(), ..facts[0].clone() };
        let [seal] = Sealed::join([(DeviceId::named("d"), fact, &cut)]).try_into().unwrap();
        assert_eq!(seal.faults(&now)[0], SealFault::Broken, "a part of the seal is missing");
    }

    #[test]
    fn a_large_outing_is_sealed_in_parts() {
        let held: Vec<Held> = (0..10_000_u32)
            .map(|n| {
                let mut id = [0; 16];
                id[..4].copy_from_slice(&n.to_be_bytes());
                Held { entry: EntryId::from_bytes(id), hash: [1; 16] }
            })
            .collect();
        let facts = Sealed::facts(OutingId::named("dry run"), held);
        assert_eq!(facts.len(), 4);
        let fact = FactId { entry: entry(9), place: 0 };
        let seals = Sealed::join(facts.iter().rev().map(|f| (DeviceId::named("d"), fact, f)));
        assert_eq!((seals.len(), seals[0].len()), (1, 10_000));
        assert_eq!(digest_of(&seals[0].held), seals[0].digest());
    }
}
