//! One pulse, step by step, where the answer is known by hand.

use proptest::prelude::*;

use super::*;
use crate::facts::Wiring;

fn near(got: f64, want: f64) {
    assert!((got - want).abs() <= 1e-9 * want.abs().max(1e-12), "got {got}, want {want}");
}

fn volley(source: Source, wiring: &Wiring, count: usize) -> Network {
    Network::of_volley(source, 0.0, wiring, vec![2.0; count]).unwrap()
}

#[test]
fn the_quickest_opens_the_loop_for_all() {
    // 1 A through all; impulses of 1, 2 and 4 mA²s, a lag of 2 ms: the first opens at 3 ms, the third needs 4.
    let network = volley(steady(12.0, 6.0), &Wiring::Series, 3);
    let fired = fire(&network, &[bridge(1e-3, 2e-3), bridge(2e-3, 2e-3), bridge(4e-3, 2e-3)]).unwrap();
    near(fired.fates[0].opened_second.unwrap(), 3e-3);
    near(fired.fates[1].fired_second.unwrap(), 2e-3);
    assert_eq!(fired.fates[2].fired_second, None);
    near(fired.fates[2].impulse_a2s, 3e-3);
    assert_eq!((fired.fired(), fired.is_whole()), (2, false));
    // With 3.1 ms of lag it is whole.
    let lag = 3.1e-3;
    assert!(fire(&network, &[bridge(1e-3, lag), bridge(2e-3, lag), bridge(4e-3, lag)]).unwrap().is_whole());
}

#[test]
fn in_parallel_each_opening_leaves_more_to_the_others() {
    // 12 V behind 1 Ω, two bridges of 2 Ω: 3 A each, then 4 A in the one that is left.
    let network = volley(steady(12.0, 1.0), &Wiring::Parallel, 2);
    let fired = fire(&network, &[bridge(9e-3, 0.0), bridge(25e-3, 0.0)]).unwrap();
    near(fired.fates[0].fired_second.unwrap(), 1e-3);
    near(fired.fates[1].fired_second.unwrap(), 1e-3 + 16e-3 / 16.0);
}

#[test]
fn a_capacitor_gives_what_it_holds_and_no_more() {
    // 50 V, 1 mF, 8 Ω and 2 Ω: τ 10 ms, and in all V²C/2R = 0.125 A²s.
    let network = volley(capacitor(50.0, 8.0, 1e-3), &Wiring::Single, 1);
    let fired = fire(&network, &[bridge(0.1, 1e-3)]).unwrap();
    near(fired.fates[0].fired_second.unwrap(), -5e-3 * (1.0_f64 - 0.1 / 0.125).ln());
    let starved = fire(&network, &[bridge(0.126, 1e-3)]).unwrap();
    assert_eq!(starved.fates[0].fired_second, None);
    // Below its no-fire current a bridge gathers nothing: from 5 A to 2.5 A is three quarters of it.
    let bridge = Bridge { no_fire_ampere: 2.5, ..bridge(0.12, 1e-3) };
    let cold = fire(&network, &[bridge]).unwrap();
    assert_eq!(cold.fates[0].fired_second, None);
    near(cold.fates[0].impulse_a2s, 0.75 * 0.125);
}

#[test]
fn a_pulse_ends() {
    let network = volley(Source { pulse_second: Some(2e-3), ..steady(4.0, 2.0) }, &Wiring::Single, 1);
    assert!(fire(&network, &[bridge(1.9e-3, 0.0)]).unwrap().is_whole());
    assert!(!fire(&network, &[bridge(2.1e-3, 0.0)]).unwrap().is_whole());
    assert!(fire(&network, &[]).is_err());
    assert!(fire(&network, &[bridge(f64::NAN, 0.0)]).is_err());
}

proptest! {
    #[test]
    fn a_series_string_is_whole_exactly_by_the_rule(
        parts in proptest::collection::vec((1.0..20.0, 0.0..10.0), 1..12),
        milliamperes in 300..3000_u32,
        is_capacitor in any::<bool>(),
    ) {
        let bridges: Vec<Bridge> = parts.iter().map(|(k, lag)| bridge(k * 1e-3, lag * 1e-3)).collect();
        let total = 2.0 * bridges.len() as f64 + 1.0;
        let volt = total * f64::from(milliamperes) / 1000.0;
        let source = if is_capacitor { capacitor(volt, 1.0, 2e-3) } else { steady(volt, 1.0) };
        let fired = fire(&volley(source, &Wiring::Series, bridges.len()), &bridges).unwrap();
        let time = |impulse: f64| source.time_of_impulse(total, impulse);
        let opens = bridges.iter().map(|b| time(b.impulse_a2s) + b.lag_second).fold(f64::INFINITY, f64::min);
        let last = bridges.iter().map(|b| time(b.impulse_a2s)).fold(0.0, f64::max);
        // At a tie to the last digit either answer is right.
        if (last - opens).abs() > 1e-9 * last {
            prop_assert_eq!(fired.is_whole(), last < opens);
        }
        for (fate, b) in fired.fates.iter().zip(&bridges) {
            prop_assert_eq!(fate.fired_second.is_some(), fate.impulse_a2s >= b.impulse_a2s * (1.0 - 1e-9));
        }
    }

    #[test]
    fn any_volley_comes_to_an_end_and_nothing_is_gained_from_nothing(
        strings in proptest::collection::vec(1..5_u16, 1..5),
        impulses in proptest::collection::vec(1..40_u32, 20),
        farad in proptest::option::of(1e-5..5e-3),
    ) {
        let count: usize = strings.iter().map(|n| usize::from(*n)).sum();
        let source = farad.map_or(steady(24.0, 1.0), |f| capacitor(24.0, 1.0, f));
        let network = Network::of_volley(source, 0.7, &Wiring::SeriesParallel(strings), vec![1.6; count]).unwrap();
        let bridges: Vec<Bridge> = impulses[..count]
            .iter()
            .map(|k| Bridge { no_fire_ampere: 0.2, ..bridge(f64::from(*k) * 1e-3, 1e-3) })
            .collect();
        let fired = fire(&network, &bridges).unwrap();
        for fate in &fired.fates {
            prop_assert!(fate.impulse_a2s.is_finite() && fate.first_ampere > 0.0);
            prop_assert!(fate.opened_second.is_none() || fate.fired_second <= fate.opened_second);
        }
        if let Some(farad) = farad {
            let energy: f64 = fired.fates.iter().map(|f| 1.6 * f.impulse_a2s).sum();
            prop_assert!(energy <= 0.5 * farad * 24.0 * 24.0 * (1.0 + 1e-9));
        }
    }
}
