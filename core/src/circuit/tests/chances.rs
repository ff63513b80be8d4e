//! The chance of a whole string: published tables, another way round, and by drawing lots.

use super::*;

fn group(count: u32, impulse: f64, spread: f64, lag: f64, lag_spread: f64) -> StringGroup {
    StringGroup {
        count,
        impulse_a2s: impulse,
        impulse_spread_a2s: spread,
        lag_second: lag,
        lag_spread_second: lag_spread,
    }
}

fn one_ampere() -> StringLoop {
    StringLoop { source: steady(10.0, 1.0), total_ohm: 10.0 }
}

#[test]
fn with_a_fixed_lag_it_is_the_distribution_of_the_range() {
    // Percentage points of the studentized range, infinite degrees of freedom (e.g. Pearson & Hartley, Biometrika Tables
    // for Statisticians I, Table 29; scipy.stats.studentized_range agrees): P(range of n ≤ q σ) = 0.95 and 0.99.
    for (n, q95, q99) in
        [(2, 2.772, 3.643), (3, 3.314, 4.120), (5, 3.858, 4.603), (10, 4.474, 5.157), (20, 5.012, 5.645)]
    {
        for (q, want) in [(q95, 0.95), (q99, 0.99)] {
            let spread = 1e-3;
            let got = chance_all_fire(&[group(n, 20e-3, spread, q * spread, 0.0)], &one_ampere()).unwrap();
            assert!((got - want).abs() < 5e-5, "{n}, {q}: {got}");
        }
    }
    // scipy.stats.studentized_range.cdf(4.0, 20, inf).
    let got = chance_all_fire(&[group(20, 20e-3, 1e-3, 4e-3, 0.0)], &one_ampere()).unwrap();
    assert!((got - RANGE_20_AT_4).abs() < 1e-8, "{got}");
}

const RANGE_20_AT_4: f64 = 0.663_976_548_831_324_8;

#[test]
fn drawing_lots_agrees_for_any_mix_and_either_source() {
    let slow = group(6, 12e-3, 0.8e-3, 3e-3, 0.4e-3);
    let quick = group(4, 9.6e-3, 0.6e-3, 3e-3, 0.4e-3);
    let still = |g: StringGroup| StringGroup { lag_spread_second: 0.0, ..g };
    let cases: [(Vec<StringGroup>, Source); 5] = [
        (vec![slow], steady(11.9, 1.0)),
        (vec![slow, quick], steady(25.7, 1.0)),
        (vec![slow, quick], Source { pulse_second: Some(9e-3), ..steady(25.7, 1.0) }),
        (vec![still(slow), still(quick)], capacitor(60.0, 1.0, 165e-6)),
        (vec![still(slow), still(StringGroup { count: 1, ..quick })], capacitor(50.0, 1.0, 160e-6)),
    ];
    for (groups, source) in cases {
        let count: u32 = groups.iter().map(|g| g.count).sum();
        let drawn: Vec<Drawn> = groups
            .iter()
            .flat_map(|g| {
                let one = Drawn {
                    ohm: 2.0,
                    ohm_spread: 0.0,
                    impulse_a2s: g.impulse_a2s,
                    impulse_spread_a2s: g.impulse_spread_a2s,
                    lag_second: g.lag_second,
                    lag_spread_second: g.lag_spread_second,
                    no_fire_ampere: 0.0,
                };
                vec![one; g.count as usize]
            })
            .collect();
        let load = Part::Series((0..drawn.len()).map(Part::Igniter).collect());
        let total_ohm = 1.0 + 2.0 * f64::from(count);
        let worked = chance_all_fire(&groups, &StringLoop { source, total_ohm }).unwrap();
        let simulation = Simulation { source, load, igniters: drawn, runs: 10_000 };
        let found = simulate(&simulation, &mut SplitMix::new(7)).unwrap();
        let sigma = (worked * (1.0 - worked) / 10_000.0).sqrt();
        assert!((found.chance() - worked).abs() < 4.0 * sigma + 1e-4, "{worked} {found:?}");
        assert!((0.02..0.995).contains(&worked), "a case that tells nothing: {worked}");
        assert_eq!(simulate(&simulation, &mut SplitMix::new(7)).unwrap(), found, "same seed, same answer");
    }
}

#[test]
fn statutory_classes_need_the_lag_that_the_rule_gives() {
    // German Erste Verordnung zum Sprengstoffgesetz, Anlage 2, No. 1.2 and 1.3: firing impulse 0.8–3.0 and 8–16 mWs/Ω.
    let (a, u) = ((0.8e-3, 3.0e-3), (8e-3, 16e-3));
    for (class, ampere, ms) in
        [(a, 0.6, 6.11), (a, 0.8, 3.44), (a, 1.0, 2.20), (a, 1.5, 0.98), (u, 1.3, 4.73), (u, 1.5, 3.56), (u, 2.0, 2.00)]
    {
        let lag = lag_needed(class.0, class.1, ampere).unwrap();
        assert!((lag * 1e3 - ms).abs() < 0.005, "{lag}");
    }
    // At the must-fire current the largest impulse is there within the 10 ms of the statute.
    for (impulse, ampere, ms) in [(3.0e-3, 0.6, 8.33), (16e-3, 1.3, 9.47)] {
        let alone = steady(ampere * 3.0, 1.0);
        let network = Network::new(alone, Part::Igniter(0), vec![2.0]).unwrap();
        let fired = fire(&network, &[bridge(impulse, 0.0)]).unwrap().fates[0].fired_second.unwrap();
        assert!((fired * 1e3 - ms).abs() < 0.005 && fired < 10e-3);
    }
    // Five in series at the statute's series current, the extremes among them, fire together if the lag is there.
    for (class, ampere, lag) in [(a, 0.8, 3.45e-3), (u, 1.5, 3.57e-3)] {
        let impulses = [0.0, 0.25, 0.5, 0.75, 1.0].map(|t| class.0 + t * (class.1 - class.0));
        let source = steady(ampere * 11.0, 1.0);
        let network = Network::new(source, Part::Series((0..5).map(Part::Igniter).collect()), vec![2.0; 5]).unwrap();
        assert!(fire(&network, &impulses.map(|k| bridge(k, lag))).unwrap().is_whole());
        assert!(!fire(&network, &impulses.map(|k| bridge(k, lag - 0.03e-3))).unwrap().is_whole());
    }
}

#[test]
fn a_longer_string_is_never_surer_and_the_longest_is_found() {
    let source = steady(24.0, 1.0);
    let g = group(1, 12e-3, 0.7e-3, 2.5e-3, 0.2e-3);
    let chances: Vec<f64> = (1..=12)
        .map(|count| {
            let string = StringLoop { source, total_ohm: 2.0 + 2.0 * f64::from(count) };
            chance_all_fire(&[StringGroup { count, ..g }], &string).unwrap()
        })
        .collect();
    assert!(chances.windows(2).all(|w| w[1] <= w[0] + 1e-9), "{chances:?}");
    assert!((chances[0] - 1.0).abs() < 1e-8);
    let (longest, chance) = longest_string(&g, &source, 2.0, 2.0, 0.9).unwrap().unwrap();
    assert!(chances[longest as usize - 1] == chance && chance >= 0.9 && chances[longest as usize] < 0.9);
}

#[test]
fn lag_and_impulse_come_back_from_delays() {
    let shots: Vec<TimedShot> = [(0.8, 0.1), (0.8, -0.1), (1.2, 0.1), (1.2, -0.1), (2.0, 0.0)]
        .map(|(ampere, off)| TimedShot { ampere, delay_second: 5e-3 / (ampere * ampere) + 3e-3 + off * 1e-3 })
        .to_vec();
    let fit = fit_impulse_and_lag(&shots).unwrap();
    assert!((fit.impulse_a2s - 5e-3).abs() < 2.0 * fit.impulse_error + 1e-9);
    assert!((fit.lag_second - 3e-3).abs() < 2.0 * fit.lag_error + 1e-9);
    assert_eq!(fit_impulse_and_lag(&shots[..2]), Err(CircuitError::TooFewTimedShots { shots: 2, currents: 1 }));
    let falling =
        [(1.0, 1e-3), (2.0, 2e-3), (3.0, 3e-3)].map(|(ampere, delay_second)| TimedShot { ampere, delay_second });
    assert!(matches!(fit_impulse_and_lag(&falling), Err(CircuitError::OutOfRange { .. })));
}

#[test]
fn wide_spreads_and_empty_strings_are_refused() {
    assert_eq!(chance_all_fire(&[], &one_ampere()), Err(CircuitError::NoIgniter));
    let wide = group(2, 1e-3, 0.5e-3, 1e-3, 0.0);
    assert!(matches!(chance_all_fire(&[wide], &one_ampere()), Err(CircuitError::TooWide { .. })));
    assert!(chance_all_fire(&[group(2, f64::NAN, 0.0, 1e-3, 0.0)], &one_ampere()).is_err());
    // No spread at all is no special case: alike igniters all fire, whatever the lag.
    let alike = chance_all_fire(&[group(9, 1e-3, 0.0, 1e-3, 0.0)], &one_ampere()).unwrap();
    assert!((alike - 1.0).abs() < 1e-8, "{alike}");
}
