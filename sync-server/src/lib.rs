//! The server where the logs of crews meet.
//!
//! A crew has one log here, as on every device; a device that connects speaks the conversation of
//! [`embertally_core::sync`] with it over a WebSocket on TLS, and what one device brought reaches the others at once. A
//! device is told that something is here only after it is durable.
//!
//! ```text
//! listen    sockets, TLS, how many connections an address may have
//! http      routes, errors as problem JSON, the OpenAPI description
//! repo      one WebSocket of a stock automerge-repo client
//! socket    one WebSocket: frames in, frames out, pings, patience
//! shell     the page for browsers, built in
//! access    tokens, roles, revocation; the only place that knows who may do what
//! crews     the logs: one thread at a time has a crew's log and the engines of its sessions
//! stores    where crews' bytes and the registry of crews and tokens are kept
//! ```
//!
//! ```no_run
//! use embertally_server::{Config, Server};
//!
//! # async fn example() -> Result<(), embertally_server::ServerError> {
//! let running = Server::start(Config::new("/var/lib/embertally")).await?;
//! let (crew, invitation) = running.invite("North Field")?;
//! println!("crew {crew} at {}: hand over {invitation}", running.address);
//! running.shutdown().await;
//! # Ok(())
//! # }
//! ```
//!
//! Not for: what the bytes of a conversation mean (`embertally_core::sync`), or how a device reaches a server
//! (`embertally-link`).

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

pub mod access;
mod bucket;
mod clock;
mod config;
pub mod crews;
mod error;
mod http;
mod hub;
mod ids;
mod limits;
mod listen;
pub mod logging;
mod metrics;
mod repo;
mod server;
mod shell;
mod socket;
pub mod stores;
mod tls;

pub use config::{Config, Extend, Files, StoreChoice, Tls};
pub use error::{Problem, ServerError};
pub use http::OPENAPI;
pub use hub::Hub;
pub use ids::{CrewId, TokenId};
pub use limits::{Quota, ServerLimits};
pub use listen::Visit;
pub use server::{Running, Server};
