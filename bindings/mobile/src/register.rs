//! Names: types, lots, fuses, modules, people, outings, and who observes where.

use embertally_core::facts::{
    self, Capacitance, Current, Date, Fact, FactId, FuseId, Impulse, LotId, ModuleId, OutingId, PersonId, RegisterId,
    Resistance, SourceKind, TypeId, Voltage, checked_name, nearest_name,
};
use embertally_core::ledger::{Ledger, Registered};
use embertally_core::log::Home;

use crate::desk::{Desk, Result, SqliteLog};
use crate::error::EmbertallyError;
use crate::records::{FiringModule, Fuse, IgniterType, Lot, Outing, Person};
use crate::views::{OutingLine, Register};

/// Reads a measure in its unit, or says that it is out of range.
pub(crate) fn measure<T>(value: Option<f64>, what: &str, read: impl Fn(f64) -> Option<T>) -> Result<Option<T>> {
    let bad = |v: f64| EmbertallyError::Usage { reason: format!("{v} is not a possible {what}.") };
    value.map(|v| read(v).ok_or_else(|| bad(v))).transpose()
}

pub(crate) fn name(text: &str) -> Result<String> {
    checked_name(text).map_err(|e| EmbertallyError::usage(&e))
}

/// Says that a name is not known, and which one may have been meant.
pub(crate) fn unknown<'a>(what: &str, name: &str, known: impl IntoIterator<Item = &'a str>) -> EmbertallyError {
    let near = nearest_name(name, known).map(|near| format!(" Did you mean {near:?}?")).unwrap_or_default();
    EmbertallyError::refused("E_UNKNOWN_NAME", format!("The register holds no {what} called {name:?}.{near}"))
}

fn day(text: Option<&str>) -> Result<Option<Date>> {
    text.map(|t| t.parse::<Date>().map_err(|e| EmbertallyError::usage(&e))).transpose()
}

/// Returns a thing's name exactly as it was stated, or its id if nobody has.
pub(crate) fn stated(ledger: &Ledger, id: RegisterId) -> String {
    ledger.register().name(id).map_or_else(|| id.to_string(), str::to_owned)
}

impl Desk {
    /// Writes a fact of the register; if it is there already, as a correction of what is known, so that nothing is stated
    /// twice and nothing that was stated is lost. All under the log's lock.
    pub(crate) fn state<T>(
        &self,
        known: impl Fn(&Ledger) -> Option<&Registered<T>>,
        fact: impl FnOnce(Option<&T>, &Ledger) -> Result<Fact>,
    ) -> Result<()> {
        let now = self.now()?;
        let mut log = self.log();
        let (fact, replaces) = self.read(|ledger| {
            let known = known(ledger);
            let replaces: Vec<FactId> = known.map(|k| k.facts.clone()).unwrap_or_default();
            Ok::<_, EmbertallyError>((fact(known.map(|k| &k.value), ledger)?, replaces))
        })??;
        let mut entry = self.entry(&log, now);
        match replaces.as_slice() {
            [] => drop(entry.state(fact)),
            all => all.iter().for_each(|old| {
                entry.correct(*old, fact.clone());
            }),
        }
        let home = Home::of(&entry).unwrap_or(Home::Register);
        self.write(&mut log, &mut [(home, entry)])
    }

    pub(crate) fn add_type(&self, t: &IgniterType) -> Result<()> {
        let name = name(&t.name)?;
        let (ohm, ampere) = ("bridge resistance in ohm", "current in ampere");
        let given = facts::IgniterType {
            bridge_resistance: measure(t.bridge_ohm, ohm, Resistance::from_f64)?,
            bridge_tolerance: measure(t.bridge_tolerance_ohm, "tolerance in ohm", Resistance::from_f64)?,
            no_fire_current: measure(t.no_fire_a, ampere, Current::from_f64)?,
            all_fire_current: measure(t.all_fire_a, ampere, Current::from_f64)?,
            series_current: measure(t.series_a, ampere, Current::from_f64)?,
            firing_impulse: measure(t.impulse_mj_per_ohm, "firing impulse in mJ/ohm", Impulse::from_f64)?,
            source: t.source.clone(),
            ..facts::IgniterType::named(&name)
        };
        let id = given.id();
        self.state(
            |ledger| ledger.register().types().get(id),
            |old, _| {
                let old = old.cloned().unwrap_or_else(|| facts::IgniterType::named(&name));
                let fact = facts::IgniterType {
                    bridge_resistance: given.bridge_resistance.or(old.bridge_resistance),
                    bridge_tolerance: given.bridge_tolerance.or(old.bridge_tolerance),
                    no_fire_current: given.no_fire_current.or(old.no_fire_current),
                    all_fire_current: given.all_fire_current.or(old.all_fire_current),
                    series_current: given.series_current.or(old.series_current),
                    firing_impulse: given.firing_impulse.or(old.firing_impulse),
                    source: given.source.clone().or(old.source.clone()),
                    name: name.clone(),
                    ..old
                };
                if let (Some(no), Some(all)) = (fact.no_fire_current, fact.all_fire_current)
                    && no >= all
                {
                    let reason = format!("The no-fire current ({no}) must be below the all-fire current ({all}).");
                    return Err(EmbertallyError::Usage { reason });
                }
                Ok(Fact::IgniterType(fact))
            },
        )
    }

    pub(crate) fn add_lot(&self, lot: &Lot) -> Result<()> {
        let mark = name(&lot.mark)?;
        let (made_on, use_by) = (day(lot.made_on.as_deref())?, day(lot.use_by.as_deref())?);
        let id = LotId::named(&mark);
        self.state(
            |ledger| ledger.register().lots().get(id),
            |old, ledger| {
                let types = ledger.register().types();
                let igniter_type = match &lot.igniter_type {
                    Some(name) if types.get(TypeId::named(name)).is_none() => {
                        let known = types.iter().map(|(_, t)| t.value.name.as_str());
                        return Err(unknown("igniter type", name, known));
                    }
                    Some(name) => Some(TypeId::named(name)),
                    None => old.and_then(|o| o.igniter_type),
                };
                let fact = facts::Lot {
                    igniter_type,
                    made_on: made_on.or(old.and_then(|o| o.made_on)),
                    use_by: use_by.or(old.and_then(|o| o.use_by)),
                    count: lot.count.or(old.and_then(|o| o.count)),
                    storage: lot.storage.clone().or_else(|| old.and_then(|o| o.storage.clone())),
                    mark,
                };
                if fact.made_on.is_some() && fact.use_by.is_some() && fact.made_on > fact.use_by {
                    let reason = "The lot's use-by is before the day it was made.".to_owned();
                    return Err(EmbertallyError::Usage { reason });
                }
                Ok(Fact::Lot(fact))
            },
        )
    }

    pub(crate) fn add_fuse(&self, fuse: &Fuse) -> Result<()> {
        let name = name(&fuse.name)?;
        let id = FuseId::named(&name);
        self.state(
            |ledger| ledger.register().fuses().get(id),
            |old, _| {
                Ok(Fact::Fuse(facts::Fuse {
                    kind: fuse.kind.map(Into::into).or(old.map(|o| o.kind)).unwrap_or(facts::FuseKind::Other),
                    sheath: fuse.sheath.clone().or_else(|| old.and_then(|o| o.sheath.clone())),
                    coupling: fuse.coupling.clone().or_else(|| old.and_then(|o| o.coupling.clone())),
                    name,
                }))
            },
        )
    }

    pub(crate) fn add_module(&self, module: &FiringModule) -> Result<()> {
        let name = name(&module.name)?;
        let id = ModuleId::named(&name);
        let supply = measure(module.supply_v, "voltage", Voltage::from_f64)?;
        let source = measure(module.source_ohm, "resistance in ohm", Resistance::from_f64)?;
        let capacitance = measure(module.capacitor_uf, "capacitance in microfarad", Capacitance::from_f64)?;
        self.state(
            |ledger| ledger.register().modules().get(id),
            |old, _| {
                let supply = supply.or(old.and_then(|o| o.supply));
                let capacitance = capacitance.or(old.and_then(|o| o.capacitance));
                Ok(Fact::Module(facts::FiringModule {
                    channels: module.channels.or(old.and_then(|o| o.channels)),
                    source_kind: match (capacitance, supply) {
                        (Some(_), _) => Some(SourceKind::Capacitor),
                        (None, Some(_)) => Some(SourceKind::ConstantVoltage),
                        (None, None) => None,
                    },
                    supply,
                    source_resistance: source.or(old.and_then(|o| o.source_resistance)),
                    capacitance,
                    name,
                }))
            },
        )
    }

    pub(crate) fn add_person(&self, person: &Person) -> Result<()> {
        let name = name(&person.name)?;
        let id = PersonId::named(&name);
        self.state(
            |ledger| ledger.register().people().get(id),
            |old, _| {
                let role = person.role.map(Into::into).or(old.map(|o| o.role)).unwrap_or(facts::Role::Recorder);
                Ok(Fact::Person(facts::Person { name, role }))
            },
        )
    }

    pub(crate) fn name_device(&self, text: &str) -> Result<()> {
        let (name, id) = (name(text)?, self.device);
        self.state(|ledger| ledger.register().devices().get(id), |_, _| Ok(Fact::Device(facts::Device { id, name })))
    }

    pub(crate) fn set_observer(&self, name: Option<&str>) -> Result<()> {
        let mut log = self.log();
        let person = self.read(|ledger| person_of(ledger, &log, name))??;
        let bytes = name.and(person).map(|p| *p.as_bytes());
        Self::keep(&mut log, "observer", bytes.as_ref().map_or(&[], |b| b.as_slice()))?;
        self.crier.changed(true, false);
        Ok(())
    }

    pub(crate) fn begin_outing(&self, outing: &Outing) -> Result<()> {
        let begins = self.now()?;
        let fact = facts::Outing {
            name: name(&outing.name)?,
            kind: outing.kind.into(),
            place: outing.place.clone(),
            begins: Some(begins),
            slow_limit_ms: outing.slow_limit_ms,
            wait_minutes: outing.wait_minutes,
        };
        let (id, called) = (fact.id(), fact.name.clone());
        self.state(
            |ledger| ledger.register().outings().get(id),
            |old, _| match old {
                None => Ok(Fact::Outing(fact)),
                Some(_) => Err(EmbertallyError::refused(
                    "E_EXISTS",
                    format!(
                        "There is an outing called {called:?} already. Go to it, or put the date in the name of the new one."
                    ),
                )),
            },
        )?;
        Self::keep(&mut self.log(), "outing", id.as_bytes())
    }

    pub(crate) fn go_to_outing(&self, name: &str) -> Result<()> {
        let mut log = self.log();
        let id = self.read(|ledger| named_outing(ledger, name))??;
        Self::keep(&mut log, "outing", id.as_bytes())?;
        self.crier.changed(true, false);
        Ok(())
    }

    pub(crate) fn register(&self) -> Result<Register> {
        let (outing, observer) = {
            let log = self.log();
            (Self::current_outing(&log)?, Self::observer(&log)?)
        };
        self.read(|ledger| {
            let r = ledger.register();
            let types = r.types().iter().map(|(_, t)| {
                let t = &t.value;
                IgniterType {
                    name: t.name.clone(),
                    bridge_ohm: t.bridge_resistance.map(Resistance::as_f64),
                    bridge_tolerance_ohm: t.bridge_tolerance.map(Resistance::as_f64),
                    no_fire_a: t.no_fire_current.map(Current::as_f64),
                    all_fire_a: t.all_fire_current.map(Current::as_f64),
                    series_a: t.series_current.map(Current::as_f64),
                    impulse_mj_per_ohm: t.firing_impulse.map(Impulse::as_f64),
                    source: t.source.clone(),
                }
            });
            let lots = r.lots().iter().map(|(_, l)| Lot {
                mark: l.value.mark.clone(),
                igniter_type: l.value.igniter_type.map(|t| stated(ledger, RegisterId::Type(t))),
                made_on: l.value.made_on.map(|d| d.to_string()),
                use_by: l.value.use_by.map(|d| d.to_string()),
                count: l.value.count,
                storage: l.value.storage.clone(),
            });
            let fuses = r.fuses().iter().map(|(_, f)| Fuse {
                name: f.value.name.clone(),
                kind: Some(f.value.kind.into()),
                sheath: f.value.sheath.clone(),
                coupling: f.value.coupling.clone(),
            });
            let modules = r.modules().iter().map(|(_, m)| FiringModule {
                name: m.value.name.clone(),
                channels: m.value.channels,
                supply_v: m.value.supply.map(Voltage::as_f64),
                source_ohm: m.value.source_resistance.map(Resistance::as_f64),
                capacitor_uf: m.value.capacitance.map(Capacitance::as_f64),
            });
            let people = r.people().iter();
            let people = people.map(|(_, p)| Person { name: p.value.name.clone(), role: Some(p.value.role.into()) });
            let outings = r.outings().iter().map(|(_, o)| OutingLine {
                name: o.value.name.clone(),
                kind: o.value.kind.into(),
                place: o.value.place.clone(),
                begins: o.value.begins.map(Into::into),
                slow_limit_ms: o.value.slow_limit_ms,
                wait_minutes: o.value.wait_minutes,
            });
            Register {
                types: sorted(types, |t| &t.name),
                lots: sorted(lots, |l| &l.mark),
                fuses: sorted(fuses, |f| &f.name),
                modules: sorted(modules, |m| &m.name),
                people: sorted(people, |p| &p.name),
                outings: sorted(outings, |o| &o.name),
                outing: outing.map(|id| stated(ledger, RegisterId::Outing(id))),
                observer: observer.map(|id| stated(ledger, RegisterId::Person(id))),
                device: r.devices().get(self.device).map(|d| d.value.name.clone()),
            }
        })
    }
}

/// The register is ordered by ids, which to a person is no order.
fn sorted<T>(things: impl Iterator<Item = T>, name: impl Fn(&T) -> &String) -> Vec<T> {
    let mut all: Vec<T> = things.collect();
    all.sort_by_cached_key(|thing| name(thing).to_lowercase());
    all
}

pub(crate) fn named_outing(ledger: &Ledger, name: &str) -> Result<OutingId> {
    let (id, outings) = (OutingId::named(name), ledger.register().outings());
    let known = || outings.iter().map(|(_, o)| o.value.name.as_str());
    outings.get(id).map(|_| id).ok_or_else(|| unknown("outing", name, known()))
}

/// Returns the outing that is named, or the one that this device is at.
pub(crate) fn outing_of(ledger: &Ledger, log: &SqliteLog, name: Option<&str>) -> Result<OutingId> {
    match name {
        Some(name) => named_outing(ledger, name),
        None => Desk::current_outing(log)?.ok_or_else(|| {
            EmbertallyError::refused("E_NO_OUTING", "This device is at no outing. Begin one, or go to one.")
        }),
    }
}

/// Returns the person who is named, or the observer of this device.
pub(crate) fn person_of(ledger: &Ledger, log: &SqliteLog, name: Option<&str>) -> Result<Option<PersonId>> {
    let Some(name) = name else { return Desk::observer(log) };
    let (id, people) = (PersonId::named(name), ledger.register().people());
    if people.get(id).is_none() {
        return Err(unknown("member of the crew", name, people.iter().map(|(_, p)| p.value.name.as_str())));
    }
    Ok(Some(id))
}
