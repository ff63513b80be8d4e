//! Crew facts as acts that build on each other, and which of them take effect.
//!
//! An act names those it builds on, so *before* and *at the same time* do not hang on any clock. Where chiefs act at the
//! same time, the safer reading wins:
//!
//! - An act that takes rights away stands, if its author was a chief in what it builds on.
//! - An act that gives rights does not, if at the same time its author's own rights were taken away.
//! - Of several words on one device at the same time, the one that gives least counts.
//! - An invitation that two devices used lets in neither, until a chief says which.
//!
//! What builds on something that has not come yet waits.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use super::invite::is_proven;
use crate::facts::{CrewId, DeviceId, Fact, FactId, KeyBytes, Moment, Role};

/// A crew fact, and who stated it. Its signature was verified.
#[derive(Debug, Clone)]
pub(super) struct Act {
    pub(super) id: FactId,
    pub(super) author: DeviceId,
    pub(super) written: Moment,
    pub(super) fact: Fact,
}

/// How much a device may do; more is more.
pub(super) fn power(role: Option<Role>) -> u8 {
    match role {
        None => 0,
        Some(Role::Reader) => 1,
        Some(Role::Recorder) => 2,
        Some(Role::Chief) => 3,
    }
}

impl Act {
    fn after(&self) -> &[FactId] {
        match &self.fact {
            Fact::Invitation(f) => &f.after,
            Fact::Joining(f) => &f.after,
            Fact::Standing(f) => &f.after,
            Fact::Leaving(f) => &f.after,
            _ => &[],
        }
    }

    /// Returns the invitation's key, of a joining.
    fn invited_by(&self) -> Option<KeyBytes> {
        if let Fact::Joining(f) = &self.fact { Some(f.invitation) } else { None }
    }

    /// Returns the device whose part this act settles.
    fn subject(&self) -> Option<DeviceId> {
        match &self.fact {
            Fact::Founding(_) | Fact::Joining(_) | Fact::Leaving(_) => Some(self.author),
            Fact::Standing(f) => Some(f.device),
            _ => None,
        }
    }
}

/// A set of acts, by their numbers.
#[derive(Debug, Clone, Default)]
struct Set(Vec<u64>);

impl Set {
    fn add(&mut self, n: usize) {
        if self.0.len() <= n / 64 {
            self.0.resize(n / 64 + 1, 0);
        }
        if let Some(word) = self.0.get_mut(n / 64) {
            *word |= 1 << (n % 64);
        }
    }

    fn has(&self, n: usize) -> bool {
        self.0.get(n / 64).is_some_and(|word| word & (1 << (n % 64)) != 0)
    }

    fn join(&mut self, other: &Self) {
        if self.0.len() < other.0.len() {
            self.0.resize(other.0.len(), 0);
        }
        self.0.iter_mut().zip(&other.0).for_each(|(to, from)| *to |= from);
    }
}

/// All acts that can be ordered, each after those it builds on.
#[derive(Debug, Default)]
pub(super) struct Acts {
    acts: Vec<Act>,
    /// What each act builds on, all the way down.
    before: Vec<Set>,
    /// By device: the acts that settle its part, in order.
    by_subject: BTreeMap<DeviceId, Vec<usize>>,
    /// Which take effect.
    effective: Vec<bool>,
    /// The role that each act gives its subject, if it takes effect.
    gives: Vec<Option<Role>>,
    /// Which take rights from their subject.
    lowers: Vec<bool>,
    /// Joinings that are refused because their invitation was used by another device too.
    spent: HashSet<usize>,
}

impl Acts {
    /// Orders the acts and works out which take effect.
    pub(super) fn new(crew: CrewId, all: Vec<Act>) -> Self {
        let mut acts = Self::ordered(reachable(crew, all));
        acts.judge(crew);
        acts
    }

    /// Puts each act after those it builds on; the same order on every device. What builds on something that is not here,
    /// or on itself, is left out.
    fn ordered(all: BTreeMap<FactId, Act>) -> Self {
        let (mut placed, mut result): (HashMap<FactId, usize>, Self) = (HashMap::new(), Self::default());
        let mut waiting: BTreeMap<FactId, usize> = BTreeMap::new();
        let mut children: HashMap<FactId, Vec<FactId>> = HashMap::new();
        let mut ready: BTreeSet<FactId> = BTreeSet::new();
        // A joining builds on its invitation, which its device may not have seen: it comes after all of that key that can
        // be placed without it, and does not wait for any that somebody makes up.
        let mut joinings: BTreeSet<FactId> = BTreeSet::new();
        let mut invitations: HashMap<KeyBytes, Vec<FactId>> = HashMap::new();
        for (id, act) in &all {
            let on: BTreeSet<FactId> = act.after().iter().copied().collect();
            if on.is_empty() {
                Self::release(*id, act, &mut ready, &mut joinings);
            } else {
                waiting.insert(*id, on.len());
                on.into_iter().for_each(|parent| children.entry(parent).or_default().push(*id));
            }
        }
        loop {
            let invited = |id: &FactId| all.get(id).and_then(Act::invited_by).and_then(|key| invitations.get(&key));
            let next = ready.pop_first().or_else(|| joinings.iter().copied().find(|id| invited(id).is_some()));
            let Some(id) = next else { break };
            joinings.remove(&id);
            let Some(act) = all.get(&id) else { continue };
            let n = result.acts.len();
            let mut before = Set::default();
            let invited = invited(&id).into_iter().flatten();
            for parent in act.after().iter().chain(invited).filter_map(|p| placed.get(p)) {
                before.add(*parent);
                if let Some(grand) = result.before.get(*parent) {
                    before.join(grand);
                }
            }
            placed.insert(id, n);
            if let Fact::Invitation(f) = &act.fact {
                invitations.entry(f.key).or_default().push(id);
            }
            if let Some(subject) = act.subject() {
                result.by_subject.entry(subject).or_default().push(n);
            }
            result.acts.push(act.clone());
            result.before.push(before);
            for child in children.remove(&id).unwrap_or_default() {
                if let Some(left) = waiting.get_mut(&child) {
                    *left -= 1;
                    if let (0, Some(act)) = (*left, all.get(&child)) {
                        Self::release(child, act, &mut ready, &mut joinings);
                    }
                }
            }
        }
        result
    }

    fn release(id: FactId, act: &Act, ready: &mut BTreeSet<FactId>, joinings: &mut BTreeSet<FactId>) {
        let queue = if act.invited_by().is_some() { joinings } else { ready };
        queue.insert(id);
    }

    fn judge(&mut self, crew: CrewId) {
        let count = self.acts.len();
        (self.effective, self.gives, self.lowers) = (vec![false; count], vec![None; count], vec![false; count]);
        // First: was each act allowed by what it builds on?
        for n in 0..count {
            let (allowed, gives) = self.allowed(crew, n);
            self.set(n, allowed, gives);
        }
        self.spent = self.spent_invitations();
        // Then: what builds on an act that fell, falls with it; and acts that give rights fall, if their author's own
        // were taken away at the same time. What falls may have taken rights away itself, so this is done twice.
        for _ in 0..2 {
            let mut lowering: BTreeMap<DeviceId, Vec<usize>> = BTreeMap::new();
            let lowers = (0..count).filter(|n| self.is_effective(*n) && self.lowers.get(*n) == Some(&true));
            for n in lowers {
                if let Some(subject) = self.acts.get(n).and_then(Act::subject) {
                    lowering.entry(subject).or_default().push(n);
                }
            }
            for n in 0..count {
                let Some(act) = self.acts.get(n) else { continue };
                let chiefs = matches!(act.fact, Fact::Invitation(_) | Fact::Standing(_));
                let gives_rights = chiefs && !self.takes(n);
                let cut = lowering.get(&act.author).is_some_and(|all| all.iter().any(|l| self.at_once(n, *l)));
                let (allowed, gives) = self.allowed(crew, n);
                self.set(n, allowed && !(gives_rights && cut) && !self.spent.contains(&n), gives);
            }
        }
    }

    /// Tells whether an act takes rights from its subject, or would if it had any.
    fn takes(&self, n: usize) -> bool {
        let (Some(act), Some(before)) = (self.acts.get(n), self.before.get(n)) else { return false };
        match &act.fact {
            Fact::Standing(f) if f.role.is_none() => true,
            Fact::Standing(f) => power(f.role) < power(self.role_in(f.device, before)),
            Fact::Leaving(_) => true,
            _ => false,
        }
    }

    fn set(&mut self, n: usize, effective: bool, gives: Option<Role>) {
        let takes = self.takes(n);
        if let Some(at) = self.lowers.get_mut(n) {
            *at = takes;
        }
        if let Some(at) = self.effective.get_mut(n) {
            *at = effective;
        }
        if let Some(at) = self.gives.get_mut(n) {
            *at = gives;
        }
    }

    fn is_effective(&self, n: usize) -> bool {
        self.effective.get(n).copied().unwrap_or(false)
    }

    /// Tells whether one act is among those that another builds on.
    fn is_before(&self, n: usize, later: usize) -> bool {
        self.before.get(later).is_some_and(|set| set.has(n))
    }

    /// Tells whether neither of two acts builds on the other.
    fn at_once(&self, one: usize, other: usize) -> bool {
        one != other && !self.is_before(one, other) && !self.is_before(other, one)
    }

    /// Tells whether an act was allowed by what it builds on, and which role it gives.
    fn allowed(&self, crew: CrewId, n: usize) -> (bool, Option<Role>) {
        let (Some(act), Some(before)) = (self.acts.get(n), self.before.get(n)) else { return (false, None) };
        let by_chief = || self.role_in(act.author, before) == Some(Role::Chief);
        match &act.fact {
            Fact::Founding(f) => (CrewId::founded_by(&f.key) == crew, Some(Role::Chief)),
            Fact::Invitation(f) => (by_chief(), Some(f.role)),
            Fact::Standing(f) => (by_chief(), f.role),
            Fact::Leaving(_) => (self.role_in(act.author, before).is_some(), None),
            Fact::Joining(f) => {
                let invited = (0..n).filter(|i| before.has(*i) && self.is_effective(*i)).find_map(|i| {
                    match self.acts.get(i).map(|a| &a.fact) {
                        Some(Fact::Invitation(i)) if i.key == f.invitation && i.until.unix_ms > 0 => Some(i),
                        _ => None,
                    }
                });
                // By the joining device's own word; a chief's device looks at its own clock before it confirms.
                let in_time = invited.filter(|i| act.written.unix_ms <= i.until.unix_ms);
                (in_time.is_some_and(|_| is_proven(crew, f)), in_time.map(|i| i.role))
            }
            _ => (false, None),
        }
    }

    /// Returns a device's role by the effective acts of a set: the least that any gives which no other builds on.
    fn role_in(&self, device: DeviceId, set: &Set) -> Option<Role> {
        let on = self.by_subject.get(&device).map(Vec::as_slice).unwrap_or_default();
        self.least(on.iter().copied().filter(|n| set.has(*n) && self.is_effective(*n)))
    }

    fn least(&self, acts: impl Iterator<Item = usize>) -> Option<Role> {
        let acts: Vec<usize> = acts.collect();
        let last = acts.iter().filter(|n| !acts.iter().any(|later| self.is_before(**n, *later)));
        last.map(|n| self.gives.get(*n).copied().flatten()).min_by_key(|role| power(*role)).flatten()
    }

    /// Finds joinings whose invitation another device used too, unless a chief has confirmed this one and no other.
    fn spent_invitations(&self) -> HashSet<usize> {
        let mut uses: HashMap<KeyBytes, Vec<usize>> = HashMap::new();
        for (n, act) in self.acts.iter().enumerate().filter(|(n, _)| self.is_effective(*n)) {
            if let Fact::Joining(f) = &act.fact {
                uses.entry(f.invitation).or_default().push(n);
            }
        }
        let confirmed = |n: usize| self.is_confirmed(n);
        let mut spent = HashSet::new();
        // An invitation that was ended lets in only who was known then, or is confirmed.
        let ends = self.acts.iter().enumerate().filter_map(|(n, act)| match &act.fact {
            Fact::Invitation(f) if f.until.unix_ms <= 0 && self.is_effective(n) => Some((f.key, n)),
            _ => None,
        });
        for (key, end) in ends {
            let late = uses.get(&key).into_iter().flatten().filter(|n| !self.is_before(**n, end));
            spent.extend(late.copied().filter(|n| !confirmed(*n)));
        }
        for uses in uses.into_values() {
            let devices: BTreeSet<DeviceId> = uses.iter().filter_map(|n| Some(self.acts.get(*n)?.author)).collect();
            if devices.len() > 1 {
                spent.extend(uses.into_iter().filter(|n| !confirmed(*n)));
            }
        }
        spent
    }

    /// Tells whether a chief's word on the device of a joining builds on it.
    fn is_confirmed(&self, joining: usize) -> bool {
        let Some(author) = self.acts.get(joining).map(|a| a.author) else { return false };
        let on = self.by_subject.get(&author).map(Vec::as_slice).unwrap_or_default();
        let by_chief =
            |s: usize| self.acts.get(s).is_some_and(|a| matches!(a.fact, Fact::Standing(_)) && a.author != author);
        on.iter().any(|s| by_chief(*s) && self.is_effective(*s) && self.is_before(joining, *s))
    }

    /// Tells whether an act took rights from its subject.
    pub(super) fn lowers(&self, id: FactId) -> bool {
        self.acts.iter().position(|act| act.id == id).is_some_and(|n| self.lowers.get(n) == Some(&true))
    }

    /// Returns a device's role by all effective acts.
    pub(super) fn role(&self, device: DeviceId) -> Option<Role> {
        self.least(self.on(device))
    }

    fn on(&self, device: DeviceId) -> impl Iterator<Item = usize> {
        let on = self.by_subject.get(&device).map(Vec::as_slice).unwrap_or_default();
        on.iter().copied().filter(|n| self.is_effective(*n))
    }

    /// Returns the effective acts on a device, in order, each with the role that it gives.
    pub(super) fn story(&self, device: DeviceId) -> Vec<(&Act, Option<Role>)> {
        self.on(device).filter_map(|n| Some((self.acts.get(n)?, self.gives.get(n).copied().flatten()))).collect()
    }

    /// Returns the devices that any act is on.
    pub(super) fn subjects(&self) -> impl Iterator<Item = DeviceId> {
        self.by_subject.keys().copied()
    }

    /// Returns the joinings that were refused because their invitation was used more than once.
    pub(super) fn spent(&self) -> impl Iterator<Item = &Act> {
        self.spent.iter().filter_map(|n| self.acts.get(*n))
    }

    /// Returns the effective invitations.
    pub(super) fn invitations(&self) -> impl Iterator<Item = &Act> {
        let effective = self.acts.iter().enumerate().filter(|(n, _)| self.is_effective(*n));
        effective.map(|(_, act)| act).filter(|act| matches!(act.fact, Fact::Invitation(_)))
    }

    /// Returns the acts that no other builds on: what a new act builds on.
    pub(super) fn heads(&self) -> Vec<FactId> {
        // Acts that take no effect are not built on: their authors could make as many as they like.
        let counted = || (0..self.acts.len()).filter(|n| self.is_effective(*n));
        let mut built_on = Set::default();
        counted().filter_map(|n| self.before.get(n)).for_each(|set| built_on.join(set));
        counted().filter(|n| !built_on.has(*n)).filter_map(|n| self.acts.get(n)).map(|act| act.id).collect()
    }
}

/// The most acts of one kind that are looked at of one device, and joinings by one invitation that nobody speaks of.
const MOST_OF_A_DEVICE: usize = 8;
/// The most that a chief's device does.
const MOST_OF_A_CHIEF: usize = 4_096;

/// Keeps the acts of devices that an act of the crew names, however it stands: strangers cannot make the rest slow.
fn reachable(crew: CrewId, all: Vec<Act>) -> BTreeMap<FactId, Act> {
    let mut by_author: BTreeMap<DeviceId, Vec<Act>> = BTreeMap::new();
    let mut by_invitation: HashMap<KeyBytes, Vec<Act>> = HashMap::new();
    let mut queue: Vec<Act> = Vec::new();
    let spoken_of: HashSet<DeviceId> =
        all.iter().filter_map(|a| if let Fact::Standing(f) = &a.fact { Some(f.device) } else { None }).collect();
    for act in all {
        match &act.fact {
            Fact::Founding(f) if CrewId::founded_by(&f.key) == crew => queue.push(act),
            Fact::Founding(_) => {}
            Fact::Joining(f) => by_invitation.entry(f.invitation).or_default().push(act),
            _ => by_author.entry(act.author).or_default().push(act),
        }
    }
    let mut kept = BTreeMap::new();
    while let Some(act) = queue.pop() {
        let named = match &act.fact {
            Fact::Standing(f) => f.device,
            _ => act.author,
        };
        if let Fact::Invitation(f) = &act.fact {
            let mut joinings = by_invitation.remove(&f.key).unwrap_or_default();
            joinings.sort_unstable_by_key(|a| (!spoken_of.contains(&a.author), a.id));
            let most = joinings.iter().filter(|a| spoken_of.contains(&a.author)).count() + MOST_OF_A_DEVICE;
            joinings.truncate(most);
            queue.extend(joinings.into_iter().filter(|a| matches!(&a.fact, Fact::Joining(j) if is_proven(crew, j))));
        }
        let mut own = by_author.remove(&named).unwrap_or_default();
        own.sort_unstable_by_key(|a| a.id);
        let (mut leavings, mut others) = (0, 0);
        own.retain(|a| {
            let (count, most) = match a.fact {
                Fact::Leaving(_) => (&mut leavings, MOST_OF_A_DEVICE),
                _ => (&mut others, MOST_OF_A_CHIEF),
            };
            *count += 1;
            *count <= most
        });
        queue.extend(own);
        kept.insert(act.id, act);
    }
    kept
}
