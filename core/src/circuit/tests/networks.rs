//! Kirchhoff's laws as properties, and the currents of ngspice.

use proptest::prelude::*;
use serde_json::Value;

use super::*;
use crate::facts::Wiring;

/// A random part that holds the igniters from `first` on; how many it holds is what `build` returns.
#[derive(Debug, Clone)]
enum Shape {
    Igniter,
    Wired(u32),
    Series(Vec<Shape>),
    Parallel(Vec<Shape>),
}

fn a_shape() -> impl Strategy<Value = Shape> {
    let leaf = prop_oneof![3 => Just(Shape::Igniter), 1 => (1..500_u32).prop_map(Shape::Wired)];
    leaf.prop_recursive(4, 24, 4, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 1..4).prop_map(Shape::Series),
            proptest::collection::vec(inner, 1..4).prop_map(Shape::Parallel),
        ]
    })
}

fn build(shape: &Shape, next: &mut usize) -> Part {
    let mut igniter = || {
        *next += 1;
        Part::Igniter(*next - 1)
    };
    match shape {
        Shape::Igniter => igniter(),
        Shape::Wired(milliohm) => Part::Series(vec![Part::Wire(f64::from(*milliohm) / 1000.0), igniter()]),
        Shape::Series(all) => Part::Series(all.iter().map(|s| build(s, next)).collect()),
        Shape::Parallel(all) => Part::Parallel(all.iter().map(|s| build(s, next)).collect()),
    }
}

/// A solver that knows nothing of series and parallel: conductances between numbered nodes, solved by elimination.
struct Nodes {
    edges: Vec<(usize, usize, f64, Option<usize>)>,
    count: usize,
}

impl Nodes {
    fn add(&mut self, part: &Part, a: usize, b: usize, bridges: &[f64], open: &[bool]) {
        match part {
            Part::Igniter(i) if open[*i] => {}
            Part::Igniter(i) => self.edges.push((a, b, bridges[*i], Some(*i))),
            Part::Wire(ohm) => self.edges.push((a, b, *ohm, None)),
            Part::Series(parts) => {
                let mut from = a;
                for (n, p) in parts.iter().enumerate() {
                    let to = if n + 1 == parts.len() {
                        b
                    } else {
                        self.count += 1;
                        self.count - 1
                    };
                    self.add(p, from, to, bridges, open);
                    from = to;
                }
            }
            Part::Parallel(parts) => parts.iter().for_each(|p| self.add(p, a, b, bridges, open)),
        }
    }

    /// Node 0 is ground; the source drives node 1 through its resistance.
    fn currents(&self, volt: f64, ohm: f64, igniters: usize) -> Vec<f64> {
        let n = self.count;
        let mut rows = vec![vec![0.0; n + 1]; n];
        for (a, b, r, _) in &self.edges {
            let g = 1.0 / r;
            rows[*a][*a] += g;
            rows[*b][*b] += g;
            rows[*a][*b] -= g;
            rows[*b][*a] -= g;
        }
        rows[1][1] += 1.0 / ohm;
        rows[1][n] = volt / ohm;
        rows[0] = (0..=n).map(|j| if j == 0 { 1.0 } else { 0.0 }).collect();
        for pivot in 0..n {
            // The matrix dominates its diagonal, so rows need no swapping; a row that comes to nothing belongs to nodes that
            // open igniters have cut off, all at one voltage.
            if rows[pivot][pivot].abs() < 1e-11 {
                rows[pivot] = (0..=n).map(|j| if j == pivot { 1.0 } else { 0.0 }).collect();
            }
            for row in 0..n {
                if row != pivot {
                    let factor = rows[row][pivot] / rows[pivot][pivot];
                    let taken = rows[pivot].clone();
                    rows[row].iter_mut().zip(taken).for_each(|(cell, take)| *cell -= factor * take);
                }
            }
        }
        let volts: Vec<f64> = (0..n).map(|i| rows[i][n] / rows[i][i]).collect();
        let mut currents = vec![0.0; igniters];
        for (a, b, r, igniter) in &self.edges {
            if let Some(i) = igniter {
                currents[*i] = (volts[*a] - volts[*b]) / r;
            }
        }
        currents
    }
}

proptest! {
    #[test]
    fn currents_obey_both_laws_whatever_is_open(
        shape in a_shape(),
        milliohms in proptest::collection::vec(100..5000_u32, 100),
        open in proptest::collection::vec(proptest::bool::weighted(0.2), 100),
        (volt, ohm) in (1.0..60.0, 0.05..5.0),
    ) {
        let mut count = 0;
        let load = build(&shape, &mut count);
        prop_assume!(count <= 100);
        let bridges: Vec<f64> = milliohms[..count].iter().map(|m| f64::from(*m) / 1000.0).collect();
        let network = Network::new(steady(volt, ohm), load.clone(), bridges.clone()).unwrap();
        let currents = network.currents(volt, &open);
        let mut nodes = Nodes { edges: Vec::new(), count: 2 };
        nodes.add(&load, 1, 0, &bridges, &open);
        for (got, want) in currents.iter().zip(nodes.currents(volt, ohm, count)) {
            prop_assert!((got - want).abs() <= 1e-9 * volt, "{got} {want}");
        }
        // Tellegen: what the source gives is what resistances take; wires without igniters of their own take the rest.
        let total = network.total_ohm(&open);
        let given = if total.is_finite() { volt * volt / total } else { 0.0 };
        let taken: f64 = currents.iter().zip(&bridges).map(|(i, r)| i * i * r).sum();
        prop_assert!(taken <= given * (1.0 + 1e-9));
    }
}

fn part(value: &Value) -> Part {
    let (kind, inside) = value.as_object().unwrap().iter().next().unwrap();
    let all = || inside.as_array().unwrap().iter().map(part).collect();
    match kind.as_str() {
        "igniter" => Part::Igniter(inside.as_u64().unwrap() as usize),
        "wire" => Part::Wire(inside.as_f64().unwrap()),
        "series" => Part::Series(all()),
        _ => Part::Parallel(all()),
    }
}

#[test]
fn currents_are_those_of_ngspice_on_random_networks() {
    let mut seen = 0;
    for line in include_str!("fixtures/networks.jsonl").lines() {
        let case: Value = serde_json::from_str(line).unwrap();
        let number = |name: &str| case[name].as_f64();
        let numbers =
            |name: &str| -> Vec<f64> { case[name].as_array().unwrap().iter().map(|n| n.as_f64().unwrap()).collect() };
        let (volt, ohm) = (number("volt").unwrap(), number("ohm").unwrap());
        let network = Network::new(steady(volt, ohm), part(&case["load"]), numbers("bridges")).unwrap();
        let volt = match (number("farad"), number("second")) {
            (Some(farad), Some(second)) => volt * (-second / (network.total_ohm(&[]) * farad)).exp(),
            _ => volt,
        };
        for (got, want) in network.currents(volt, &[]).iter().zip(numbers("amperes")) {
            assert!((got / want - 1.0).abs() <= 1e-6, "{got} {want} in {line}");
            seen += 1;
        }
    }
    assert!(seen > 1000, "{seen}");
}

#[test]
fn what_is_no_circuit_is_refused() {
    let source = steady(12.0, 1.0);
    let new = |load: Part, bridges: &[f64]| Network::new(source, load, bridges.to_vec()).unwrap_err();
    assert_eq!(new(Part::Series(vec![]), &[]), CircuitError::NoIgniter);
    assert_eq!(new(Part::Series(vec![Part::Igniter(0)]), &[1.0, 1.0]), CircuitError::WrongIgniter { igniter: 1 });
    let twice = Part::Series(vec![Part::Igniter(0), Part::Igniter(0)]);
    assert_eq!(new(twice, &[1.0]), CircuitError::WrongIgniter { igniter: 0 });
    let short = Part::Parallel(vec![Part::Igniter(0), Part::Wire(0.0)]);
    assert_eq!(new(short, &[1.0]), CircuitError::ShortCircuit);
    assert!(matches!(new(Part::Igniter(0), &[0.0]), CircuitError::OutOfRange { .. }));
    let deep = (0..100).fold(Part::Igniter(0), |inner, _| Part::Series(vec![inner]));
    assert_eq!(new(deep, &[1.0]), CircuitError::TooDeep { most: 64 });
    let strings = Wiring::SeriesParallel(vec![2, 2]);
    let refused = Network::of_volley(source, 0.5, &strings, vec![1.0; 5]).unwrap_err();
    assert_eq!(refused, CircuitError::StringsDoNotFit { strings: 4, igniters: 5 });
    assert!(Network::new(steady(f64::NAN, 1.0), Part::Igniter(0), vec![1.0]).is_err());
}
