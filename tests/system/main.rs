//! The whole tool, as a crew uses it.

mod carry_pages;
mod circuit;
mod contract;
mod crash;
mod crew;
mod daily;
mod delays;
mod demo;
mod dependencies;
mod forgetting;
mod hostile;
mod import;
mod models;
mod order;
mod planning;
mod readme;
mod sync;
