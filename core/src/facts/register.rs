//! What the crew's register holds: igniter types, lots, fuses, firing modules, people, devices.
//!
//! Each is known by a name, and its id follows from the name. Texts that people go on editing (a lot's description, a
//! note) are not here but in the register's labels, see [`crate::log`].

use super::id::{DeviceId, FuseId, LotId, ModuleId, PersonId, TypeId};
use super::time::Date;
use super::units::{Capacitance, CrossSection, Current, Impulse, Lag, Length, Resistance, Voltage};
use super::words::{FuseKind, Role, SourceKind};

/// A make of electric igniter, with the electrical values that its maker or a test house states.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IgniterType {
    /// What the crew calls it.
    pub name: String,
    /// Bridge resistance.
    pub bridge_resistance: Option<Resistance>,
    /// The largest current at which it must not fire.
    pub no_fire_current: Option<Current>,
    /// The smallest current at which it must fire.
    pub all_fire_current: Option<Current>,
    /// The smallest current at which a series string fires together.
    pub series_current: Option<Current>,
    /// The firing impulse.
    pub firing_impulse: Option<Impulse>,
    /// Standard deviation of the firing impulse.
    pub impulse_spread: Option<Impulse>,
    /// Mean lag from ignition to the opening of the bridge.
    pub lag: Option<Lag>,
    /// Standard deviation of the lag.
    pub lag_spread: Option<Lag>,
    /// How far a sound bridge may be from the bridge resistance, either way.
    pub bridge_tolerance: Option<Resistance>,
    /// Where the values come from (a data sheet, a test report).
    pub source: Option<String>,
}

impl IgniterType {
    /// Returns a type of which nothing but its name is stated.
    #[must_use]
    pub fn named(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            bridge_resistance: None,
            no_fire_current: None,
            all_fire_current: None,
            series_current: None,
            firing_impulse: None,
            impulse_spread: None,
            lag: None,
            lag_spread: None,
            bridge_tolerance: None,
            source: None,
        }
    }

    /// Returns the id that follows from the name.
    #[must_use]
    pub fn id(&self) -> TypeId {
        TypeId::named(&self.name)
    }
}

/// One batch of an igniter type.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lot {
    /// The batch mark on the box: the lot's name.
    pub mark: String,
    /// The igniter type, where it is known.
    pub igniter_type: Option<TypeId>,
    /// The day it was made.
    pub made_on: Option<Date>,
    /// The day until which the maker vouches for it.
    pub use_by: Option<Date>,
    /// How many were received.
    pub count: Option<u32>,
    /// How it is stored.
    pub storage: Option<String>,
}

impl Lot {
    /// Returns the id that follows from the batch mark.
    #[must_use]
    pub fn id(&self) -> LotId {
        LotId::named(&self.mark)
    }
}

/// What the igniter has to light.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fuse {
    /// What the crew calls it.
    pub name: String,
    /// Its kind.
    pub kind: FuseKind,
    /// Its sheath.
    pub sheath: Option<String>,
    /// How the igniter is coupled to it.
    pub coupling: Option<String>,
}

impl Fuse {
    /// Returns the id that follows from the name.
    #[must_use]
    pub fn id(&self) -> FuseId {
        FuseId::named(&self.name)
    }
}

/// The box that delivers the pulse.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FiringModule {
    /// What the crew calls it.
    pub name: String,
    /// How many channels it has.
    pub channels: Option<u16>,
    /// What drives its pulse.
    pub source_kind: Option<SourceKind>,
    /// Supply voltage, or the voltage to which its capacitor is charged.
    pub supply: Option<Voltage>,
    /// Source resistance.
    pub source_resistance: Option<Resistance>,
    /// The capacitor.
    pub capacitance: Option<Capacitance>,
}

impl FiringModule {
    /// Returns the id that follows from the name.
    #[must_use]
    pub fn id(&self) -> ModuleId {
        ModuleId::named(&self.name)
    }
}

/// The two leads from a channel to its volley.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Leads {
    /// Length of one lead (the current goes out and back).
    pub length: Length,
    /// Cross-section of the copper.
    pub cross_section: CrossSection,
}

/// A member of the crew.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// The name that the crew uses.
    pub name: String,
    /// The part they have.
    pub role: Role,
}

impl Person {
    /// Returns the id that follows from the name.
    #[must_use]
    pub fn id(&self) -> PersonId {
        PersonId::named(&self.name)
    }
}

/// A device of the crew.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Device {
    /// Its id.
    pub id: DeviceId,
    /// What the crew calls it.
    pub name: String,
}
