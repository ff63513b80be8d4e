//! The log of a crew: what this device writes is signed, and what others wrote is judged before it counts.
//!
//! Signatures are checked once: which entries of a document were found good is kept with the heads it had then. Heads are
//! hashes of all that a document holds, so the same heads are the same entries.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::sync::Arc;

use minicbor::{Decoder, Encoder};

use super::document::StoredEntry;
use super::error::LogError;
use super::home::Home;
use super::open::{Log, Problem};
use crate::crew::envelope::{entry_in, payload_of};
use crate::crew::{Apart, DeviceKey, Envelope, Place, PublicKey, Roster, Sealed, hash_of, hybrid_ms};
use crate::facts::{
    CrewId, DeviceId, DocumentId, Entry, EntryHash, EntryId, Fact, FactId, Held, Moment, OutingId, Seal,
};
use crate::store::{Store, Write};

/// The name under which this device keeps which crew its log belongs to.
const CREW: &str = "crew";

/// Who signs what is written.
#[derive(Debug, Default)]
pub(super) enum Signer {
    /// Nobody: entries stand as they are.
    #[default]
    Nobody,
    /// A device with its key.
    Device(Box<DeviceKey>, DeviceId),
    /// A device whose key is locked: it writes nothing.
    Locked,
}

/// From how many newly checked signatures on they are kept as checked; fewer are quicker to check again than to keep.
const WORTH_KEEPING: usize = 32;

/// An entry that does not count, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptApart {
    /// The document that it stands in.
    pub document: DocumentId,
    /// The entry.
    pub entry: EntryId,
    /// The device that it names; `None` if it cannot be read.
    pub device: Option<DeviceId>,
    /// When it says it was written.
    pub written: Option<Moment>,
    /// How many shots it tells of.
    pub shots: u64,
    /// Why it does not count.
    pub why: Apart,
}

/// Which entries of a document were found good, and with which heads.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
struct Checked {
    heads: Vec<[u8; 32]>,
    /// The entries that were not.
    unsure: BTreeSet<EntryId>,
}

/// Pieces of the register by document, how many and their ids added up: the same are the same register.
type RegisterState = Vec<(DocumentId, u64, u64)>;

#[derive(Debug, Default)]
pub(super) struct Trust {
    /// The crew, once it was looked up.
    crew: Option<Option<CrewId>>,
    roster: Option<(RegisterState, Arc<Roster>)>,
    checked: HashMap<DocumentId, Checked>,
    apart: Vec<KeptApart>,
}

impl Home {
    /// Returns what is signed beside an entry.
    fn signed_as(self) -> Option<[u8; 16]> {
        match self {
            Self::Outing(outing) => Some(*outing.as_bytes()),
            Self::Person(person) => Some(*person.as_bytes()),
            Self::Register => None,
        }
    }
}

impl<S: Store> Log<S> {
    /// Signs what is written from now on with a device's key.
    pub fn sign_with(&mut self, key: DeviceKey, device: DeviceId) {
        self.signer = Signer::Device(Box::new(key), device);
    }

    /// Refuses to write from now on: this device has a key, and it is locked. Reading goes on.
    pub fn lock(&mut self) {
        self.signer = Signer::Locked;
    }

    /// Returns the key that signs what is written.
    #[must_use]
    pub fn key(&self) -> Option<&DeviceKey> {
        match &self.signer {
            Signer::Device(key, _) => Some(key),
            Signer::Nobody | Signer::Locked => None,
        }
    }

    /// Returns an entry's bytes as they are stored.
    pub(super) fn signed(&self, home: Home, entry: &Entry) -> Result<Vec<u8>, LogError> {
        let payload = entry.to_bytes().map_err(|source| LogError::Entry { entry: entry.id, source })?;
        if !matches!(self.signer, Signer::Nobody) && !entry.id.fits(&payload) {
            let what = format!("entry {} was to be signed and has not the id that follows from what it says", entry.id);
            return Err(LogError::Internal { what });
        }
        let (key, device) = match &self.signer {
            Signer::Device(key, device) => (key, device),
            Signer::Nobody => return Ok(payload),
            Signer::Locked => return Err(LogError::Locked),
        };
        let place = Place { home: home.signed_as(), entry: entry.id };
        let signer = (*device != entry.device).then_some(*device);
        Envelope::seal(key, place, payload, signer).map_err(|e| LogError::Internal { what: e.to_string() })
    }

    /// Returns the crew that this log belongs to; `None`: anybody's entries count.
    ///
    /// # Errors
    /// [`LogError::Store`].
    pub fn crew(&mut self) -> Result<Option<CrewId>, LogError> {
        if let Some(crew) = self.trust.crew {
            return Ok(crew);
        }
        let kept = self.store.kept(CREW)?.and_then(|bytes| bytes.try_into().ok());
        let crew = kept.map(CrewId::from_bytes);
        self.trust.crew = Some(crew);
        Ok(crew)
    }

    /// Makes this the log of a crew, durably: from now on only what its members wrote counts.
    ///
    /// # Errors
    /// [`LogError::Store`].
    pub fn set_crew(&mut self, crew: CrewId) -> Result<(), LogError> {
        self.store.commit(&[Write::Keep { key: CREW.to_owned(), value: crew.as_bytes().to_vec() }])?;
        self.trust = Trust { crew: Some(Some(crew)), ..Trust::default() };
        Ok(())
    }

    /// Returns the crew's members; `None` if this is no crew's log, or its founding has not come yet.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn roster(&mut self) -> Result<Option<Arc<Roster>>, LogError> {
        Ok(self.members()?.filter(|roster| roster.has_begun()))
    }

    /// Returns the crew's members as far as they are known, even if its founding has not come yet.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn members(&mut self) -> Result<Option<Arc<Roster>>, LogError> {
        let Some(crew) = self.crew()? else { return Ok(None) };
        let lines = self.store.list()?;
        let register = lines.iter().filter(|l| l.document.home() == Home::Register);
        let state: RegisterState = register.map(|l| (l.document, l.pieces, l.ids)).collect();
        if let Some((known, roster)) = &self.trust.roster
            && *known == state
        {
            return Ok(Some(roster.clone()));
        }
        let mut stored: Vec<StoredEntry> = Vec::new();
        let register = lines.iter().filter(|l| l.document.home() == Home::Register);
        let behind: Vec<DocumentId> = register.filter(|l| self.is_behind(l)).map(|l| l.document).collect();
        behind.into_iter().for_each(|document| drop(self.open.remove(&document)));
        for (document, ..) in &state {
            stored.extend(self.document(*document)?.document.entries());
            self.evict();
        }
        let all = stored.iter().flat_map(|entry| entry.all().map(|bytes| (entry.id, bytes)));
        let roster = Arc::new(Roster::new(crew, all));
        self.trust.roster = Some((state, roster.clone()));
        Ok(Some(roster))
    }

    /// Returns the entries that did not count when they were last read, and why.
    #[must_use]
    pub fn apart(&self) -> &[KeptApart] {
        &self.trust.apart
    }

    /// Returns the time for the id of a new entry: not before any that this log has seen, and not before the clock's.
    ///
    /// # Errors
    /// [`LogError::Store`].
    pub fn next_ms(&self, now_ms: i64) -> Result<i64, LogError> {
        Ok(hybrid_ms(now_ms, self.store.list()?.into_iter().filter_map(|line| line.summary.last_ms)))
    }

    /// Reads the whole log again and checks every signature in it, whatever was found before.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn replay_distrusting(&mut self, mut each: impl FnMut(DocumentId, Entry)) -> Result<(), LogError> {
        let Some(roster) = self.roster()? else { return self.replay(each) };
        for listed in self.listed()? {
            let id = listed.document;
            self.replay_judged(id, &roster, false, |entry| each(id, entry))?;
        }
        Ok(())
    }

    /// Returns what counts in an outing, seals apart: each entry and the hash of what it says. Every signature is checked.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn held_in(&mut self, outing: OutingId) -> Result<BTreeMap<EntryId, EntryHash>, LogError> {
        let (mut held, roster) = (BTreeMap::new(), self.roster()?);
        for document in self.parts(Home::Outing(outing))? {
            if let Some(roster) = &roster {
                self.judged(document, roster, false, |entry, stored| {
                    if !entry.facts.iter().any(|s| matches!(s.fact, Fact::Seal(_))) {
                        held.insert(entry.id, hash_of(&payload_of(stored).unwrap_or_default()));
                    }
                })?;
            }
        }
        Ok(held)
    }

    /// Returns the seals of an outing that count, earliest first.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn seals(&mut self, outing: OutingId) -> Result<Vec<Sealed>, LogError> {
        let mut facts: Vec<(DeviceId, FactId, Seal)> = Vec::new();
        if self.roster()?.is_none() {
            return Ok(Vec::new());
        }
        for document in self.parts(Home::Outing(outing))? {
            self.replay_document(document, |_, entry| {
                facts.extend(entry.facts().filter_map(|(id, stated)| match &stated.fact {
                    Fact::Seal(seal) if seal.outing == outing => Some((entry.device, id, seal.clone())),
                    _ => None,
                }));
            })?;
        }
        Ok(Sealed::join(facts.iter().map(|(device, id, seal)| (*device, *id, seal))))
    }

    /// Returns the ids of the entries that a device wrote or signed, ascending.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn entries_of(&mut self, device: DeviceId) -> Result<Vec<EntryId>, LogError> {
        let mut found = BTreeSet::new();
        // Only what the device itself signed: anybody can put an entry there that names it.
        let key = self.members()?.and_then(|r| r.member(device).map(|m| m.key));
        let key = key.and_then(|key| PublicKey::from_bytes(&key).ok());
        self.each_stored(|document, stored, bytes| {
            let Ok(envelope) = Envelope::read(bytes) else { return };
            let named = envelope.signer().or_else(|| Some(entry_in(stored.id, bytes).ok()?.device));
            let place = Place { home: document.home().signed_as(), entry: stored.id };
            let fits = named == Some(device) && stored.id.fits(envelope.payload());
            if fits && key.as_ref().is_some_and(|key| envelope.is_signed_by(key, place)) {
                found.insert(stored.id);
            }
        })?;
        Ok(found.into_iter().collect())
    }

    /// Returns what one entry says, as a hash to vouch for; `None` if it is not there or cannot be read.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn held(&mut self, document: DocumentId, entry: EntryId) -> Result<Option<Held>, LogError> {
        let bytes = self.document(document)?.document.entry(entry);
        self.evict();
        Ok(bytes.and_then(|stored| Some(Held { entry, hash: hash_of(&payload_of(&stored).ok()?) })))
    }

    /// Returns what counts now and another device wrote, ascending: what a founder can vouch for.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn others_words(&mut self) -> Result<Vec<Held>, LogError> {
        let (mut counts, own) = (BTreeSet::new(), self.key().map(DeviceKey::public));
        self.replay(|_, entry| _ = counts.insert(entry.id))?;
        let mut found = BTreeSet::new();
        self.each_stored(|_, stored, bytes| {
            let (Ok(entry), Ok(payload)) = (entry_in(stored.id, bytes), payload_of(bytes)) else { return };
            let ours = Envelope::is_signed(bytes) && own.is_some_and(|key| entry.device.belongs_to(&key));
            if counts.contains(&stored.id) && !ours {
                found.insert(Held { entry: stored.id, hash: hash_of(&payload) });
            }
        })?;
        Ok(found.into_iter().collect())
    }

    fn each_stored(&mut self, mut each: impl FnMut(DocumentId, &StoredEntry, &[u8])) -> Result<(), LogError> {
        for listed in self.listed()? {
            let entries = self.document(listed.document)?.document.entries();
            self.evict();
            for stored in &entries {
                stored.all().for_each(|bytes| each(listed.document, stored, bytes));
            }
        }
        Ok(())
    }

    /// Calls `each` with the entries of a document that stand up; keeps the others apart.
    pub(super) fn replay_judged(
        &mut self,
        id: DocumentId,
        roster: &Roster,
        trusting: bool,
        mut each: impl FnMut(Entry),
    ) -> Result<(), LogError> {
        self.judged(id, roster, trusting, |entry, _| each(entry))
    }

    /// The same, with each entry's bytes as they are stored.
    fn judged(
        &mut self,
        id: DocumentId,
        roster: &Roster,
        trusting: bool,
        mut each: impl FnMut(Entry, &[u8]),
    ) -> Result<(), LogError> {
        let known = if trusting { self.checked(id)? } else { Checked::default() };
        let document = &self.document(id)?.document;
        let (entries, heads) = (document.entries(), document.heads());
        let fresh: Option<HashSet<EntryId>> = document.added_since(&known.heads);
        // What waits behind a damaged change is no part of the heads.
        let held: HashSet<EntryId> = entries.iter().map(|e| e.id).filter(|id| document.holds(*id)).collect();
        self.evict();
        let was_checked = |stored: &StoredEntry| {
            let new = fresh.as_ref().is_none_or(|fresh| fresh.contains(&stored.id));
            !new && held.contains(&stored.id) && stored.others.is_empty() && !known.unsure.contains(&stored.id)
        };
        self.trust.apart.retain(|apart| apart.document != id);
        let (mut newly, mut unsure) = (0, BTreeSet::new());
        for stored in &entries {
            let verified = was_checked(stored);
            newly += usize::from(!verified);
            // Several things may stand under one id; the first that stands up counts.
            let mut verdicts =
                stored.all().map(|bytes| (bytes, roster.judge(id.home().signed_as(), stored.id, bytes, verified)));
            let first = verdicts.next().unwrap_or((&[], Err(Apart::Forged)));
            let (bytes, verdict) =
                if first.1.is_ok() { first } else { verdicts.find(|(_, v)| v.is_ok()).unwrap_or(first) };
            if stored.contested {
                self.report(Problem::ContestedEntry { document: id, entry: stored.id });
            }
            match verdict {
                Ok(entry) => each(entry, bytes),
                Err(why) => {
                    unsure.insert(stored.id);
                    self.keep_apart(id, stored, why);
                }
            }
        }
        let checked = Checked { heads, unsure };
        if checked != known {
            if newly >= WORTH_KEEPING || checked.unsure != known.unsure {
                // Where nothing can be written now, they are checked again the next time.
                let _ = self.store.commit(&[Write::Keep { key: checked_key(id), value: checked.to_bytes() }]);
            }
            self.trust.checked.insert(id, checked);
        }
        Ok(())
    }

    /// Calls `each` with what this device itself wrote, while its crew was not met yet: nobody else can be told from a
    /// stranger, and what is on this device's live list must not be cleared by one.
    pub(super) fn replay_unmet(&mut self, id: DocumentId, mut each: impl FnMut(Entry)) -> Result<(), LogError> {
        let entries = self.document(id)?.document.entries();
        self.evict();
        self.trust.apart.retain(|apart| apart.document != id);
        let key = self.key().and_then(|key| PublicKey::from_bytes(&key.public()).ok());
        for stored in &entries {
            let place = Place { home: id.home().signed_as(), entry: stored.id };
            let own = stored.all().find_map(|bytes| {
                let envelope = Envelope::read(bytes).ok().filter(|e| stored.id.fits(e.payload()))?;
                let mine = key.as_ref().is_some_and(|key| envelope.is_signed_by(key, place));
                mine.then(|| Entry::from_bytes(stored.id, envelope.payload()).ok()).flatten()
            });
            match own {
                Some(entry) => each(entry),
                None => self.keep_apart(id, stored, Apart::NotMet),
            }
        }
        Ok(())
    }

    fn keep_apart(&mut self, document: DocumentId, stored: &StoredEntry, why: Apart) {
        let entry = entry_in(stored.id, &stored.bytes).ok();
        self.trust.apart.push(KeptApart {
            document,
            entry: stored.id,
            device: entry.as_ref().map(|e| e.device),
            written: entry.as_ref().map(|e| e.written),
            shots: entry.as_ref().map_or(0, Entry::shots),
            why,
        });
    }

    fn checked(&mut self, id: DocumentId) -> Result<Checked, LogError> {
        if let Some(checked) = self.trust.checked.get(&id) {
            return Ok(checked.clone());
        }
        let kept = self.store.kept(&checked_key(id))?;
        Ok(kept.and_then(|bytes| Checked::from_bytes(&bytes)).unwrap_or_default())
    }
}

fn checked_key(id: DocumentId) -> String {
    format!("checked/{id}")
}

impl Checked {
    fn to_bytes(&self) -> Vec<u8> {
        let heads: Vec<u8> = self.heads.concat();
        let unsure: Vec<u8> = self.unsure.iter().flat_map(|id| *id.as_bytes()).collect();
        let mut e = Encoder::new(Vec::new());
        let written = e.array(2).and_then(|e| e.bytes(&heads)).and_then(|e| e.bytes(&unsure));
        debug_assert!(written.is_ok(), "writing to memory cannot fail");
        e.into_writer()
    }

    fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let mut d = Decoder::new(bytes);
        if d.array().ok()? != Some(2) {
            return None;
        }
        let (heads, rest) = d.bytes().ok()?.as_chunks::<32>();
        let (unsure, more) = d.bytes().ok()?.as_chunks::<16>();
        let whole = rest.is_empty() && more.is_empty() && d.position() == bytes.len();
        whole
            .then(|| Self { heads: heads.to_vec(), unsure: unsure.iter().map(|id| EntryId::from_bytes(*id)).collect() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::{DeviceKey, Invite};
    use crate::facts::*;
    use crate::store::MemoryStore;

    fn bits(seed: u64) -> impl FnMut() -> u64 + Send + 'static {
        let mut state = seed;
        move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            state ^ (state >> 29)
        }
    }

    struct Device {
        log: Log<MemoryStore>,
        key: DeviceKey,
        device: DeviceId,
        bits: Box<dyn FnMut() -> u64 + Send>,
    }

    impl Device {
        fn new(seed: u8) -> Self {
            let key = DeviceKey::from_seed(&[seed; 32]);
            let device = key.device(1);
            let mut log = Log::open(MemoryStore::default(), bits(seed.into()));
            log.sign_with(key.clone(), device);
            Self { log, key, device, bits: Box::new(bits(1_000 + u64::from(seed))) }
        }

        fn entry(&mut self) -> Entry {
            let written = Moment { unix_ms: 1_000, offset_minutes: 0 };
            Entry::new(EntryId::new(self.log.next_ms(1_000).unwrap(), &mut self.bits), self.device, written)
        }

        fn state(&mut self, fact: Fact) -> EntryId {
            let mut entry = self.entry();
            entry.state(fact);
            entry.name_by_content().unwrap();
            self.log.write(Home::of(&entry).unwrap(), &entry).unwrap();
            entry.id
        }

        fn reading(&mut self) -> EntryId {
            let at = Moment { unix_ms: 1_000, offset_minutes: 0 };
            let reading =
                Reading { outing: OutingId::named("dry run"), at, conditions: Conditions::default(), source: None };
            self.state(Fact::Reading(reading))
        }

        fn take(&mut self, other: &mut Self) {
            let mut file = Vec::new();
            other.log.carry(&mut file).unwrap();
            self.log.absorb(&file).unwrap();
        }

        fn counted(&mut self) -> BTreeSet<EntryId> {
            let mut ids = BTreeSet::new();
            self.log.replay(|_, entry| _ = ids.insert(entry.id)).unwrap();
            ids
        }

        fn codes(&self) -> Vec<(EntryId, &'static str)> {
            self.log.apart().iter().map(|a| (a.entry, a.why.code())).collect()
        }
    }

    /// A chief and a recorder who joined with no network between them.
    fn crew() -> (Device, Device) {
        let (mut chief, mut recorder) = (Device::new(1), Device::new(2));
        let crew = chief.key.crew();
        chief.log.set_crew(crew).unwrap();
        chief.state(Fact::Founding(Founding { key: chief.key.public(), name: "Invented crew".to_owned() }));
        let after = chief.log.members().unwrap().unwrap().heads();
        let invite = Invite::new(crew, Role::Recorder, 5_000, &mut bits(3));
        chief.state(Fact::Invitation(invite.fact(after)));
        recorder.log.set_crew(crew).unwrap();
        let joining = invite.joining(&recorder.key, Vec::new());
        recorder.state(Fact::Joining(joining));
        (chief, recorder)
    }

    #[test]
    fn what_members_wrote_counts_on_every_device_and_what_others_did_does_not() {
        let (mut chief, mut recorder) = crew();
        let early = recorder.reading();
        assert!(recorder.counted().contains(&early), "before it met anybody");
        let mut stranger = Device::new(3);
        let strange = stranger.reading();
        let mut unsigned = Device::new(4);
        unsigned.log.signer = Signer::Nobody;
        let bare = unsigned.reading();
        chief.take(&mut recorder);
        chief.take(&mut stranger);
        chief.take(&mut unsigned);
        recorder.take(&mut chief);
        for device in [&mut chief, &mut recorder] {
            let counted = device.counted();
            assert!(counted.contains(&early) && !counted.contains(&strange) && !counted.contains(&bare));
            let mut apart = device.codes();
            apart.sort_unstable();
            let mut wanted = vec![(strange, "stranger"), (bare, "unsigned")];
            wanted.sort_unstable();
            assert_eq!(apart, wanted);
        }
        assert_eq!(chief.counted(), recorder.counted());
        // Kept apart, not thrown away: who is let in later brings what was written before.
        let member = chief.log.members().unwrap().unwrap();
        let standing = Standing {
            device: stranger.device,
            key: Some(stranger.key.public()),
            role: Some(Role::Recorder),
            reason: "was with us all evening".to_owned(),
            known: Vec::new(),
            after: member.heads(),
        };
        chief.state(Fact::Standing(standing));
        assert!(chief.counted().contains(&strange));
    }

    #[test]
    fn signatures_are_checked_once() {
        let (mut chief, mut recorder) = crew();
        for _ in 0..40 {
            recorder.reading();
        }
        chief.take(&mut recorder);
        let all = chief.counted();
        let outing = Home::Outing(OutingId::named("dry run")).part(1);
        let kept = chief.log.store().kept(&checked_key(outing)).unwrap().expect("kept as checked");
        assert_eq!(Checked::from_bytes(&kept), chief.log.trust.checked.get(&outing).cloned());
        // What was checked is not checked again; what came since is.
        let mut again = Log::open(std::mem::take(&mut chief.log.store), bits(9));
        let checked = again.checked(outing).unwrap();
        assert_eq!(again.document(outing).unwrap().document.added_since(&checked.heads), Some(HashSet::new()));
        chief.log = again;
        let mut stranger = Device::new(3);
        let strange = stranger.reading();
        chief.take(&mut stranger);
        assert_eq!(chief.counted(), all);
        assert_eq!(chief.codes(), [(strange, "stranger")]);
        let fresh = chief.log.document(outing).unwrap().document.added_since(&checked.heads);
        assert_eq!(fresh, Some(HashSet::from([strange])));
        // Distrusting, the same is found.
        let mut ids = BTreeSet::new();
        chief.log.replay_distrusting(|_, entry| _ = ids.insert(entry.id)).unwrap();
        assert_eq!(ids, all);
    }

    #[test]
    fn one_file_brought_in_by_two_devices_is_one_thing_said() {
        let (mut chief, mut recorder) = crew();
        let mut entry = Entry::new(
            EntryId::from_content(500, &[7; 32]),
            DeviceId::named("a column"),
            Moment { unix_ms: 500, offset_minutes: 0 },
        );
        entry.state(Fact::Lot(Lot {
            mark: "A-17".to_owned(),
            igniter_type: None,
            made_on: None,
            use_by: None,
            count: None,
            storage: None,
        }));
        entry.name_by_content().unwrap();
        chief.log.write(Home::Register, &entry).unwrap();
        recorder.log.write(Home::Register, &entry).unwrap();
        chief.take(&mut recorder);
        assert!(chief.counted().contains(&entry.id));
        assert_eq!(chief.log.apart(), []);
        assert_eq!(chief.log.problems(), []);
        // A stranger who puts something else under the id changes nothing, signed or not.
        let mut stranger = Device::new(3);
        stranger.log.signer = Signer::Nobody;
        let mut other = entry.clone();
        other.facts.clear();
        other.state(Fact::Lot(Lot {
            mark: "A-99".to_owned(),
            igniter_type: None,
            made_on: None,
            use_by: None,
            count: None,
            storage: None,
        }));
        stranger.log.write(Home::Register, &other).unwrap();
        chief.take(&mut stranger);
        let mut marks = Vec::new();
        chief
            .log
            .replay(|_, e| {
                marks.extend(
                    e.facts.iter().filter_map(|s| if let Fact::Lot(l) = &s.fact { Some(l.mark.clone()) } else { None }),
                );
            })
            .unwrap();
        assert_eq!(marks, ["A-17"]);
        assert!(matches!(chief.log.problems(), [Problem::ContestedEntry { .. }]), "and it is told");
    }

    /// Every byte of a small log flipped in turn, with the file's own hash made to fit: what is not refused is harmless.
    #[test]
    fn a_log_in_which_any_byte_was_flipped_is_refused_or_counts_nothing_else() {
        let (mut chief, mut recorder) = crew();
        recorder.reading();
        chief.take(&mut recorder);
        let said = |log: &mut Log<MemoryStore>| {
            let mut said = BTreeMap::new();
            log.replay(|_, entry| _ = said.insert(entry.id, entry)).map(|()| said)
        };
        let whole = said(&mut chief.log).unwrap();
        let mut file = Vec::new();
        chief.log.carry(&mut file).unwrap();
        let body = file.len() - 32;
        let (mut refused, mut harmless) = (0, 0);
        for at in 0..body {
            let mut altered = file[..body].to_vec();
            altered[at] ^= 1 << (at % 8);
            altered.extend_from_slice(blake3::hash(&altered).as_bytes());
            let mut log = Log::open(MemoryStore::default(), bits(at as u64));
            log.set_crew(chief.key.crew()).unwrap();
            if log.absorb(&altered).is_err() {
                refused += 1;
                continue;
            }
            // Without its founding a register counts everything, as any log does that was not met yet.
            if log.roster().unwrap().is_some() {
                for (id, entry) in said(&mut log).unwrap() {
                    assert_eq!(whole.get(&id), Some(&entry), "byte {at} of {body}");
                }
            }
            harmless += 1;
        }
        assert!(refused > body / 2, "{refused} refused, {harmless} harmless of {body}");
    }

    #[test]
    fn before_the_crew_was_met_only_what_this_device_wrote_counts() {
        let (_, mut recorder) = crew();
        let own = recorder.reading();
        let mut stranger = Device::new(3);
        let strange = stranger.reading();
        stranger.log.signer = Signer::Nobody;
        let bare = stranger.reading();
        recorder.take(&mut stranger);
        let counted = recorder.counted();
        assert!(counted.contains(&own) && !counted.contains(&strange) && !counted.contains(&bare));
        assert!(recorder.codes().iter().all(|(_, code)| *code == "not_met") && recorder.codes().len() == 2);
    }

    #[test]
    fn a_word_on_a_device_counts_at_once_for_who_has_the_log_open() {
        let (mut chief, mut recorder) = crew();
        chief.take(&mut recorder);
        assert_eq!(chief.log.roster().unwrap().unwrap().role(recorder.device), Some(Role::Recorder));
        // Another process of the same device writes into the same store.
        let mut other = Log::open(chief.log.store.clone(), bits(9));
        other.sign_with(chief.key.clone(), chief.device);
        let after = other.members().unwrap().unwrap().heads();
        let mut entry = chief.entry();
        let reason = "stolen".to_owned();
        entry.state(Fact::Standing(Standing {
            device: recorder.device,
            key: None,
            role: None,
            reason,
            known: Vec::new(),
            after,
        }));
        entry.name_by_content().unwrap();
        other.write(Home::Register, &entry).unwrap();
        chief.log.store = other.into_store();
        assert_eq!(chief.log.roster().unwrap().unwrap().role(recorder.device), None, "before it is refreshed too");
    }

    #[test]
    fn an_answer_sorts_after_what_it_answers_whatever_the_clocks() {
        let (mut chief, mut recorder) = crew();
        for _ in 0..5 {
            recorder.reading();
        }
        let last = recorder.reading();
        chief.take(&mut recorder);
        assert!(chief.reading() > last);
    }
}
