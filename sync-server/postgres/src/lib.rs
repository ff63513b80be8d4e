//! A store on PostgreSQL, for several servers over one database.
//!
//! One database holds the logs of many crews; a [`PostgresStore`] is one crew's part of it. A commit is one transaction
//! that PostgreSQL has flushed before the commit returns (`synchronous_commit=on`), and it tells every [`Listener`] of
//! the database, on whichever server, which crew has a new piece.
//!
//! The store's calls wait for the database, so they belong on a thread of their own or on `tokio`'s blocking pool. Called
//! on a worker of a multi-threaded runtime they hand that worker's other tasks on first; called on a runtime of one
//! thread, where waiting would stop everything, they are refused.
//!
//! INVARIANT: pieces of one crew become visible in the order of their ids, because whoever commits holds the crew's row
//! until the commit stands. So [`Store::news`](embertally_core::store::Store::news) never skips a piece.
//!
//! Not for: poolers that share connections between transactions (`LISTEN` and prepared statements need a session), or
//! a server with `fsync=off`, which is refused.

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing))]

mod address;
mod block;
mod database;
mod error;
mod listener;
mod registry;
mod rows;
mod schema;
mod session;
mod store;
#[cfg(any(test, feature = "testing"))]
pub mod testing;
#[cfg(test)]
mod tests;
mod tls;

pub use database::{Database, Options};
pub use error::{Unreachable, is_passing};
pub use listener::{Change, Listener};
pub use registry::PostgresRegistry;
pub use store::PostgresStore;
