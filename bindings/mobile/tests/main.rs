//! The surface as a shell uses it. The scenario is run by Kotlin and Python too, and must give the same bytes.

mod crew;
mod harness;
mod refusals;
mod scenario;
mod soak;
