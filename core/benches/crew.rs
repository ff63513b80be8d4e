//! Signing and verifying: one entry, and the log of a season.

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use embertally_core::crew::{DeviceKey, Envelope, Place, Roster};
use embertally_core::facts::*;
use embertally_core::log::{Home, Log};
use embertally_core::store::MemoryStore;

fn main() {
    divan::main();
}

fn bits(seed: u64) -> impl FnMut() -> u64 + Send + 'static {
    let mut state = seed;
    move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        state ^ (state >> 29)
    }
}

fn volley(n: u64, device: DeviceId, outing: OutingId) -> Entry {
    let at = Moment { unix_ms: 1_000_000 + n as i64, offset_minutes: 0 };
    let mut entry = Entry::new(EntryId::new(at.unix_ms, &mut bits(n)), device, at);
    let shot = |unit: u64| Shot { lot: LotId::named("A"), unit: Some(unit.to_string()), attempt: 1, fuse: None };
    let id = entry.state_volley(Volley {
        outing,
        at: Some(at),
        module: None,
        channel: None,
        label: None,
        wiring: Wiring::Series,
        leads: None,
        conditions: Conditions::default(),
        shots: (0..10).map(|m| shot(10 * n + m)).collect(),
    });
    let seen = (1..=10).map(|position| Sighting {
        position,
        ignition: Ignition::Fired,
        transfer: Transfer::Unseen,
        delay: None,
        strength: None,
        cause: None,
        note: None,
    });
    entry.state(Fact::Sightings(Sightings { volley: id, observer: None, seen: seen.collect() }));
    entry.name_by_content().expect("fits");
    entry
}

fn founder() -> (DeviceKey, DeviceId) {
    let key = DeviceKey::from_seed(&[7; 32]);
    let device = key.device(1);
    (key, device)
}

/// What signing adds to a volley of ten.
#[divan::bench]
fn sign_one_volley(bencher: Bencher<'_, '_>) {
    let (key, device) = founder();
    let entry = volley(1, device, OutingId::named("dry run"));
    let place = Place { home: None, entry: entry.id };
    let payload = entry.to_bytes().expect("fits");
    bencher.bench(|| Envelope::seal(&key, place, black_box(payload.clone()), None));
}

/// Verifying 1,000 entries of ten shots, the reading of their bytes included.
#[divan::bench]
fn verify_a_thousand(bencher: Bencher<'_, '_>) {
    let (key, device) = founder();
    let mut founding = Entry::new(EntryId::new(1, &mut bits(1)), device, Moment { unix_ms: 1, offset_minutes: 0 });
    founding.state(Fact::Founding(Founding { key: key.public(), name: "Invented crew".to_owned() }));
    founding.name_by_content().expect("fits");
    let sign = |entry: &Entry| {
        let place = Place { home: None, entry: entry.id };
        (entry.id, Envelope::seal(&key, place, entry.to_bytes().expect("fits"), None).expect("signs"))
    };
    let founding = sign(&founding);
    let roster = Roster::new(key.crew(), [(founding.0, founding.1.as_slice())]);
    let entries: Vec<_> = (0..1_000).map(|n| sign(&volley(n, device, OutingId::named("dry run")))).collect();
    bencher.counter(ItemsCount::new(1_000_usize)).bench(|| {
        assert!(entries.iter().all(|(id, bytes)| roster.judge(None, *id, black_box(bytes), false).is_ok()));
    });
}

fn season() -> Log<MemoryStore> {
    let (key, device) = founder();
    let mut log = Log::open(MemoryStore::default(), bits(5));
    log.sign_with(key.clone(), device);
    let mut founding = Entry::new(EntryId::new(1, &mut bits(1)), device, Moment { unix_ms: 1, offset_minutes: 0 });
    founding.state(Fact::Founding(Founding { key: key.public(), name: "Invented crew".to_owned() }));
    founding.name_by_content().expect("fits");
    log.write(Home::Register, &founding).expect("writes");
    log.set_crew(key.crew()).expect("keeps");
    for part in 0..10 {
        let outing = OutingId::named(&format!("outing {part}"));
        let entries: Vec<_> =
            (0..1_000).map(|n| (Home::Outing(outing), volley(part * 1_000 + n, device, outing))).collect();
        log.write_all(&entries).expect("writes");
    }
    log
}

/// 100,000 shots in volleys of ten: every signature checked, whatever was found before.
#[divan::bench(sample_count = 10)]
fn verify_100_000_shots(bencher: Bencher<'_, '_>) {
    let mut log = season();
    bencher.bench_local(|| {
        let mut entries = 0;
        log.replay_distrusting(|_, _| entries += 1).expect("reads");
        assert_eq!(entries, 10_001);
    });
}

/// The same read again, signatures having been checked before.
#[divan::bench(sample_count = 10)]
fn replay_100_000_shots_checked_before(bencher: Bencher<'_, '_>) {
    let mut log = season();
    log.replay(|_, _| ()).expect("reads");
    bencher.bench_local(|| log.replay(|_, _| ()).expect("reads"));
}
