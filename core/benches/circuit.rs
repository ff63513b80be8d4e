//! How long string physics takes. A report, not a gate.

use divan::Bencher;
use embertally_core::circuit::{
    Bridge, Network, Source, SourceShape, StringGroup, StringLoop, StringsTried, chance_all_fire, fire, proven_lengths,
};
use embertally_core::facts::{Cause, Wiring, WiringKind};
use embertally_core::ledger::{BridgeFinding, Case, ModuleProof, Outcome, blame};

fn main() {
    divan::main();
}

fn source() -> Source {
    Source { volt: 24.0, ohm: 1.0, shape: SourceShape::Steady, pulse_second: None }
}

fn group(count: u32) -> StringGroup {
    StringGroup { count, impulse_a2s: 9e-3, impulse_spread_a2s: 0.5e-3, lag_second: 4e-3, lag_spread_second: 0.3e-3 }
}

/// The chance that a string fires whole, impulse and lag both spread; right to 1e-8.
#[divan::bench(args = [5, 20, 50])]
fn chance_of_a_string(bencher: Bencher, count: u32) {
    let string = StringLoop { source: source(), total_ohm: 3.0 + 1.6 * f64::from(count) };
    bencher.bench(|| chance_all_fire(&[group(count)], &string));
}

/// The same of two types mixed.
#[divan::bench]
fn chance_of_a_mixed_string_of_20(bencher: Bencher) {
    let string = StringLoop { source: source(), total_ohm: 35.0 };
    let quick = StringGroup { impulse_a2s: 7e-3, impulse_spread_a2s: 0.3e-3, ..group(10) };
    bencher.bench(|| chance_all_fire(&[group(10), quick], &string));
}

/// One pulse through a string of 20, as a simulation does it.
#[divan::bench]
fn one_pulse_through_20(bencher: Bencher) {
    let network = Network::of_volley(source(), 1.0, &Wiring::Series, vec![1.6; 20]);
    let bridges: Vec<Bridge> = (0..20)
        .map(|n| Bridge { impulse_a2s: 9e-3 + 5e-5 * f64::from(n), lag_second: 4e-3, no_fire_ampere: 0.2 })
        .collect();
    bencher.bench(|| network.as_ref().map(|n| fire(n, &bridges)));
}

#[divan::bench]
fn proven_lengths_of_20(bencher: Bencher) {
    let tried: Vec<StringsTried> =
        (1..=20).map(|length| StringsTried { length, tried: 30, whole: 30 - u64::from(length / 8) }).collect();
    bencher.bench(|| proven_lengths(&tried, 0.95, 0.95));
}

/// The rule of causes alone, a million failed shots; what it hangs on is measured in `ledger`.
#[divan::bench(sample_count = 10)]
fn causes_of_a_million_failed_shots(bencher: Bencher) {
    let cases: Vec<Case> = (0..1_000_000_u32)
        .map(|n| Case {
            stated: if n.is_multiple_of(97) { Outcome::Ruled(Cause::Module) } else { Outcome::Nothing },
            wiring: WiringKind::ALL.get(n as usize % 4).copied().unwrap_or(WiringKind::Single),
            has_fired_mate: n.is_multiple_of(3),
            has_fired_neighbour: n.is_multiple_of(2),
            module: [ModuleProof::Unnamed, ModuleProof::Proven, ModuleProof::Unproven][n as usize % 3],
            fired_later: n.is_multiple_of(5),
            bridge: BridgeFinding::Nothing,
            failed_alone_later: n.is_multiple_of(7),
        })
        .collect();
    bencher.bench(|| cases.iter().filter(|c| blame(**c).cause == Cause::Unresolved).count());
}
