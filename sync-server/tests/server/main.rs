//! The server on real sockets on loopback, with real engines on the other side.

mod access;
mod child;
mod device;
mod http;
mod life;
mod limits;
mod rates;
mod rig;
mod together;
mod two;
