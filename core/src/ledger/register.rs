//! The crew's register as it stands: one value an id, put together from all facts in effect that state it.
//!
//! Devices that never met may each state the same lot. What one leaves open another may fill; where two state different
//! things the one with the smallest id counts meanwhile, and the field is listed as a conflict.

use std::collections::{BTreeMap, BTreeSet};

use super::shelf::{Shelf, Standing};
use crate::facts::{
    Device, DeviceId, Fact, FactId, FiringModule, Forgotten, Fuse, FuseId, IgniterType, Lot, LotId, ModuleId, Outing,
    OutingId, Person, PersonId, RegisterId, TypeId, comparable_name,
};

/// A thing of the register.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Registered<T> {
    /// What is stated of it.
    pub value: T,
    /// The facts in effect that state it, by id.
    pub facts: Vec<FactId>,
    /// The fields on which they contradict each other.
    pub conflicts: Vec<&'static str>,
}

/// Things of one kind by id.
#[derive(Debug)]
pub struct Drawer<I, T> {
    things: BTreeMap<I, Registered<T>>,
    rows: BTreeMap<I, BTreeSet<u32>>,
    dirty: BTreeSet<I>,
}

impl<I, T> Default for Drawer<I, T> {
    fn default() -> Self {
        Self { things: BTreeMap::new(), rows: BTreeMap::new(), dirty: BTreeSet::new() }
    }
}

impl<I: Copy + Ord, T> Drawer<I, T> {
    /// Returns the thing with an id.
    #[must_use]
    pub fn get(&self, id: I) -> Option<&Registered<T>> {
        self.things.get(&id)
    }

    /// Returns all things in order of their ids.
    pub fn iter(&self) -> impl Iterator<Item = (I, &Registered<T>)> {
        self.things.iter().map(|(id, thing)| (*id, thing))
    }

    /// Returns how many there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.things.len()
    }

    /// Tells whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.things.is_empty()
    }

    fn touch(&mut self, id: I, row: u32) {
        self.rows.entry(id).or_default().insert(row);
        self.dirty.insert(id);
    }

    /// Puts the dirty things together anew and returns their ids.
    fn settle(&mut self, shelf: &Shelf) -> Vec<I>
    where
        T: Stated,
    {
        let dirty: Vec<I> = std::mem::take(&mut self.dirty).into_iter().collect();
        for id in &dirty {
            let in_effect = |row: &&u32| shelf.row(**row).standing == Standing::InEffect;
            let rows = self.rows.get(id).into_iter().flatten().filter(in_effect);
            let mut rows: Vec<(FactId, u32)> = rows.map(|row| (shelf.row_id(*row), *row)).collect();
            rows.sort_unstable();
            let mut values = rows.iter().filter_map(|(_, row)| T::of(&shelf.row(*row).fact));
            let Some(mut value) = values.next().cloned() else {
                self.things.remove(id);
                continue;
            };
            let mut conflicts = BTreeSet::new();
            for other in values {
                value.fill(other, &mut conflicts);
            }
            let facts = rows.iter().map(|(fact, _)| *fact).collect();
            self.things.insert(*id, Registered { value, facts, conflicts: conflicts.into_iter().collect() });
        }
        dirty
    }
}

/// What the register holds.
trait Stated: Clone {
    fn of(fact: &Fact) -> Option<&Self>;

    /// Takes from `other` what is open here, and names the fields that contradict.
    fn fill(&mut self, other: &Self, conflicts: &mut BTreeSet<&'static str>);
}

macro_rules! stated {
    ($kind:ident($type:ty): $name:ident, must [$($must:ident),*], may [$($may:ident),*]) => {
        impl Stated for $type {
            fn of(fact: &Fact) -> Option<&Self> {
                match fact {
                    Fact::$kind(it) => Some(it),
                    _ => None,
                }
            }

            fn fill(&mut self, other: &Self, conflicts: &mut BTreeSet<&'static str>) {
                // Spelled otherwise is the same name.
                if comparable_name(&self.$name) != comparable_name(&other.$name) {
                    conflicts.insert(stringify!($name));
                }
                $(if self.$must != other.$must {
                    conflicts.insert(stringify!($must));
                })*
                $(match (&self.$may, &other.$may) {
                    (None, stated) => self.$may = stated.clone(),
                    (Some(a), Some(b)) if a != b => {
                        conflicts.insert(stringify!($may));
                    }
                    _ => {}
                })*
            }
        }
    };
}

stated!(IgniterType(IgniterType): name, must [], may [
    bridge_resistance, no_fire_current, all_fire_current, series_current, firing_impulse, impulse_spread, lag, lag_spread,
    bridge_tolerance, source
]);
stated!(Lot(Lot): mark, must [], may [igniter_type, made_on, use_by, count, storage]);
stated!(Fuse(Fuse): name, must [kind], may [sheath, coupling]);
stated!(Module(FiringModule): name, must [], may [channels, source_kind, supply, source_resistance, capacitance]);
stated!(Person(Person): name, must [role], may []);
stated!(Device(Device): name, must [], may []);
stated!(Outing(Outing): name, must [kind], may [place, begins, slow_limit_ms, wait_minutes]);

/// The register as it stands.
#[derive(Debug, Default)]
pub struct Register {
    types: Drawer<TypeId, IgniterType>,
    lots: Drawer<LotId, Lot>,
    fuses: Drawer<FuseId, Fuse>,
    modules: Drawer<ModuleId, FiringModule>,
    people: Drawer<PersonId, Person>,
    devices: Drawer<DeviceId, Device>,
    outings: Drawer<OutingId, Outing>,
    /// What people are called whose names are forgotten. Nothing takes that back, so their standing does not matter.
    forgotten: BTreeMap<PersonId, String>,
}

/// What of the register may concern shots.
pub(super) struct Changed {
    pub(super) types: Vec<TypeId>,
    pub(super) lots: Vec<LotId>,
    pub(super) outings: Vec<OutingId>,
}

impl Register {
    /// Returns the igniter types.
    #[must_use]
    pub fn types(&self) -> &Drawer<TypeId, IgniterType> {
        &self.types
    }

    /// Returns the lots.
    #[must_use]
    pub fn lots(&self) -> &Drawer<LotId, Lot> {
        &self.lots
    }

    /// Returns the fuses.
    #[must_use]
    pub fn fuses(&self) -> &Drawer<FuseId, Fuse> {
        &self.fuses
    }

    /// Returns the firing modules.
    #[must_use]
    pub fn modules(&self) -> &Drawer<ModuleId, FiringModule> {
        &self.modules
    }

    /// Returns the members of the crew.
    #[must_use]
    pub fn people(&self) -> &Drawer<PersonId, Person> {
        &self.people
    }

    /// Returns the people whose names are forgotten, and what they are called instead. They are not among the members.
    pub fn forgotten(&self) -> impl Iterator<Item = (PersonId, &str)> {
        self.forgotten.iter().map(|(id, called)| (*id, called.as_str()))
    }

    /// Returns the devices.
    #[must_use]
    pub fn devices(&self) -> &Drawer<DeviceId, Device> {
        &self.devices
    }

    /// Returns the outings.
    #[must_use]
    pub fn outings(&self) -> &Drawer<OutingId, Outing> {
        &self.outings
    }

    /// Returns the lot with a batch mark, in any case and spacing; other kinds are found the same way by the id that
    /// follows from their name.
    #[must_use]
    pub fn lot_marked(&self, mark: &str) -> Option<&Lot> {
        self.lots.get(LotId::named(mark)).map(|lot| &lot.value)
    }

    /// Returns the ids of the devices with a name, in any case and spacing; names of devices need not differ.
    #[must_use]
    pub fn devices_named(&self, name: &str) -> Vec<DeviceId> {
        let wanted = comparable_name(name);
        self.devices.iter().filter(|(_, d)| comparable_name(&d.value.name) == wanted).map(|(id, _)| id).collect()
    }

    /// Returns what the crew calls a thing; `None` if nobody has stated it.
    #[must_use]
    pub fn name(&self, id: RegisterId) -> Option<&str> {
        Some(match id {
            RegisterId::Type(id) => &self.types.get(id)?.value.name,
            RegisterId::Lot(id) => &self.lots.get(id)?.value.mark,
            RegisterId::Fuse(id) => &self.fuses.get(id)?.value.name,
            RegisterId::Module(id) => &self.modules.get(id)?.value.name,
            RegisterId::Person(id) => match self.forgotten.get(&id) {
                Some(called) => called,
                None => &self.people.get(id)?.value.name,
            },
            RegisterId::Device(id) => &self.devices.get(id)?.value.name,
            RegisterId::Outing(id) => &self.outings.get(id)?.value.name,
        })
    }

    /// Returns the things whose facts contradict each other: id, facts, fields.
    pub fn conflicts(&self) -> impl Iterator<Item = (RegisterId, &[FactId], &[&'static str])> {
        fn of<I: Copy + Ord, T>(
            drawer: &Drawer<I, T>,
            id: fn(I) -> RegisterId,
        ) -> impl Iterator<Item = (RegisterId, &[FactId], &[&'static str])> {
            let conflicting = drawer.iter().filter(|(_, thing)| !thing.conflicts.is_empty());
            conflicting.map(move |(i, thing)| (id(i), thing.facts.as_slice(), thing.conflicts.as_slice()))
        }
        of(&self.types, RegisterId::Type)
            .chain(of(&self.lots, RegisterId::Lot))
            .chain(of(&self.fuses, RegisterId::Fuse))
            .chain(of(&self.modules, RegisterId::Module))
            .chain(of(&self.people, RegisterId::Person))
            .chain(of(&self.devices, RegisterId::Device))
            .chain(of(&self.outings, RegisterId::Outing))
    }

    /// Notes that a row's standing changed.
    pub(super) fn touch(&mut self, fact: &Fact, row: u32) {
        match fact {
            Fact::IgniterType(it) => self.types.touch(it.id(), row),
            Fact::Lot(it) => self.lots.touch(it.id(), row),
            Fact::Fuse(it) => self.fuses.touch(it.id(), row),
            Fact::Module(it) => self.modules.touch(it.id(), row),
            Fact::Person(it) => self.people.touch(it.id(), row),
            Fact::Forgotten(it) => {
                self.forgotten.insert(it.person, Forgotten::called(it.person));
            }
            Fact::Device(it) => self.devices.touch(it.id, row),
            Fact::Outing(it) => self.outings.touch(it.id(), row),
            _ => {}
        }
    }

    pub(super) fn settle(&mut self, shelf: &Shelf) -> Changed {
        let types = self.types.settle(shelf);
        self.fuses.settle(shelf);
        self.modules.settle(shelf);
        self.people.settle(shelf);
        // A name that an older version wrote into the register is still there, and shown no more.
        self.forgotten.keys().for_each(|id| drop(self.people.things.remove(id)));
        self.devices.settle(shelf);
        Changed { types, lots: self.lots.settle(shelf), outings: self.outings.settle(shelf) }
    }
}
