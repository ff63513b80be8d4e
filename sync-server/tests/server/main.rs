//! The server on real sockets on loopback, with real engines on the other side.

mod access;
mod beside;
mod carried;
mod child;
mod device;
mod faults;
mod http;
mod life;
mod limits;
mod members;
mod node;
mod pair;
mod proxy;
mod rates;
mod repo;
mod rig;
mod together;
mod two;
