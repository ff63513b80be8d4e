//! The whole tool, as a crew uses it.

mod circuit;
mod contract;
mod crash;
mod daily;
mod demo;
mod hostile;
mod import;
mod order;
mod readme;
