//! The same as the committed currents, with networks made on the spot and ngspice run on them, where it is installed.
//!
//! Where it is not, `networks.rs` still compares with the committed file; EMBERTALLY_REQUIRE_NGSPICE=1 makes its absence a
//! failure. EMBERTALLY_SEED=N makes other networks.

use std::fmt::Write as _;
use std::io::ErrorKind;
use std::process::Command;

use super::*;
use crate::facts::RandomBits;

struct Made {
    random: SplitMix,
    bridges: Vec<f64>,
}

impl Made {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn igniter(&mut self) -> Part {
        let ohm = self.between(0.4, 4.5);
        self.bridges.push(ohm);
        Part::Igniter(self.bridges.len() - 1)
    }

    fn part(&mut self, depth: u32) -> Part {
        let kind = self.between(0.0, 1.0);
        if depth == 0 || kind < 0.25 {
            return self.igniter();
        }
        if kind < 0.35 {
            let wire = Part::Wire(self.between(0.01, 2.0));
            return Part::Series(vec![wire, self.igniter()]);
        }
        let count = 2 + self.random.next_u64() % 3;
        let parts = (0..count).map(|_| self.part(depth - 1)).collect();
        if kind < 0.65 { Part::Series(parts) } else { Part::Parallel(parts) }
    }
}

/// The lines of a part between two nodes; each igniter has an ammeter in series.
fn netlist(part: &Part, (a, b): (usize, usize), bridges: &[f64], nodes: &mut usize, out: &mut String) {
    let mut node = || {
        *nodes += 1;
        *nodes
    };
    match part {
        Part::Igniter(i) => {
            let middle = node();
            writeln!(out, "Vm{i} {a} {middle} 0\nRb{i} {middle} {b} {:?}", bridges[*i]).unwrap();
        }
        Part::Wire(ohm) => writeln!(out, "Rw{} {a} {b} {ohm:?}", node()).unwrap(),
        Part::Series(parts) => {
            let mut from = a;
            for (n, p) in (1..).zip(parts) {
                let to = if n == parts.len() {
                    b
                } else {
                    *nodes += 1;
                    *nodes
                };
                netlist(p, (from, to), bridges, nodes, out);
                from = to;
            }
        }
        Part::Parallel(parts) => parts.iter().for_each(|p| netlist(p, (a, b), bridges, nodes, out)),
    }
}

/// Runs a deck and returns the numbers that it prints by name; `None` if ngspice is not installed.
fn spice(deck: &str, name: &str) -> Option<Vec<(String, f64)>> {
    let file = std::env::temp_dir().join(format!("embertally-{}-{name}.cir", std::process::id()));
    std::fs::write(&file, deck).unwrap();
    let run = Command::new("ngspice").arg("-b").arg(&file).output();
    std::fs::remove_file(&file).unwrap();
    let output = match run {
        Err(error) if error.kind() == ErrorKind::NotFound => return None,
        run => run.unwrap(),
    };
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let pair = |line: &str| {
        let (name, value) = line.split_once(" = ")?;
        Some((name.trim().to_owned(), value.split_whitespace().next()?.parse().ok()?))
    };
    Some(text.lines().filter_map(pair).collect())
}

#[test]
fn ngspice_agrees_on_networks_made_on_the_spot() {
    let seed = std::env::var("EMBERTALLY_SEED").ok().and_then(|n| n.parse().ok()).unwrap_or(20_312);
    let mut seen = 0;
    for n in 0..30 {
        let mut made = Made { random: SplitMix::new(seed + n), bridges: Vec::new() };
        let load = made.part(1 + (n % 4) as u32);
        let (volt, ohm) = (made.between(6.0, 60.0), made.between(0.05, 5.0));
        let (farad, part) = (made.between(20e-6, 2000e-6), made.between(0.05, 2.0));
        let bridges = made.bridges;
        let network = Network::new(steady(volt, ohm), load.clone(), bridges.clone()).unwrap();
        let is_capacitor = n % 3 == 2;
        let tau = network.total_ohm(&[]) * farad;
        let mut deck = format!("* seed {seed}, network {n}\n");
        let head = if is_capacitor {
            format!("C1 1 0 {farad:?} IC={volt:?}\nRs 1 2 {ohm:?}\n")
        } else {
            format!("V1 1 0 {volt:?}\nRs 1 2 {ohm:?}\n")
        };
        deck.push_str(&head);
        netlist(&load, (2, 0), &bridges, &mut 2, &mut deck);
        deck.push_str(".options reltol=1e-9 abstol=1e-15 vntol=1e-12 gmin=1e-18\n.control\nset numdgt=15\n");
        if is_capacitor {
            writeln!(deck, "tran {:e} {:e} 0 {:e} uic", tau / 1000.0, 2.2 * tau, tau / 1000.0).unwrap();
        } else {
            deck.push_str("op\n");
        }
        for i in 0..bridges.len() {
            if is_capacitor {
                writeln!(deck, "meas tran m{i} FIND i(vm{i}) AT={:e}\nprint m{i}", part * tau).unwrap();
            } else {
                writeln!(deck, "let m{i} = i(vm{i})\nprint m{i}").unwrap();
            }
        }
        deck.push_str("quit\n.endc\n.end\n");
        let Some(found) = spice(&deck, &n.to_string()) else {
            assert!(std::env::var_os("EMBERTALLY_REQUIRE_NGSPICE").is_none(), "ngspice is required and not installed");
            return;
        };
        let now = if is_capacitor { volt * (-part).exp() } else { volt };
        for (i, got) in network.currents(now, &[]).iter().enumerate() {
            // Printed once short and once long for measurements: the last one is the long one.
            let name = format!("m{i}");
            let want = found.iter().rev().find(|(n, _)| *n == name).map(|(_, value)| *value);
            let want = want.unwrap_or_else(|| panic!("no {name} for network {n} of seed {seed}:\n{deck}"));
            assert!((got / want - 1.0).abs() <= 1e-6, "{got} {want}: network {n} of seed {seed}\n{deck}");
            seen += 1;
        }
    }
    assert!(seen > 100, "{seen}");
}
