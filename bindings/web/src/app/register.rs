//! What the register is told: outings, lots, fuses, modules, members of the crew.

use embertally_core::facts::{
    Device, Fact, FiringModule, Fuse, FuseId, FuseKind, Lot, LotId, ModuleId, Moment, Outing, OutingId, OutingKind,
    Person, PersonId, Role,
};
use embertally_core::log::Home;
use embertally_core::store::Store;
use serde::Deserialize;
use serde_json::{Value, json};

use super::entry::{Key, Pen};
use super::names::{name_given, text_given};
use super::{App, Now, saved};
use crate::error::Refused;

/// Something to add.
#[derive(Debug, Deserialize)]
pub(super) struct Add {
    #[serde(flatten)]
    key: Key,
    #[serde(flatten)]
    what: What,
}

#[derive(Debug, Deserialize)]
#[serde(tag = "what", rename_all = "lowercase")]
enum What {
    Outing { name: String, kind: String, place: Option<String>, slow_limit_ms: Option<u32>, wait_minutes: Option<u16> },
    Lot { name: String, use_by: Option<String>, count: Option<u32> },
    Fuse { name: String, kind: Option<String> },
    Module { name: String, channels: Option<u16> },
    Person { name: String, role: Option<String> },
    Device { name: String },
}

impl<S: Store> App<S> {
    /// Adds to the register, and goes on with what was added where the device has a choice of its own (its outing, its
    /// observer).
    pub(super) fn add(&mut self, add: Add, now: Now) -> Result<Value, Refused> {
        let mut pen = self.pen(&add.key, now)?;
        let mut entry = pen.entry();
        let mut home = Home::Register;
        match add.what {
            What::Outing { name, kind, place, slow_limit_ms, wait_minutes } => {
                let name = name_given(&name)?;
                let kind: OutingKind = kind.parse()?;
                let begins = Some(Moment { ..pen.at });
                let place = text_given(place);
                let id = OutingId::named(&name);
                if self.ledger.register().outings().get(id).is_none() {
                    entry.state(Fact::Outing(Outing { name, kind, place, begins, slow_limit_ms, wait_minutes }));
                    home = Home::Outing(id);
                    self.write(&[(home, entry)], now)?;
                }
                self.keep("outing", id.as_bytes())?;
                return Ok(saved(json!({ "id": id.to_string() })));
            }
            What::Lot { name, use_by, count } => {
                let mark = name_given(&name)?;
                let use_by = text_given(use_by).map(|t| t.parse()).transpose()?;
                entry.state(Fact::Lot(Lot { mark, igniter_type: None, made_on: None, use_by, count, storage: None }));
            }
            What::Fuse { name, kind } => {
                let name = name_given(&name)?;
                let kind = text_given(kind).map(|k| k.parse()).transpose()?;
                let kind = kind.unwrap_or_else(|| name.parse().unwrap_or(FuseKind::Other));
                entry.state(Fact::Fuse(Fuse { name, kind, sheath: None, coupling: None }));
            }
            What::Module { name, channels } => {
                let name = name_given(&name)?;
                entry.state(Fact::Module(module(name, channels)));
            }
            What::Person { name, role } => {
                let name = name_given(&name)?;
                let role = text_given(role).map(|r| r.parse()).transpose()?.unwrap_or(Role::Recorder);
                let id = PersonId::named(&name);
                if self.ledger.register().people().get(id).is_none() {
                    entry.state(Fact::Person(Person { name, role }));
                    self.write(&[(Home::Person(id), entry)], now)?;
                }
                self.keep("observer", id.as_bytes())?;
                return Ok(saved(json!({ "id": id.to_string() })));
            }
            What::Device { name } => {
                let (id, name) = (self.device, name_given(&name)?);
                let before = self.ledger.register().devices().get(id).map(|d| d.facts.clone()).unwrap_or_default();
                let fact = Fact::Device(Device { id, name });
                match before.as_slice() {
                    [] => drop(entry.state(fact)),
                    all => all.iter().for_each(|old| {
                        entry.correct(*old, fact.clone());
                    }),
                }
            }
        }
        self.write(&[(home, entry)], now)?;
        Ok(saved(json!({})))
    }

    /// Returns an entry with what a volley names and the register does not hold yet, and with this device's own name;
    /// nothing if all is known.
    pub(super) fn introductions(
        &self,
        pen: &mut Pen,
        lots: &[String],
        fuses: &[String],
        new_module: Option<&str>,
    ) -> Result<Option<embertally_core::facts::Entry>, Refused> {
        let register = self.ledger.register();
        let mut entry = pen.entry();
        for mark in lots {
            let mark = name_given(mark)?;
            if register.lots().get(LotId::named(&mark)).is_none() {
                let lot = Lot { mark, igniter_type: None, made_on: None, use_by: None, count: None, storage: None };
                entry.state(Fact::Lot(lot));
            }
        }
        for name in fuses {
            let name = name_given(name)?;
            if register.fuses().get(FuseId::named(&name)).is_none() {
                let kind = name.parse().unwrap_or(FuseKind::Other);
                entry.state(Fact::Fuse(Fuse { name, kind, sheath: None, coupling: None }));
            }
        }
        if let Some(name) = new_module {
            let name = name_given(name)?;
            if register.modules().get(ModuleId::named(&name)).is_none() {
                entry.state(Fact::Module(module(name, None)));
            }
        }
        if register.devices().get(self.device).is_none() {
            entry.state(Fact::Device(Device { id: self.device, name: self.default_name() }));
        }
        Ok((!entry.facts.is_empty()).then_some(entry))
    }

    /// How the device is called until somebody names it.
    pub(super) fn default_name(&self) -> String {
        let id = self.device.to_string();
        format!("browser {}", id.get(id.len().saturating_sub(4)..).unwrap_or_default())
    }
}

fn module(name: String, channels: Option<u16>) -> FiringModule {
    FiringModule { name, channels, source_kind: None, supply: None, source_resistance: None, capacitance: None }
}
