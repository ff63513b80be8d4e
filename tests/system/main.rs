//! The whole tool, as a crew uses it.

mod contract;
mod crash;
mod daily;
mod delays;
mod demo;
mod hostile;
mod import;
mod order;
mod planning;
mod readme;
