//! Seasons whose causes are known: how many failures are attributed rightly, wrongly, and left unresolved.
//!
//! The base rates are assumptions, not measurements: an igniter in 60 is bad, a joint in 2,000, a string in 8 opens early,
//! a series loop in 50 is open, six failed igniters in ten are tried again alone. Of a bad igniter in a string that opened
//! early the igniter is the true cause, since it would not have fired in a whole one either.
//!
//! `cargo test -p embertally-core --lib seasons -- --nocapture` prints the shares; EMBERTALLY_SEASONS=N plays N seasons.

use super::*;
use crate::circuit::SplitMix;
use crate::facts::{Cause, RandomBits};

struct Season {
    random: SplitMix,
    ledger: Ledger,
    minute: i64,
    unit: u32,
    truths: Vec<(ShotId, bool)>,
}

impl Season {
    fn chance(&mut self, one_in: f64) -> bool {
        (self.random.next_u64() >> 11) as f64 / ((1_u64 << 53) as f64) < 1.0 / one_in
    }

    fn below(&mut self, n: u64) -> usize {
        (self.random.next_u64() % n) as usize
    }

    /// Writes a volley: units with their attempts, and for those that failed whether it was the igniter.
    fn write(&mut self, wiring: Wiring, outing: usize, seen: &[(u32, u8, Option<bool>)]) {
        self.minute += 1;
        let id = EntryId::new(minute(self.minute).unix_ms, &mut self.random);
        let mut entry = Entry::new(id, device(1), minute(self.minute));
        let shots = seen.iter().map(|(unit, attempt, _)| retry(&unit.to_string(), *attempt)).collect();
        let stated = Volley { outing: OutingId::named(&format!("outing {outing}")), ..volley(wiring, shots) };
        let v = entry.state_volley(Volley { module: Some(ModuleId::named("red")), ..stated });
        let sightings =
            (1..).zip(seen).map(|(n, (_, _, failure))| if failure.is_some() { failed(n) } else { fired(n) }).collect();
        entry.state(Fact::Sightings(Sightings { volley: v, observer: None, seen: sightings }));
        self.ledger.add(&entry);
        self.truths.extend((1..).zip(seen).filter_map(|(n, (_, _, failure))| Some((at(v, n), (*failure)?))));
    }

    fn play(&mut self) {
        for outing in 0..3 {
            for _ in 0..12 {
                let wiring = [Wiring::Single, Wiring::Series, Wiring::Series, Wiring::Parallel][self.below(4)].clone();
                let count = if wiring == Wiring::Single { 1 } else { 3 + self.below(8) };
                let bad: Vec<bool> = (0..count).map(|_| self.chance(60.0)).collect();
                let (is_open, is_early) = (self.chance(50.0), self.chance(8.0));
                let seen: Vec<(u32, u8, Option<bool>)> = (0..count)
                    .map(|n| {
                        self.unit += 1;
                        let circuit = match wiring {
                            Wiring::Series if is_open => true,
                            // The first stays: it is the one that opened the loop.
                            Wiring::Series if is_early && n > 0 => self.chance(1.4),
                            Wiring::Series => false,
                            _ => self.chance(2000.0),
                        };
                        (self.unit, 1, (bad[n] || circuit).then_some(bad[n]))
                    })
                    .collect();
                self.write(wiring, outing, &seen);
                for (unit, _, failure) in seen {
                    let Some(is_bad) = failure else { continue };
                    if !self.chance(10.0 / 6.0) {
                        continue;
                    }
                    let failure = (is_bad || self.chance(2000.0)).then_some(is_bad);
                    self.write(Wiring::Single, outing, &[(unit, 2, failure)]);
                }
            }
        }
    }
}

#[test]
fn seasons_with_known_causes_are_hardly_ever_attributed_wrongly() {
    let seasons = std::env::var("EMBERTALLY_SEASONS").ok().and_then(|n| n.parse().ok()).unwrap_or(1_000);
    let (mut right, mut wrong, mut open) = (0_u32, 0_u32, 0_u32);
    for seed in 0..seasons {
        let (random, ledger) = (SplitMix::new(seed), Ledger::new());
        let mut season = Season { random, ledger, minute: 0, unit: 0, truths: Vec::new() };
        season.play();
        season.ledger.settle();
        for (shot, is_own) in &season.truths {
            match season.ledger.finding(*shot).unwrap().finding.blame.map(|b| b.cause) {
                None => panic!("a failed shot without a cause, seed {seed}"),
                Some(Cause::Unresolved) => open += 1,
                Some(cause) if (cause == Cause::Igniter) == *is_own => right += 1,
                Some(_) => wrong += 1,
            }
        }
    }
    let all = f64::from(right + wrong + open);
    let share = |n: u32| 100.0 * f64::from(n) / all;
    let said = format!(
        "{seasons} seasons, {all} failures: {:.2} % right, {:.2} % wrong, {:.2} % unresolved",
        share(right),
        share(wrong),
        share(open)
    );
    #[expect(clippy::print_stderr, reason = "the result of a study is read with --nocapture")]
    {
        eprintln!("{said}");
    }
    assert!(share(wrong) < 1.0 && share(right) > 50.0, "{said}");
}
