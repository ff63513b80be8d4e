//! Logs that meet over real sockets on loopback.

mod meeting;
mod nearby;
mod refusing;
mod server;
mod world;
