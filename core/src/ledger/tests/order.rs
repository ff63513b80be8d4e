//! INVARIANT: after settling, what can be seen depends only on the set of entries.

use std::fmt::Write as _;

use proptest::prelude::*;

use super::*;
use crate::facts::{Cause, Delay, IgniterType, Lot, Precipitation, Reading, Resistance, Temperature, TypeId};

const ENTRIES: u8 = 14;
const PLACES: u16 = 2;

/// The ids of entries are spread, so that their order is not the order in which they are made.
fn entry_id(n: u8) -> EntryId {
    EntryId::from_bytes([n.wrapping_mul(151).wrapping_add(7); 16])
}

fn a_fact_id() -> impl Strategy<Value = FactId> {
    (0..ENTRIES, 0..PLACES).prop_map(|(n, place)| FactId { entry: entry_id(n), place })
}

fn a_volley_id() -> impl Strategy<Value = VolleyId> {
    // Places of volleys, mostly: see `an_entry`.
    prop_oneof![3 => (0..ENTRIES).prop_map(|n| FactId { entry: entry_id(n), place: 0 }), 1 => a_fact_id()]
        .prop_map(VolleyId)
}

fn a_shot_id() -> impl Strategy<Value = ShotId> {
    (a_volley_id(), 0..4_u16).prop_map(|(volley, position)| ShotId { volley, position })
}

fn one_of<T: Copy + std::fmt::Debug + 'static>(all: &'static [T]) -> impl Strategy<Value = T> {
    proptest::sample::select(all)
}

fn an_outing_name() -> impl Strategy<Value = &'static str> {
    prop_oneof![4 => Just("dry run"), 1 => Just("pier")]
}

fn a_shot() -> impl Strategy<Value = Shot> {
    let unit = prop_oneof![1 => Just(None), 4 => one_of(&["1", "2", "x 3", "X  3"]).prop_map(Some)];
    (one_of(&["A-17", "B-2"]), unit, 1..3_u8, proptest::option::of(one_of(&["match", "visco"]))).prop_map(
        |(lot, unit, attempt, fuse)| Shot {
            lot: LotId::named(lot),
            unit: unit.map(str::to_owned),
            attempt,
            fuse: fuse.map(FuseId::named),
        },
    )
}

fn some_conditions() -> impl Strategy<Value = Conditions> {
    let temperature = proptest::option::of((-5..35_i16).prop_map(|t| Temperature(t * 100)));
    (temperature, proptest::option::of(one_of(Precipitation::ALL)))
        .prop_map(|(temperature, precipitation)| Conditions { temperature, precipitation, ..Conditions::default() })
}

fn a_volley() -> impl Strategy<Value = Fact> {
    let wiring = one_of(&[0, 1, 2, 3, 4]).prop_map(|n| match n {
        0 => Wiring::Single,
        1 => Wiring::Series,
        2 => Wiring::Parallel,
        3 => Wiring::SeriesParallel(vec![1, 2]),
        _ => Wiring::SeriesParallel(Vec::new()),
    });
    let channel = (proptest::option::of(one_of(&["red", "blue"])), proptest::option::of(1..3_u16));
    let shots = proptest::collection::vec(a_shot(), 1..4);
    (an_outing_name(), wiring, channel, shots, some_conditions(), proptest::option::of(some_minutes())).prop_map(
        |(outing, wiring, (module, channel), shots, conditions, at)| {
            Fact::Volley(Volley {
                outing: OutingId::named(outing),
                at: at.map(minute),
                module: module.map(ModuleId::named),
                channel,
                conditions,
                ..volley(wiring, shots)
            })
        },
    )
}

/// Into the evening, and at times half a day later.
fn some_minutes() -> impl Strategy<Value = i64> {
    prop_oneof![4 => 0..200_i64, 2 => 800..1_000_i64]
}

/// A volley on the one channel of a show, as the phones of a crew may write it.
fn a_cue() -> impl Strategy<Value = Fact> {
    let (is_second, is_labelled) = (proptest::bool::weighted(0.2), any::<bool>());
    let shot = (a_shot(), is_second, is_labelled).prop_map(|(shot, is_second, is_labelled)| Shot {
        attempt: 1 + u8::from(is_second),
        unit: shot.unit.filter(|_| is_labelled),
        ..shot
    });
    (proptest::collection::vec(shot, 1..3), proptest::option::weighted(0.3, some_minutes())).prop_map(|(shots, at)| {
        let v = on_channel("red", 1, volley(Wiring::Series, shots));
        Fact::Volley(Volley { at: at.map(minute), ..v })
    })
}

fn a_sighting() -> impl Strategy<Value = Sighting> {
    let delay = proptest::option::of(
        (0..5_u32, 0..5_u32)
            .prop_map(|(low, more)| Delay::Stated { low_us: low * 10_000, high_us: (low + more) * 10_000 }),
    );
    let cause = proptest::option::of(one_of(Cause::ALL));
    (0..4_u16, one_of(Ignition::ALL), one_of(Transfer::ALL), delay, proptest::option::of(1..6_u8), cause).prop_map(
        |(position, ignition, transfer, delay, strength, cause)| Sighting {
            delay,
            strength,
            cause,
            ..saw(position, ignition, transfer)
        },
    )
}

fn some_sightings() -> impl Strategy<Value = Fact> {
    let observer = proptest::option::of(one_of(&["Ada", "Ben", "Cy"]));
    let seen = proptest::collection::vec(a_sighting(), 0..4);
    (a_volley_id(), observer, seen).prop_map(|(volley, observer, seen)| {
        Fact::Sightings(Sightings { volley, observer: observer.map(PersonId::named), seen })
    })
}

fn a_ruling() -> impl Strategy<Value = Fact> {
    let ignition = proptest::option::of(one_of(Ignition::ALL));
    let transfer = proptest::option::of(one_of(Transfer::ALL));
    (a_shot_id(), ignition, transfer, proptest::option::of(one_of(Cause::ALL))).prop_map(
        |(shot, ignition, transfer, cause)| Fact::Ruling(Ruling { ignition, transfer, cause, ..ruling(shot) }),
    )
}

fn a_bridge_reading() -> impl Strategy<Value = Fact> {
    let bridge = prop_oneof![Just(Bridge::Open), (0..3_u32).prop_map(|n| Bridge::Measured(Resistance(1_000 * n)))];
    (a_shot_id(), bridge, some_minutes()).prop_map(|(shot, bridge, at)| {
        Fact::BridgeReading(BridgeReading { shot, bridge, at: minute(at), instrument: None, by: None })
    })
}

fn a_type() -> impl Strategy<Value = Fact> {
    let resistance = proptest::option::of((1..3_u32).prop_map(|n| Resistance(1_000 * n)));
    (one_of(&["slim", "stout"]), resistance).prop_map(|(name, bridge_resistance)| {
        Fact::IgniterType(IgniterType { bridge_resistance, ..IgniterType::named(name) })
    })
}

fn an_outing() -> impl Strategy<Value = Fact> {
    (an_outing_name(), one_of(OutingKind::ALL), proptest::option::of(10..50_u32)).prop_map(
        |(name, kind, slow_limit_ms)| Fact::Outing(Outing { name: name.to_owned(), slow_limit_ms, ..outing(kind) }),
    )
}

fn a_lot() -> impl Strategy<Value = Fact> {
    (one_of(&["A-17", "B-2"]), proptest::option::of(one_of(&["slim", "stout"])), proptest::option::of(1..3_u32))
        .prop_map(|(mark, igniter_type, count)| {
            Fact::Lot(Lot {
                mark: mark.to_owned(),
                igniter_type: igniter_type.map(TypeId::named),
                made_on: None,
                use_by: None,
                count,
                storage: None,
            })
        })
}

fn a_reading() -> impl Strategy<Value = Fact> {
    (an_outing_name(), 0..200_i64, some_conditions()).prop_map(|(outing, at, conditions)| {
        Fact::Reading(Reading { outing: OutingId::named(outing), at: minute(at), conditions, source: None })
    })
}

fn any_other() -> impl Strategy<Value = Fact> {
    prop_oneof![
        6 => some_sightings(),
        2 => a_ruling(),
        2 => a_bridge_reading(),
        1 => a_type(),
        2 => (a_volley_id(), a_volley_id(), any::<bool>())
            .prop_map(|(first, second, same)| Fact::Match(Match { first, second, same, by: None })),
        1 => proptest::collection::vec(a_shot_id(), 0..3)
            .prop_map(|shots| Fact::MadeSafe(MadeSafe { shots, by: None, at: None, how: None })),
        3 => a_fact_id().prop_map(|fact| Fact::Withdrawal(Withdrawal { fact, reason: String::new() })),
        1 => an_outing(),
        1 => a_lot(),
        1 => a_reading(),
        1 => Just(Fact::Unknown { kind: 99 }),
    ]
}

/// At place 0 mostly a volley, at place 1 anything; either may correct anything, itself included.
fn an_entry(n: u8) -> impl Strategy<Value = Entry> {
    an_entry_of(n, a_volley().boxed(), prop_oneof![3 => Just(None), 1 => a_fact_id().prop_map(Some)].boxed())
}

fn an_entry_of(
    n: u8,
    a_volley: BoxedStrategy<Fact>,
    replaces: BoxedStrategy<Option<FactId>>,
) -> impl Strategy<Value = Entry> {
    let first = prop_oneof![3 => a_volley, 1 => any_other()];
    (0..4_u8, some_minutes(), (first, replaces.clone()), (any_other(), replaces)).prop_map(
        move |(by, written, first, second)| {
            let mut entry = Entry::new(entry_id(n), device(by), minute(written));
            for (fact, replaces) in [first, second] {
                match replaces {
                    Some(old) => entry.correct(old, fact),
                    None => entry.state(fact),
                };
            }
            entry
        },
    )
}

fn a_world() -> impl Strategy<Value = Vec<Entry>> {
    (0..ENTRIES).map(an_entry).collect::<Vec<_>>().prop_flat_map(|all| (Just(all), 1..=usize::from(ENTRIES))).prop_map(
        |(mut all, count)| {
            all.truncate(count);
            all
        },
    )
}

/// A show whose volleys are all on one channel.
fn a_show() -> impl Strategy<Value = Vec<Entry>> {
    // Corrections mostly hit a volley: what joins by position must come apart when a lot, a label or a time changes.
    let replaces = prop_oneof![2 => Just(None), 1 => a_volley_id().prop_map(|v| Some(v.0))].boxed();
    let entries = (0..ENTRIES - 1).map(|n| an_entry_of(n, a_cue().boxed(), replaces.clone())).collect::<Vec<_>>();
    (entries, 1..usize::from(ENTRIES)).prop_map(|(mut all, count)| {
        all.truncate(count);
        let mut entry = Entry::new(entry_id(ENTRIES - 1), device(0), minute(0));
        entry.state(Fact::Outing(outing(OutingKind::Show)));
        all.push(entry);
        all
    })
}

/// Everything that can be seen, in words; row numbers and codes of columns are replaced by what they stand for.
pub(super) fn snapshot(ledger: &Ledger) -> String {
    let mut out = String::new();
    for v in ledger.volleys() {
        writeln!(out, "{v:?}").unwrap();
    }
    for s in ledger.shots() {
        let slots: Vec<ShotId> = s.slots().collect();
        writeln!(out, "{s:?} {slots:?} {:?} {:?} {:?}", s.sightings(), s.rulings(), s.bridge_readings()).unwrap();
    }
    for dispute in ledger.disputes() {
        writeln!(out, "{dispute:?}").unwrap();
    }
    for p in ledger.proposals() {
        writeln!(out, "{p:?}").unwrap();
    }
    for l in ledger.live() {
        writeln!(out, "{l:?}").unwrap();
    }
    for a in ledger.set_aside() {
        writeln!(out, "{a:?}").unwrap();
    }
    writeln!(out, "{:?}", ledger.agreement()).unwrap();
    for (id, lot) in ledger.register().lots().iter() {
        writeln!(out, "{id:?} {lot:?}").unwrap();
    }
    for (id, outing) in ledger.register().outings().iter() {
        writeln!(out, "{id:?} {outing:?}").unwrap();
    }
    let c = ledger.columns();
    let mut rows: Vec<String> = (0..c.len())
        .map(|i| {
            format!(
                "{:?} {:?} {:?} {:?} {:?} {:?} {} {} {:?} {:?}",
                ledger.shot_at(i).unwrap().id,
                c.lots().id(c.lot()[i]),
                c.fuses().id(c.fuse()[i]),
                c.modules().id(c.module()[i]),
                c.outings().id(c.outing()[i]),
                c.types().id(c.igniter_type()[i]),
                c.wiring()[i],
                c.shots_in_volley()[i],
                WeatherField::ALL.iter().map(|f| c.band(*f)[i]).collect::<Vec<_>>(),
                Measure::ALL.iter().map(|m| c.class(*m)[i]).collect::<Vec<_>>(),
            )
        })
        .collect();
    rows.sort();
    out + &rows.join("\n")
}

/// What must hold of any ledger, whatever is in it.
fn check(ledger: &Ledger) {
    let mut slots = 0;
    for v in ledger.volleys() {
        for position in 1..=v.volley.shots.len() as u16 {
            let shot = ledger.finding(at(v.id, position)).expect("every slot is a real shot");
            let slots_of: Vec<_> = shot.slots().collect();
            assert!(slots_of.contains(&at(v.id, position)), "{:?} {position} {slots_of:?}", v.id);
            assert_eq!(shot.slots().min(), Some(shot.id));
            slots += 1;
        }
    }
    assert_eq!(ledger.shots().map(|s| s.slots().count()).sum::<usize>(), slots, "no slot twice, none lost");
    assert_eq!(ledger.columns().len(), ledger.shots().count());
    for s in ledger.shots() {
        for m in Measure::ALL {
            assert_eq!(s.class(*m).number(), ledger.columns().class(*m)[s.row()]);
        }
        let c = ledger.columns();
        assert_eq!(c.lots().id(c.lot()[s.row()]), Some(s.lot));
        assert_eq!(c.modules().id(c.module()[s.row()]), s.module);
        let lot_type = ledger.register().lots().get(s.lot).and_then(|l| l.value.igniter_type);
        assert_eq!(c.types().id(c.igniter_type()[s.row()]), lot_type);
        assert_eq!(
            c.band(WeatherField::Temperature)[s.row()],
            ledger.bands().code(WeatherField::Temperature, &s.conditions)
        );
        assert!(s.live.is_none() || !s.is_made_safe);
        check_live(ledger, &s);
        check_joined(ledger, &s);
    }
}

type Igniter = (LotId, Option<String>);

fn igniter(ledger: &Ledger, slot: ShotId) -> Igniter {
    let volley = ledger.volley(slot.volley).unwrap().volley;
    let shot = &volley.shots[usize::from(slot.position) - 1];
    (shot.lot, shot.unit.as_deref().map(crate::facts::comparable_name))
}

/// Whether people say of any of its volleys that it is, or is not, another.
fn is_matched(ledger: &Ledger, s: &ShotView<'_>) -> bool {
    s.slots().any(|slot| {
        let at = ledger.book.resolve(&ledger.shelf, ledger.shelf.find(slot.volley.0).unwrap()).unwrap();
        !ledger.book.volley(at).matches.is_empty()
    })
}

/// What may be live is on the list, or was made safe, or had not fired and was tried again at the same outing.
fn check_live(ledger: &Ledger, s: &ShotView<'_>) {
    let Some(reason) = finding::live_reason(&s.finding, s.fuse.is_some()) else {
        assert_eq!(s.live, None);
        return;
    };
    if s.live.is_some() || s.is_made_safe {
        return;
    }
    assert!(!matches!(reason, LiveReason::Unlit | LiveReason::TransferDisputed | LiveReason::Unseen), "{s:?}");
    let unit = s.unit.map(crate::facts::comparable_name);
    let is_later = |o: &ShotView<'_>| {
        // A unit's outing is that of the slot that labels it, where people joined slots of two outings.
        let is_here = o.outing == s.outing || is_matched(ledger, s) || is_matched(ledger, o);
        let is_unit = o.lot == s.lot && o.unit.map(crate::facts::comparable_name) == unit;
        is_here && is_unit && o.attempt > s.attempt
    };
    assert!(unit.is_some() && ledger.shots().any(|o| is_later(&o)), "{s:?}");
}

/// By key nothing was joined that contradicts.
fn check_joined(ledger: &Ledger, s: &ShotView<'_>) {
    let slots: Vec<ShotId> = s.slots().collect();
    if is_matched(ledger, s) {
        return;
    }
    let is_show = ledger.register().outings().get(s.outing).is_some_and(|o| o.value.kind == OutingKind::Show);
    for a in &slots {
        for b in &slots {
            let ((lot, unit), (other_lot, other_unit)) = (igniter(ledger, *a), igniter(ledger, *b));
            assert!(lot == other_lot && (unit.is_none() || other_unit.is_none() || unit == other_unit), "{s:?}");
            let ms = |slot: &ShotId| {
                let v = ledger.volley(slot.volley).unwrap();
                v.volley.at.unwrap_or(v.written).unix_ms
            };
            assert!(!is_show || ms(a).abs_diff(ms(b)) <= 12 * 3_600_000, "{s:?}");
        }
    }
}

fn of_set(entries: &[Entry]) -> String {
    let mut sorted = entries.to_vec();
    sorted.sort_by_key(|e| e.id);
    let mut ledger = Ledger::new();
    sorted.iter().for_each(|e| ledger.add(e));
    ledger.settle();
    check(&ledger);
    snapshot(&ledger)
}

fn differences(a: &str, b: &str) -> String {
    let only = |x: &str, y: &str, mark: &str| -> String {
        let y: Vec<&str> = y.lines().collect();
        x.lines().filter(|line| !y.contains(line)).map(|line| format!("\n{mark} {line}")).collect()
    };
    only(a, b, "-") + &only(b, a, "+")
}

/// Adds entries in some order, some of them twice, settling between; asks each time for what the set alone gives.
fn add_in_order(entries: &[Entry], shuffled: &[Entry], settle_after: u32, again: usize) -> Result<(), TestCaseError> {
    let mut ledger = Ledger::new();
    for (i, entry) in shuffled.iter().enumerate() {
        ledger.add(entry);
        if let Some(before) = shuffled.get(again % (i + 1)) {
            ledger.add(before);
        }
        if settle_after >> i & 1 == 1 {
            ledger.settle();
            check(&ledger);
            let apart = differences(&snapshot(&ledger), &of_set(&shuffled[..=i]));
            prop_assert!(apart.is_empty(), "after {} entries: {apart}", i + 1);
        }
    }
    ledger.settle();
    let apart = differences(&snapshot(&ledger), &of_set(entries));
    prop_assert!(apart.is_empty(), "{apart}");
    ledger.judge_anew();
    let apart = differences(&snapshot(&ledger), &of_set(entries));
    prop_assert!(apart.is_empty(), "judged anew: {apart}");
    Ok(())
}

proptest! {
    #[test]
    fn order_duplicates_and_settling_between_change_nothing(
        (entries, shuffled) in a_world().prop_flat_map(|w| (Just(w.clone()), Just(w).prop_shuffle())),
        settle_after in any::<u32>(),
        again in 0..14_usize,
    ) {
        add_in_order(&entries, &shuffled, settle_after, again)?;
    }

    #[test]
    fn nor_where_a_whole_crew_writes_one_channel_of_a_show(
        (entries, shuffled) in a_show().prop_flat_map(|w| (Just(w.clone()), Just(w).prop_shuffle())),
        settle_after in any::<u32>(),
        again in 0..14_usize,
    ) {
        add_in_order(&entries, &shuffled, settle_after, again)?;
    }
}
