//! The members of a crew, worked out from the crew facts in its register.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::acts::{Act, Acts, power};
use super::envelope::{Envelope, Place, entry_in};
use super::judge::Apart;
use super::key::PublicKey;
use super::seal::hash_of;
use crate::facts::{CrewId, DeviceId, Entry, EntryHash, EntryId, Fact, FactId, Invitation, KeyBytes, Moment, Role};

/// How a device came in, or why it did not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum How {
    /// It founded the crew.
    Founded,
    /// By an invitation that a chief has not confirmed yet.
    Invited,
    /// A chief's word stands for it.
    Confirmed,
    /// Its invitation was used by another device too, and no chief has said which one is meant.
    InvitationSpent,
}

/// A device that belongs to the crew, or did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    /// The device.
    pub device: DeviceId,
    /// Its public key.
    pub key: KeyBytes,
    /// What it may do now; `None`: it was shut out, it left, or it was never let in.
    pub role: Option<Role>,
    /// The most that it ever might do.
    pub most: Option<Role>,
    /// How it came in.
    pub how: How,
    /// The reason of the last word on it, if one was given.
    pub reason: Option<String>,
    /// When it joined, by its own clock, or was let in, by its chief's.
    pub since: Option<Moment>,
    /// Who last took rights from it, and what was known of it then; `None` if nobody did.
    pub(super) lowered: Option<BTreeSet<EntryId>>,
    /// Whether it was its own word.
    pub(super) left: bool,
}

/// Who belongs to a crew, and what a chief vouches for.
#[derive(Debug)]
pub struct Roster {
    crew: CrewId,
    name: String,
    members: BTreeMap<DeviceId, Member>,
    keys: HashMap<DeviceId, PublicKey>,
    vouched: HashMap<EntryId, EntryHash>,
    heads: Vec<FactId>,
    open: Vec<(Invitation, bool)>,
    /// By which invitation each device joined.
    joined: HashMap<DeviceId, KeyBytes>,
}

impl Roster {
    /// Works out the roster from the entries in the register: their ids, and their bytes as they are stored.
    ///
    /// The same set gives the same roster, in whatever order. What cannot be read or verified is passed over here, and
    /// kept apart when it is judged.
    pub fn new<'a>(crew: CrewId, register: impl IntoIterator<Item = (EntryId, &'a [u8])>) -> Self {
        let mut signed: Vec<(Entry, Envelope)> = Vec::new();
        for (id, bytes) in register {
            if !Envelope::is_signed(bytes) {
                continue;
            }
            let (Ok(entry), Ok(envelope)) = (entry_in(id, bytes), Envelope::read(bytes)) else { continue };
            if envelope.signer().is_none() && entry.facts.iter().any(|s| is_crew_fact(&s.fact)) {
                signed.push((entry, envelope));
            }
        }
        let keys = keys_in(&signed);
        signed.retain(|(entry, envelope)| {
            let place = Place { home: None, entry: entry.id };
            keys.get(&entry.device).is_some_and(|key| envelope.is_signed_by(key, place))
        });
        signed.retain(|(entry, envelope)| entry.id.fits(envelope.payload()));
        signed.sort_by(|(a, x), (b, y)| (a.id, x.payload()).cmp(&(b.id, y.payload())));
        signed.dedup_by_key(|(entry, _)| entry.id);
        let acts = signed.iter().flat_map(|(entry, _)| {
            entry.facts().map(|(id, stated)| Act {
                id,
                author: entry.device,
                written: entry.written,
                fact: stated.fact.clone(),
            })
        });
        let acts = Acts::new(crew, acts.filter(|act| is_crew_fact(&act.fact)).collect());
        let mut roster = Self {
            crew,
            name: String::new(),
            members: acts.subjects().filter_map(|device| member(&acts, &keys, device)).map(|m| (m.device, m)).collect(),
            keys,
            vouched: HashMap::new(),
            heads: acts.heads(),
            open: Vec::new(),
            joined: HashMap::new(),
        };
        roster.take_spent(&acts);
        roster.take_open(&acts);
        for (entry, _) in &signed {
            for stated in &entry.facts {
                match &stated.fact {
                    Fact::Founding(f) if CrewId::founded_by(&f.key) == crew && roster.name.is_empty() => {
                        roster.name.clone_from(&f.name);
                    }
                    Fact::Vouching(f) if roster.may(entry).is_ok() => {
                        roster.vouched.extend(f.held.iter().map(|h| (h.entry, h.hash)));
                    }
                    _ => {}
                }
            }
        }
        roster
    }

    fn take_spent(&mut self, acts: &Acts) {
        for act in acts.spent() {
            let Fact::Joining(f) = &act.fact else { continue };
            self.members.entry(act.author).or_insert_with(|| Member {
                device: act.author,
                key: f.key,
                role: None,
                most: None,
                how: How::InvitationSpent,
                reason: None,
                since: Some(act.written),
                lowered: None,
                left: false,
            });
        }
    }

    fn take_open(&mut self, acts: &Acts) {
        let stories = acts.subjects().flat_map(|device| acts.story(device)).map(|(act, _)| act);
        self.joined = stories
            .chain(acts.spent())
            .filter_map(|act| if let Fact::Joining(f) = &act.fact { Some((act.author, f.invitation)) } else { None })
            .collect();
        let used: BTreeSet<KeyBytes> = self.joined.values().copied().collect();
        let invitations = acts.invitations().filter_map(|act| match &act.fact {
            Fact::Invitation(f) => Some(f),
            _ => None,
        });
        let (ends, open): (Vec<_>, Vec<_>) = invitations.partition(|f| f.until.unix_ms <= 0);
        let is_over = |key: &KeyBytes| used.contains(key) || ends.iter().any(|end| end.key == *key);
        self.open = open.into_iter().map(|f| (f.clone(), is_over(&f.key))).collect();
    }

    /// Returns the crew.
    #[must_use]
    pub fn crew(&self) -> CrewId {
        self.crew
    }

    /// Returns what the crew calls itself; empty until its founding has come.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Tells whether the crew's founding has come. Until then nobody can be told from a stranger.
    #[must_use]
    pub fn has_begun(&self) -> bool {
        self.members.values().any(|m| m.how == How::Founded)
    }

    /// Returns the devices that belong to the crew, or did, by id.
    pub fn members(&self) -> impl Iterator<Item = &Member> {
        self.members.values()
    }

    /// Returns a device that belongs to the crew, or did.
    #[must_use]
    pub fn member(&self, device: DeviceId) -> Option<&Member> {
        self.members.get(&device)
    }

    /// Returns the member that has a key.
    #[must_use]
    pub fn member_with(&self, key: &KeyBytes) -> Option<&Member> {
        self.members.values().find(|m| m.key == *key)
    }

    /// Returns what a device may do now.
    #[must_use]
    pub fn role(&self, device: DeviceId) -> Option<Role> {
        self.members.get(&device)?.role
    }

    /// Returns an invitation by its public key, and whether a device has used it.
    #[must_use]
    pub fn invitation(&self, key: &KeyBytes) -> Option<(&Invitation, bool)> {
        self.open.iter().find(|(i, _)| i.key == *key).map(|(i, used)| (i, *used))
    }

    /// Returns the invitation by which a device joined.
    #[must_use]
    pub fn invitation_of(&self, device: DeviceId) -> Option<&Invitation> {
        let key = self.joined.get(&device)?;
        self.open.iter().map(|(i, _)| i).find(|i| i.key == *key)
    }

    /// Returns the invitations that no device has used.
    pub fn open_invitations(&self) -> impl Iterator<Item = &Invitation> {
        self.open.iter().filter(|(_, used)| !used).map(|(i, _)| i)
    }

    /// Returns what a new crew fact builds on.
    #[must_use]
    pub fn heads(&self) -> Vec<FactId> {
        self.heads.clone()
    }

    pub(super) fn key(&self, device: DeviceId) -> Option<&PublicKey> {
        self.keys.get(&device)
    }

    /// Tells whether a chief vouches for an entry's bytes.
    pub(super) fn vouches_for(&self, entry: EntryId, payload: &[u8]) -> bool {
        self.vouched.get(&entry).is_some_and(|hash| *hash == hash_of(payload))
    }

    /// Tells whether a device's word counts for an entry, its signature apart.
    pub(super) fn may(&self, entry: &Entry) -> Result<(), Apart> {
        self.may_as(entry.device, entry)
    }
}

/// Tells whether a fact is one that builds on others of its kind, or belongs to the crew's own.
fn is_crew_fact(fact: &Fact) -> bool {
    matches!(
        fact,
        Fact::Founding(_)
            | Fact::Invitation(_)
            | Fact::Joining(_)
            | Fact::Standing(_)
            | Fact::Leaving(_)
            | Fact::Vouching(_)
    )
}

/// Returns the keys that crew facts tell. A device's id follows from its key, so nobody can tell a wrong one.
fn keys_in(entries: &[(Entry, Envelope)]) -> HashMap<DeviceId, PublicKey> {
    let mut keys = HashMap::new();
    for (entry, _) in entries {
        for stated in &entry.facts {
            let (device, key) = match &stated.fact {
                Fact::Founding(f) => (entry.device, &f.key),
                Fact::Joining(f) => (entry.device, &f.key),
                Fact::Standing(f) => match &f.key {
                    Some(key) => (f.device, key),
                    None => continue,
                },
                _ => continue,
            };
            if device.belongs_to(key)
                && let Ok(key) = PublicKey::from_bytes(key)
            {
                keys.insert(device, key);
            }
        }
    }
    keys
}

/// Returns how a device stands by the acts on it.
fn member(acts: &Acts, keys: &HashMap<DeviceId, PublicKey>, device: DeviceId) -> Option<Member> {
    let story = acts.story(device);
    let (first, _) = story.first()?;
    let key = keys.get(&device)?.to_bytes();
    let confirmed = story.iter().any(|(act, _)| matches!(act.fact, Fact::Standing(_)));
    let mut member = Member {
        device,
        key,
        role: acts.role(device),
        most: story.iter().map(|(_, role)| *role).max_by_key(|role| power(*role)).flatten(),
        how: match &first.fact {
            Fact::Founding(_) => How::Founded,
            _ if confirmed => How::Confirmed,
            _ => How::Invited,
        },
        reason: None,
        since: Some(first.written),
        lowered: None,
        left: false,
    };
    for (act, _) in &story {
        let (reason, known, left) = match &act.fact {
            Fact::Standing(f) => (&f.reason, &f.known, false),
            Fact::Leaving(f) => (&f.reason, &f.known, true),
            _ => continue,
        };
        (member.reason, member.left) = (Some(reason.clone()), left);
        if acts.lowers(act.id) {
            member.lowered.get_or_insert_default().extend(known);
        }
    }
    Some(member)
}
