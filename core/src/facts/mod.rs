//! What a crew records: plain types, their units and their limits, and their bytes.
//!
//! Everything that people say is a *fact*, and facts are only ever added: a correction is a new fact that names the one
//! it replaces, a withdrawal is a fact too. An [`Entry`] is what one device writes in one go. Everything else (what a
//! shot adds up to, disputes, rates, what is still live) is worked out from facts, elsewhere.
//!
//! Not for: merging ([`crate::log`]), judging what facts mean together (`crate::ledger`).

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

mod crew;
mod decision;
mod delay;
mod entry;
mod forgotten;
mod id;
mod naming;
mod outing;
mod register;
mod register_id;
mod time;
mod units;
mod volley;
mod wire;
mod words;

pub use crew::{
    EntryHash, Founding, Held, Invitation, Joining, KeyBytes, Leaving, Seal, SignatureBytes, Standing, Vouching,
};
pub use decision::{Bridge, BridgeReading, MadeSafe, Match, Ruling, Withdrawal};
pub use delay::{Delay, DelayError, DelayInterval};
pub use entry::{Entry, Fact, Stated};
pub use forgotten::Forgotten;
pub use id::{
    CrewId, DeviceId, DocumentId, EntryId, FactId, FuseId, IdError, LotId, ModuleId, OutingId, PersonId, RandomBits,
    ShotId, TypeId, VolleyId, comparable_name,
};
pub use naming::{MOST_IN_NAME, NameError, checked_name, is_steering, nearest_name};
pub use outing::{Conditions, Outing, Reading};
pub use register::{Device, FiringModule, Fuse, IgniterType, Leads, Lot, Person};
pub use register_id::RegisterId;
pub use time::{Date, Moment, TimeError};
pub use units::{
    Capacitance, CrossSection, Current, Humidity, Impulse, Lag, Length, Resistance, Temperature, Voltage, WindSpeed,
};
pub use volley::{Shot, Sighting, Sightings, Volley, Wiring};
pub use wire::{CDDL, MAX_ENTRY_BYTES, WireError};
pub use words::{
    Cause, FuseKind, Ignition, OutingKind, Precipitation, Role, SourceKind, Transfer, WiringKind, WordError,
};
