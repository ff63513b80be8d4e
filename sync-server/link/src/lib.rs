//! How a device reaches a server, or another device: invitations, TLS, sockets.
//!
//! A [`Courier`] carries a log: to the crew's server ([`Courier::sync`], with an [`Invitation`]) or to the crew's other
//! devices with no server between ([`Courier::nearby`], with a [`Code`]). The log stays on the caller's thread; sockets
//! have one of their own. What happens is reported as [`Note`]s.
//!
//! Not for: what is said over a connection (`embertally_core::sync`), the server's side of one (`embertally-server`),
//! or talking to people: nothing here prints.

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

mod backoff;
mod code;
mod connect;
mod courier;
mod desk;
mod devices;
mod direct;
mod error;
mod invitation;
mod line;
mod nearby;
mod note;
mod patience;
mod road;
mod tls;
mod visit;
mod wire;

pub use code::{Code, CodeError};
pub use courier::{Courier, Nearby, Until};
pub use error::LinkError;
pub use invitation::{Address, Invitation, InvitationError, Pass, Token, Trust, hex, unhex};
pub use nearby::{Discovery, Network};
pub use note::{Note, Outcome, Tally};
pub use patience::Patience;
pub use road::Stopper;
pub use tls::fingerprint;
