//! How often intervals from clustered shots hold the true rate: `cargo run --release -p embertally-stats --example
//! coverage [seasons]`. Seeded, so the same figures each time.
//!
//! Two worlds. *Alone*: the log holds one pairing. *Season*: it holds twelve, of random rates and sizes, that share one
//! correlation within volleys. Shots of a volley come from a beta-binomial urn; volleys have one to ten shots.

use std::collections::BTreeMap;

use embertally_stats::{
    Cluster, ClusterCounts, ClusterRule, ClusterTable, IntervalMethod, StatsError, correlation, widened_interval,
};

const RATES: [f64; 7] = [0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3];
const SHOTS: [u64; 7] = [10, 20, 40, 80, 150, 300, 500];
const CORRELATIONS: [f64; 5] = [0.0, 0.05, 0.1, 0.2, 0.3];
const PAIRINGS: usize = 12;
const LEVEL: f64 = 0.95;

/// SplitMix64 (Steele, Lea & Flood, OOPSLA 2014).
struct Random(u64);

impl Random {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn below(&mut self, n: usize) -> usize {
        (self.share() * n as f64) as usize
    }

    /// Each failure so far makes the next one likelier.
    fn volley(&mut self, size: u64, rate: f64, rho: f64) -> Cluster {
        let mut failures = 0;
        for i in 0..size {
            let chance = ((1.0 - rho) * rate + rho * failures as f64) / ((1.0 - rho) + rho * i as f64);
            failures += u64::from(self.share() < chance);
        }
        Cluster { failures, trials: size }
    }

    fn pairing(&mut self, shots: u64, rate: f64, rho: f64) -> Result<ClusterTable, StatsError> {
        let mut volleys = Vec::new();
        let mut left = shots;
        while left > 0 {
            let size = (1 + self.below(10) as u64).min(left);
            volleys.push(self.volley(size, rate, rho));
            left -= size;
        }
        ClusterTable::new(volleys)
    }
}

/// How often the plain and the widened interval held the rate, how wide they were, of how many.
#[derive(Clone, Copy, Default)]
struct Tally {
    plain: u32,
    widened: u32,
    all: u32,
    width_plain: f64,
    width_widened: f64,
}

impl Tally {
    fn share(self, held: u32) -> f64 {
        100.0 * f64::from(held) / f64::from(self.all)
    }
}

type Tallies = BTreeMap<(usize, usize, usize), Tally>;

fn season(
    random: &mut Random,
    rho_at: usize,
    cells: &[(usize, usize)],
    rule: ClusterRule,
    tallies: &mut Tallies,
) -> Result<(), StatsError> {
    let rho = CORRELATIONS[rho_at];
    let strata: Vec<ClusterTable> =
        cells.iter().map(|(p, n)| random.pairing(SHOTS[*n], RATES[*p], rho)).collect::<Result<_, _>>()?;
    let found = correlation(&strata, rule, LEVEL)?;
    for (stratum, (p, n)) in strata.iter().zip(cells) {
        let counts =
            ClusterCounts { failures: stratum.failures(), trials: stratum.trials(), mean_size: stratum.mean_size() };
        let got = widened_interval(IntervalMethod::Exact, counts, found.used, LEVEL)?;
        let tally = tallies.entry((rho_at, *p, *n)).or_default();
        tally.all += 1;
        tally.plain += u32::from(got.plain.contains(RATES[*p]));
        tally.widened += u32::from(got.widened.contains(RATES[*p]));
        tally.width_plain += got.plain.width();
        tally.width_widened += got.widened.width();
    }
    Ok(())
}

#[expect(clippy::print_stdout, reason = "a report for the one who asks")]
fn report(name: &str, tallies: &Tallies) {
    println!("\n{name}: coverage in percent at a nominal {}", 100.0 * LEVEL);
    println!("  rho   plain: least (rate, shots)    widened: least (rate, shots)   mean   width, widened over plain");
    for (rho_at, rho) in CORRELATIONS.iter().enumerate() {
        let here = || tallies.iter().filter(|((r, _, _), t)| *r == rho_at && t.all >= 200);
        let least = |held: fn(&Tally) -> u32| {
            here()
                .map(|((_, p, n), t)| (t.share(held(t)), RATES[*p], SHOTS[*n]))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .unwrap_or_default()
        };
        let (plain, widened) = (least(|t| t.plain), least(|t| t.widened));
        let all: u32 = here().map(|(_, t)| t.all).sum();
        let held: u32 = here().map(|(_, t)| t.widened).sum();
        let width: f64 =
            here().map(|(_, t)| t.width_widened).sum::<f64>() / here().map(|(_, t)| t.width_plain).sum::<f64>();
        println!(
            "{rho:5.2}   {:6.2} ({:5.3}, {:3})          {:6.2} ({:5.3}, {:3})          {:6.2}   {width:.2}",
            plain.0,
            plain.1,
            plain.2,
            widened.0,
            widened.1,
            widened.2,
            100.0 * f64::from(held) / f64::from(all)
        );
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let seasons: usize = std::env::args().nth(1).map_or(Ok(10_000), |a| a.parse())?;
    let mut rule = ClusterRule::default();
    if let Some(assurance) = std::env::args().nth(2) {
        rule.assurance = assurance.parse()?;
    }
    let mut random = Random(20_311_105);
    let (mut alone, mut whole) = (Tallies::new(), Tallies::new());
    for rho_at in 0..CORRELATIONS.len() {
        for _ in 0..seasons {
            let cells: Vec<_> = (0..PAIRINGS).map(|_| (random.below(RATES.len()), random.below(SHOTS.len()))).collect();
            season(&mut random, rho_at, &cells, rule, &mut whole)?;
        }
        for p in 0..RATES.len() {
            for n in 0..SHOTS.len() {
                for _ in 0..seasons / 5 {
                    season(&mut random, rho_at, &[(p, n)], rule, &mut alone)?;
                }
            }
        }
    }
    report("A season of twelve pairings", &whole);
    report("One pairing alone", &alone);
    Ok(())
}
