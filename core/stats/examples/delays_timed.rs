//! Times the estimates on a file of intervals, a line each, and prints what they found: for `compare/delays_compare.py`.
//!
//! `cargo run --release -p embertally-stats --example delays_timed -- FILE`

#![expect(clippy::print_stdout, reason = "what it is for")]

use std::time::Instant;

use embertally_stats::{CensoredSample, CensoredTime, Law, LogFit, mann_whitney, turnbull};

/// The median of the seconds of a few runs, and the last result.
fn timed<T>(run: impl Fn() -> T) -> (f64, T) {
    let mut seconds = Vec::new();
    let mut result = run();
    for _ in 0..7 {
        let start = Instant::now();
        result = run();
        seconds.push(start.elapsed().as_secs_f64());
    }
    seconds.sort_unstable_by(f64::total_cmp);
    (seconds[seconds.len() / 2], result)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("name a file of intervals")?;
    let mut times = Vec::new();
    for line in std::fs::read_to_string(path)?.lines() {
        let (low, high) = line.split_once(',').ok_or("a line is LOW,HIGH")?;
        times.push(CensoredTime::new(low.parse()?, high.parse()?)?);
    }
    let (seconds, found) = timed(|| turnbull(&CensoredSample::new(&times)?));
    let found = found?;
    println!("turnbull {seconds} {} {} {}", found.ln_likelihood, found.gap, found.rounds);
    for law in Law::ALL {
        let (seconds, fit) = timed(|| LogFit::new(*law, &CensoredSample::new(&times)?));
        let fit = fit?;
        println!("{law} {seconds} {} {} {}", fit.ln_likelihood(), fit.location(), fit.scale());
    }
    // Fifty grades in each group, of which the exact p takes every way to deal them out.
    let (first, second) = ([3, 9, 15, 14, 9], [9, 14, 15, 9, 3]);
    let (seconds, grades) = timed(|| mann_whitney(&first, &second, 0.95));
    println!("mann-whitney {seconds} {} 0 0", grades?.p_value);
    Ok(())
}
