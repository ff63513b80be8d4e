//! The documents of a log: one per outing and one for the register, each a CRDT; their writing, reading and merging.
//!
//! This is the only place that knows Automerge. A document is a map from an entry's id to the entry's bytes, to which
//! entries are only ever added, and a second map with the labels that people edit. Merging two copies of a document
//! gives the union of their entries, whatever the order, and keeps all values of a label that was edited on both sides.
//!
//! Not for: what entries mean together (`crate::ledger`), or where bytes are kept ([`crate::store`]).

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

mod carry;
mod carry_pages;
mod changes;
mod document;
mod empty;
mod error;
mod forget;
mod foundings;
mod home;
mod labels;
mod meet;
mod open;
mod problem_words;
mod refresh;
mod rescue;
mod screen;
mod trust;

pub use carry::{CARRY_MAGIC, Carried};
pub use carry_pages::{Gatherer, MOST_PAGES, PAGE_MAGIC, PageError, Pages, Taken};
pub use document::{Document, SCHEMA_VERSION, StoredEntry};
pub use error::LogError;
pub use home::Home;
pub use labels::Label;
pub use meet::{Heard, MessageLimits, Outgoing, PeerState};
pub use open::{Absorbed, ENTRIES_PER_PART, Log, Problem, Written};
pub use screen::{Allowance, screen};
pub use trust::KeptApart;

#[cfg(test)]
mod forget_tests;
#[cfg(test)]
mod tests;
