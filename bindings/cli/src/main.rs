//! Embertally in the terminal.
fn main() {}
