//! How long a ledger takes: a whole log, one more volley, the questions asked of it. A report, not a gate.

use divan::Bencher;
use embertally_core::facts::{
    Cause, Conditions, DeviceId, Entry, EntryId, Fact, FuseId, Ignition, LotId, ModuleId, Moment, OutingId, Shot,
    Sighting, Sightings, Temperature, Transfer, Volley, Wiring,
};
use embertally_core::ledger::{Ledger, Measure, WeatherField};
use embertally_core::rates::{
    Codes, Dimension, Group, ModelRequest, PairingsRequest, RatesRequest, Term, count_by, model, ranking, rates,
};

fn main() {
    divan::main();
}

const SHOTS_A_VOLLEY: u32 = 10;

/// Entry `n` of a season: a volley of ten and what its writer saw of it. Four devices; every fourth entry is the
/// volley before it as a second device wrote it, so that one real volley in three is joined from two.
fn entry(n: u32) -> Entry {
    let real = n - n / 4;
    let moment = Moment { unix_ms: 1_900_000_000_000 + i64::from(real) * 60_000, offset_minutes: 0 };
    let mut random = u64::from(n).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let id = EntryId::new(moment.unix_ms, &mut || {
        random = random.rotate_left(17).wrapping_mul(0xd6e8_feb8_6659_fd93).wrapping_add(1);
        random
    });
    let mut entry = Entry::new(id, DeviceId::from_bytes([(n % 4) as u8; 16]), moment);
    let shots = (1..=SHOTS_A_VOLLEY).map(|position| Shot {
        lot: LotId::named(&format!("lot {}", real % 24)),
        unit: Some(format!("{real}-{position}")),
        attempt: 1,
        fuse: Some(FuseId::named(["match", "visco", "lift"][real as usize % 3])),
    });
    let volley = entry.state_volley(Volley {
        outing: OutingId::named(&format!("outing {}", real / 500)),
        at: Some(moment),
        module: Some(ModuleId::named("red")),
        channel: Some((real % 32) as u16),
        label: None,
        wiring: if real.is_multiple_of(2) { Wiring::Series } else { Wiring::Parallel },
        leads: None,
        conditions: Conditions { temperature: Some(Temperature((real % 40) as i16 * 100)), ..Conditions::default() },
        shots: shots.collect(),
    });
    let seen = (1..=SHOTS_A_VOLLEY as u16).map(|position| {
        let fails = (real * 31 + u32::from(position)).is_multiple_of(17);
        Sighting {
            position,
            ignition: if fails { Ignition::Failed } else { Ignition::Fired },
            transfer: if fails { Transfer::Unlit } else { Transfer::Lit },
            delay: None,
            strength: Some(3),
            cause: fails.then_some(Cause::Unresolved),
            note: None,
        }
    });
    entry.state(Fact::Sightings(Sightings { volley, observer: None, seen: seen.collect() }));
    entry
}

/// Entries for so many real shots.
fn season(shots: u32) -> Vec<Entry> {
    (0..shots / SHOTS_A_VOLLEY * 4 / 3).map(entry).collect()
}

fn settled(entries: &[Entry]) -> Ledger {
    let mut ledger = Ledger::new();
    entries.iter().for_each(|e| ledger.add(e));
    ledger.settle();
    ledger
}

#[divan::bench(args = [100_000, 1_000_000], sample_count = 5, sample_size = 1)]
fn add_and_settle(bencher: Bencher<'_, '_>, shots: u32) {
    let entries = season(shots);
    bencher.bench_local(|| settled(&entries));
}

/// Attribution by itself: volleys and real shots are settled; what was seen, why it failed and what counts is worked out for
/// all shots anew.
#[divan::bench(args = [100_000, 1_000_000], sample_count = 5, sample_size = 1)]
fn attribution_of_settled_volleys(bencher: Bencher<'_, '_>, shots: u32) {
    let mut ledger = settled(&season(shots));
    bencher.bench_local(|| ledger.judge_anew());
}

#[divan::bench(args = [100_000, 1_000_000])]
fn one_more_volley(bencher: Bencher<'_, '_>, shots: u32) {
    let entries = season(shots);
    let mut ledger = settled(&entries);
    let mut next = entries.len() as u32;
    bencher
        .with_inputs(|| {
            next += 1;
            entry(next)
        })
        .bench_local_values(|entry| {
            ledger.add(&entry);
            ledger.settle();
        });
}

#[divan::bench]
fn disputes_proposals_and_live(bencher: Bencher<'_, '_>) {
    let ledger = settled(&season(100_000));
    bencher.bench_local(|| (ledger.disputes().len(), ledger.proposals().len(), ledger.live().len()));
}

#[divan::bench]
fn all_shots_in_order(bencher: Bencher<'_, '_>) {
    let ledger = settled(&season(100_000));
    bencher.bench_local(|| ledger.shots().filter(|s| s.live.is_some()).count());
}

/// The whole table of rates with exact intervals by lot, fuse and weather.
#[divan::bench(args = [100_000, 1_000_000])]
fn rates_by_lot_fuse_weather(bencher: Bencher<'_, '_>, shots: u32) {
    let ledger = settled(&season(shots));
    let by = vec![Group::Lot, Group::Fuse, Group::Weather];
    let request = RatesRequest { by, ..RatesRequest::default() };
    bencher.bench_local(|| rates(&ledger, &request).map(|table| table.rows.len()));
}

/// The whole answer of `pairings`, with clusters and shrinkage.
#[divan::bench(args = [100_000, 1_000_000], sample_count = 5, sample_size = 1)]
fn pairings_with_shrinkage(bencher: Bencher<'_, '_>, shots: u32) {
    let ledger = settled(&season(shots));
    let request = PairingsRequest::default();
    bencher.bench_local(|| ranking(&ledger, &request).map(|found| found.rows.len()));
}

/// A model of lot, fuse, wiring and temperature, 28 coefficients, with intervals and tests.
#[divan::bench(args = [100_000], sample_count = 5, sample_size = 1)]
fn model_of_the_log(bencher: Bencher<'_, '_>, shots: u32) {
    let ledger = settled(&season(shots));
    let terms = ["lot", "fuse", "wiring", "temperature"].map(|t| t.parse::<Term>()).into_iter().flatten().collect();
    let request = ModelRequest { measure: Measure::Ignition, terms, level: 0.95, only: Vec::new(), at: Vec::new() };
    bencher.bench_local(|| model(&ledger, &request).map(|found| found.groups).ok());
}

/// The counting alone.
#[divan::bench]
fn count_1_000_000_by_lot_fuse_weather(bencher: Bencher<'_, '_>) {
    let ledger = settled(&season(1_000_000));
    let columns = ledger.columns();
    let wide = |codes, size| Dimension { codes: Codes::Wide(codes), size, counts_as: None };
    let band = |field| Dimension {
        codes: Codes::Narrow(columns.band(field)),
        size: ledger.bands().count(field),
        counts_as: None,
    };
    let dimensions = [
        wide(columns.lot(), columns.lots().size()),
        wide(columns.fuse(), columns.fuses().size()),
        band(WeatherField::Wet),
        band(WeatherField::Temperature),
    ];
    bencher.bench_local(|| count_by(&dimensions, columns.class(Measure::Ignition)).len());
}

/// Failures by lot, as a caller counts them.
#[divan::bench]
fn count_by_lot(bencher: Bencher<'_, '_>) {
    let ledger = settled(&season(100_000));
    bencher.bench_local(|| {
        let columns = ledger.columns();
        let mut counts = vec![[0_u32; 4]; columns.lots().size()];
        for (lot, class) in columns.lot().iter().zip(columns.class(Measure::Ignition)) {
            counts[*lot as usize][usize::from(*class)] += 1;
        }
        counts
    });
}
