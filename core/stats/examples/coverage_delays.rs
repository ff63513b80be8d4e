//! How often what is said of delays holds: `cargo run --release -p embertally-stats --example coverage_delays [seasons]`.
//! Seeded, so the same figures each time.
//!
//! Delays are drawn log-normal (median 110 ms, deviation 0.25 of the logarithm) or Weibull (the same middle, shape 4), and
//! seen as frames of 30, 120 or 240 a second or by a stopwatch that may be off by 100 ms. For each number of shots: how often
//! the 95 % profile interval of the median holds it, that of the share slower than 150 ms, how often 95 % of times are indeed
//! under the bound said to hold them with 90 % confidence by the fitted law, and by order statistics (which takes 45 shots).
//! The law that is fitted is the one that the delays are drawn from. A fit that is refused makes no promise; its share stands
//! last.

#![expect(clippy::print_stdout, reason = "a report for the one who asks")]

use embertally_stats::{CensoredSample, CensoredTime, Law, LogFit, order_statistic_bound};

const SHOTS: [usize; 6] = [10, 20, 40, 60, 100, 300];
const LIMIT: f64 = 150.0;

/// SplitMix64 (Steele, Lea & Flood, OOPSLA 2014).
struct Random(u64);

impl Random {
    fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        ((z >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// Box and Muller.
    fn normal(&mut self) -> f64 {
        let (radius, angle) = (self.share(), self.share());
        (-2.0 * radius.ln()).sqrt() * (std::f64::consts::TAU * angle).cos()
    }

    fn delay(&mut self, law: Law) -> f64 {
        match law {
            Law::LogNormal => 110.0 * (0.25 * self.normal()).exp(),
            Law::Weibull => 120.0 * (-self.share().ln()).powf(0.25),
        }
    }

    /// What is seen of a delay: the ends of the frames of pulse and light, or a reading.
    fn seen(&mut self, delay: f64, way: Way) -> (f64, f64) {
        match way {
            Way::Frames(rate) => {
                let frame = 1000.0 / rate;
                let counted = (delay / frame + self.share()).floor();
                ((counted - 1.0).max(0.0) * frame, (counted + 1.0) * frame)
            }
            Way::Narrowed(rate) => {
                let frame = 1000.0 / rate;
                let counted = (delay / frame + self.share()).floor();
                let half = std::f64::consts::FRAC_1_SQRT_2;
                ((counted - half).max(0.0) * frame, (counted + half) * frame)
            }
            Way::Stopwatch(off) => {
                let read = delay + off * (2.0 * self.share() - 1.0);
                ((read - off).max(0.0), read + off)
            }
        }
    }
}

#[derive(Debug, Clone, Copy)]
enum Way {
    Frames(f64),
    /// Half a frame times √2 to either side: the same variance as the triangle that a delay truly has about its count.
    Narrowed(f64),
    Stopwatch(f64),
}

/// The true median, share above the limit and 95 % point of a law.
fn truths(law: Law) -> [f64; 3] {
    match law {
        // The standard normal's 0.95 point; and its tail beyond ln(150/110)/0.25, by SciPy's norm.sf
        Law::LogNormal => [110.0, 0.107_373_133_028_582_65, 110.0 * (0.25 * 1.644_853_626_951_472_7_f64).exp()],
        Law::Weibull => {
            let at = |share: f64| 120.0 * (-(-share).ln_1p()).powf(0.25);
            [at(0.5), (-(LIMIT / 120.0_f64).powi(4)).exp(), at(0.95)]
        }
    }
}

#[derive(Default)]
struct Tally {
    held: [u32; 4],
    asked: [u32; 4],
    refused: u32,
}

impl Tally {
    fn note(&mut self, which: usize, holds: bool) {
        self.held[which] += u32::from(holds);
        self.asked[which] += 1;
    }

    fn share(&self, which: usize) -> String {
        if self.asked[which] == 0 {
            return "–".to_owned();
        }
        format!("{:.1}", 100.0 * f64::from(self.held[which]) / f64::from(self.asked[which]))
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let seasons: u32 = std::env::args().nth(1).map_or(Ok(2_000), |n| n.parse())?;
    println!(
        "law         seen by             shots  median 95  slower 95  bound 90  order 90  refused   ({seasons} each)"
    );
    for law in Law::ALL.iter().copied() {
        let [median, slower, point] = truths(law);
        for (name, way) in [
            ("30 frames a s", Way::Frames(30.0)),
            ("60 frames a s", Way::Frames(60.0)),
            ("30, narrowed", Way::Narrowed(30.0)),
            ("60, narrowed", Way::Narrowed(60.0)),
            ("120 frames a s", Way::Frames(120.0)),
            ("240 frames a s", Way::Frames(240.0)),
            ("stopwatch ± 100 ms", Way::Stopwatch(100.0)),
        ] {
            for shots in SHOTS {
                let (mut random, mut tally) = (Random(20_311_105 + shots as u64), Tally::default());
                for _ in 0..seasons {
                    let mut times = Vec::with_capacity(shots);
                    for _ in 0..shots {
                        let delay = random.delay(law);
                        let (low, high) = random.seen(delay, way);
                        times.push(CensoredTime::new(low, high)?);
                    }
                    let sample = CensoredSample::new(&times)?;
                    if let Ok(bound) = order_statistic_bound(&sample, 0.95, 0.9) {
                        tally.note(3, point <= bound);
                    }
                    let Ok(fit) = LogFit::new(law, &sample) else {
                        tally.refused += 1;
                        continue;
                    };
                    let middle = fit.quantile(0.5, 0.95)?;
                    tally.note(0, middle.low <= median && median <= middle.high);
                    let above = fit.slower_than(LIMIT, 0.95)?;
                    tally.note(1, above.low <= slower && slower <= above.high);
                    tally.note(2, point <= fit.quantile_bound(0.95, 0.9)?);
                }
                let shares: Vec<String> = (0..4).map(|which| tally.share(which)).collect();
                let refused = 100.0 * f64::from(tally.refused) / f64::from(seasons);
                println!(
                    "{:11} {name:19} {shots:5}  {:>9}  {:>9}  {:>8}  {:>8}  {refused:.1}",
                    law.name(),
                    shares[0],
                    shares[1],
                    shares[2],
                    shares[3]
                );
            }
        }
    }
    Ok(())
}
