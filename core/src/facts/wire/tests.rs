//! Round trips, and bytes that are not entries.

use proptest::prelude::*;

use super::super::*;

fn text() -> impl Strategy<Value = String> {
    "[a-zA-Z0-9 äé-]{0,12}"
}

fn id16() -> impl Strategy<Value = [u8; 16]> {
    any::<[u8; 16]>()
}

fn moment() -> impl Strategy<Value = Moment> {
    (any::<i64>(), -1439..=1439_i16).prop_map(|(unix_ms, offset_minutes)| Moment { unix_ms, offset_minutes })
}

fn choice<T: Copy + std::fmt::Debug + 'static>(all: &'static [T]) -> impl Strategy<Value = T> {
    proptest::sample::select(all)
}

fn delay() -> impl Strategy<Value = Delay> {
    let clip = (0..9_000_u32, 0..900_u32, 1..1_000_000_u32).prop_map(|(pulse_frame, more, rate)| Delay::Clip {
        pulse_frame,
        light_frame: pulse_frame + more,
        frames_per_1000_s: rate.max(1_000),
    });
    let by_hand = (0..9_000_000_u32, 0..900_000_u32);
    prop_oneof![
        clip,
        by_hand.clone().prop_map(|(reading_us, within_us)| Delay::Stopwatch { reading_us, within_us }),
        by_hand.clone().prop_map(|(reading_us, within_us)| Delay::Detector { reading_us, within_us }),
        by_hand.prop_map(|(low_us, more)| Delay::Stated { low_us, high_us: low_us + more }),
    ]
}

fn conditions() -> impl Strategy<Value = Conditions> {
    let o = proptest::option::of::<BoxedStrategy<i16>>;
    (
        o(any::<i16>().boxed()),
        any::<Option<u16>>(),
        any::<Option<u16>>(),
        proptest::option::of(choice(Precipitation::ALL)),
    )
        .prop_map(|(t, h, w, precipitation)| Conditions {
            temperature: t.map(Temperature),
            humidity: h.map(Humidity),
            wind: w.map(WindSpeed),
            precipitation,
        })
}

fn volley() -> impl Strategy<Value = Volley> {
    let unit = prop_oneof![Just(None), Just(Some("0".to_owned())), Just(Some("007".to_owned())), text().prop_map(Some)];
    let shot = (0..3_u8, unit, any::<u8>(), proptest::option::of(0..3_u8)).prop_map(|(lot, unit, attempt, fuse)| {
        Shot { lot: LotId::from_bytes([lot; 16]), unit, attempt, fuse: fuse.map(|f| FuseId::from_bytes([f; 16])) }
    });
    let wiring = prop_oneof![
        Just(Wiring::Single),
        Just(Wiring::Series),
        Just(Wiring::Parallel),
        proptest::collection::vec(any::<u16>(), 0..4).prop_map(Wiring::SeriesParallel)
    ];
    let leads = proptest::option::of(
        (any::<u32>(), any::<u32>()).prop_map(|(l, c)| Leads { length: Length(l), cross_section: CrossSection(c) }),
    );
    (
        id16(),
        proptest::option::of(moment()),
        proptest::option::of(id16()),
        any::<Option<u16>>(),
        proptest::option::of(text()),
        wiring,
        leads,
        conditions(),
        proptest::collection::vec(shot, 0..12),
    )
        .prop_map(|(outing, at, module, channel, label, wiring, leads, conditions, shots)| Volley {
            outing: OutingId::from_bytes(outing),
            at,
            module: module.map(ModuleId::from_bytes),
            channel,
            label,
            wiring,
            leads,
            conditions,
            shots,
        })
}

fn fact_id() -> impl Strategy<Value = FactId> {
    // Entry zero is the entry under test itself, so that both forms of a reference are written.
    (0..2_u8, any::<u16>()).prop_map(|(e, place)| FactId { entry: EntryId::from_bytes([e; 16]), place })
}

fn shot_id() -> impl Strategy<Value = ShotId> {
    (fact_id(), any::<u16>()).prop_map(|(f, position)| ShotId { volley: VolleyId(f), position })
}

fn person() -> impl Strategy<Value = Option<PersonId>> {
    proptest::option::of(id16().prop_map(PersonId::from_bytes))
}

fn fact() -> impl Strategy<Value = Fact> {
    let sighting = (
        any::<u16>(),
        choice(Ignition::ALL),
        choice(Transfer::ALL),
        proptest::option::of(delay()),
        proptest::option::of(1..=5_u8),
        proptest::option::of(choice(Cause::ALL)),
        proptest::option::of(text()),
    )
        .prop_map(|(position, ignition, transfer, delay, strength, cause, note)| Sighting {
            position,
            ignition,
            transfer,
            delay,
            strength,
            cause,
            note,
        });
    let small = any::<Option<u32>>;
    prop_oneof![
        (text(), small(), small(), small(), small(), small(), proptest::option::of(text())).prop_map(
            |(name, r, n, a, s, i, source)| Fact::IgniterType(IgniterType {
                name,
                bridge_resistance: r.map(Resistance),
                no_fire_current: n.map(Current),
                all_fire_current: a.map(Current),
                series_current: s.map(Current),
                firing_impulse: i.map(Impulse),
                impulse_spread: n.map(Impulse),
                lag: a.map(Lag),
                lag_spread: r.map(Lag),
                bridge_tolerance: s.map(Resistance),
                source,
            })
        ),
        (text(), proptest::option::of(id16()), proptest::option::of(-9_000..90_000_i32), small()).prop_map(
            |(mark, t, d, count)| Fact::Lot(Lot {
                mark,
                igniter_type: t.map(TypeId::from_bytes),
                made_on: d.and_then(Date::from_days),
                use_by: d.and_then(|d| Date::from_days(d + 900)),
                count,
                storage: None,
            })
        ),
        (text(), choice(FuseKind::ALL), proptest::option::of(text()), proptest::option::of(text()))
            .prop_map(|(name, kind, sheath, coupling)| Fact::Fuse(Fuse { name, kind, sheath, coupling })),
        (text(), any::<Option<u16>>(), proptest::option::of(choice(SourceKind::ALL)), small(), small(), small())
            .prop_map(|(name, channels, source_kind, v, r, c)| Fact::Module(FiringModule {
                name,
                channels,
                source_kind,
                supply: v.map(Voltage),
                source_resistance: r.map(Resistance),
                capacitance: c.map(Capacitance),
            })),
        (text(), choice(Role::ALL)).prop_map(|(name, role)| Fact::Person(Person { name, role })),
        (id16(), text()).prop_map(|(id, name)| Fact::Device(Device { id: DeviceId::from_bytes(id), name })),
        (text(), choice(OutingKind::ALL), proptest::option::of(moment()), small(), any::<Option<u16>>()).prop_map(
            |(name, kind, begins, slow_limit_ms, wait_minutes)| Fact::Outing(Outing {
                name,
                kind,
                place: None,
                begins,
                slow_limit_ms,
                wait_minutes
            })
        ),
        volley().prop_map(Fact::Volley),
        (fact_id(), person(), proptest::collection::vec(sighting, 0..12))
            .prop_map(|(v, observer, seen)| { Fact::Sightings(Sightings { volley: VolleyId(v), observer, seen }) }),
        (
            shot_id(),
            proptest::option::of(choice(Ignition::ALL)),
            proptest::option::of(choice(Transfer::ALL)),
            proptest::option::of(choice(Cause::ALL)),
            text(),
            person()
        )
            .prop_map(|(shot, ignition, transfer, cause, reason, by)| Fact::Ruling(Ruling {
                shot,
                ignition,
                transfer,
                cause,
                reason,
                by
            })),
        (fact_id(), fact_id(), any::<bool>(), person()).prop_map(|(a, b, same, by)| Fact::Match(Match {
            first: VolleyId(a),
            second: VolleyId(b),
            same,
            by
        })),
        (proptest::collection::vec(shot_id(), 0..4), person(), proptest::option::of(moment()))
            .prop_map(|(shots, by, at)| Fact::MadeSafe(MadeSafe { shots, by, at, how: None })),
        (id16(), moment(), conditions(), proptest::option::of(text())).prop_map(|(o, at, conditions, source)| {
            Fact::Reading(Reading { outing: OutingId::from_bytes(o), at, conditions, source })
        }),
        (shot_id(), small(), moment(), proptest::option::of(text()), person()).prop_map(
            |(shot, milliohm, at, instrument, by)| Fact::BridgeReading(BridgeReading {
                shot,
                bridge: milliohm.map_or(Bridge::Open, |v| Bridge::Measured(Resistance(v))),
                at,
                instrument,
                by,
            })
        ),
        (fact_id(), text()).prop_map(|(fact, reason)| Fact::Withdrawal(Withdrawal { fact, reason })),
        crew_fact(),
    ]
}

fn crew_fact() -> impl Strategy<Value = Fact> {
    let key = any::<[u8; 32]>;
    let after = || proptest::collection::vec(fact_id(), 0..3);
    let held = || {
        proptest::collection::btree_set((id16(), id16()), 0..4).prop_map(|set| {
            let held = |(entry, hash): ([u8; 16], [u8; 16])| Held { entry: EntryId::from_bytes(entry), hash };
            set.into_iter().map(held).collect::<Vec<_>>()
        })
    };
    let known = proptest::collection::btree_set(id16(), 0..4);
    prop_oneof![
        (key(), text()).prop_map(|(key, name)| Fact::Founding(Founding { key, name })),
        (key(), choice(Role::ALL), moment(), after())
            .prop_map(|(key, role, until, after)| Fact::Invitation(Invitation { key, role, until, after })),
        (key(), key(), any::<[u8; 64]>(), after()).prop_map(|(key, invitation, proof, after)| Fact::Joining(Joining {
            key,
            invitation,
            proof,
            after
        })),
        (id16(), proptest::option::of(key()), proptest::option::of(choice(Role::ALL)), text(), known, after())
            .prop_map(|(device, key, role, reason, known, after)| Fact::Standing(Standing {
                device: DeviceId::from_bytes(device),
                key,
                role,
                reason,
                known: known.into_iter().map(EntryId::from_bytes).collect(),
                after
            })),
        (text(), after()).prop_map(|(reason, after)| Fact::Leaving(Leaving { reason, known: Vec::new(), after })),
        (id16(), held(), any::<u32>(), key()).prop_map(|(outing, held, count, digest)| Fact::Seal(Seal {
            outing: OutingId::from_bytes(outing),
            held,
            count,
            digest
        })),
        (held(), text()).prop_map(|(held, reason)| Fact::Vouching(Vouching { held, reason })),
        (id16(), proptest::option::of(text())).prop_map(|(person, reason)| {
            Fact::Forgotten(Forgotten { person: PersonId::from_bytes(person), reason })
        }),
    ]
}

fn entry() -> impl Strategy<Value = Entry> {
    (id16(), moment(), proptest::collection::vec((fact(), proptest::option::of(fact_id())), 0..5)).prop_map(
        |(device, written, facts)| Entry {
            id: EntryId::from_bytes([0; 16]),
            device: DeviceId::from_bytes(device),
            written,
            facts: facts.into_iter().map(|(fact, replaces)| Stated { fact, replaces }).collect(),
            nth: u32::from(written.offset_minutes.unsigned_abs()),
        },
    )
}

proptest! {
    #[test]
    fn an_entry_reads_back_as_it_was_written(entry in entry()) {
        let bytes = entry.to_bytes().unwrap();
        prop_assert_eq!(Entry::from_bytes(entry.id, &bytes), Ok(entry));
    }

    /// The description is checked by a library that knows nothing of this program.
    #[test]
    fn what_is_written_is_what_the_published_cddl_describes(entry in entry()) {
        let bytes = entry.to_bytes().unwrap();
        prop_assert!(cddl_cat::validate_cbor_bytes("entry", CDDL, &bytes).is_ok(), "{:02x?}", bytes);
    }

    #[test]
    fn damaged_bytes_are_refused_or_read_but_never_panic(entry in entry(), at in any::<usize>(), bit in 0..8_u8) {
        let mut bytes = entry.to_bytes().unwrap();
        let at = at % bytes.len();
        bytes[at] ^= 1 << bit;
        let _ = Entry::from_bytes(entry.id, &bytes);
        bytes.truncate(at);
        prop_assert!(Entry::from_bytes(entry.id, &bytes).is_err(), "a cut entry is refused");
    }

    #[test]
    fn any_bytes_are_refused_or_read_but_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let _ = Entry::from_bytes(EntryId::from_bytes([0; 16]), &bytes);
    }
}

const SELF: EntryId = EntryId::from_bytes([0; 16]);

fn small_entry() -> Entry {
    let mut e = Entry::new(SELF, DeviceId::from_bytes([7; 16]), Moment { unix_ms: 1_000, offset_minutes: 60 });
    e.state(Fact::Person(Person { name: "Ada".into(), role: Role::Recorder }));
    e
}

#[test]
fn the_bytes_of_a_small_entry_are_these() {
    // Frozen: a change here breaks every log that was ever written.
    let hex: String = small_entry().to_bytes().unwrap().iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(hex, "a30150070707070707070707070707070707070282 1903e8183c03818205a20163416461 0201".replace(' ', ""));
}

#[test]
fn the_published_cddl_refuses_what_is_no_entry() {
    let refuses = |bytes: &[u8]| cddl_cat::validate_cbor_bytes("entry", CDDL, bytes).is_err();
    let good = small_entry().to_bytes().unwrap();
    assert!(!refuses(&good));
    assert!(refuses(&hex("a0")), "nothing in it");
    assert!(
        refuses(&good.iter().map(|b| if *b == 0x05 { 0x08 } else { *b }).collect::<Vec<_>>()),
        "a person as a volley"
    );
}

#[test]
fn fields_and_kinds_of_a_newer_version_are_skipped() {
    // {1: device, 2: [1000, 60], 3: [[5, {1: "Ada", 2: 1, 9: [1, {}]}, 0, "more"], [99, {1: 1.5}]], 8: null}
    let bytes = hex("a401500707070707070707070707070707070702821903e8183c0382\
         8405a3016341646102010982 01a0 00 646d6f7265 821863a101f93e00 08f6");
    let entry = Entry::from_bytes(SELF, &bytes).unwrap();
    assert_eq!(entry.facts[0].fact, small_entry().facts[0].fact);
    assert_eq!(entry.facts[0].replaces, Some(FactId { entry: SELF, place: 0 }));
    assert_eq!(entry.facts[1].fact, Fact::Unknown { kind: 99 });
}

#[test]
fn errors_say_where_and_what() {
    let good = small_entry().to_bytes().unwrap();
    let say = |bytes: &[u8]| Entry::from_bytes(SELF, bytes).unwrap_err().to_string();
    assert_eq!(say(&[&good[..], &[0]].concat()), "byte 38: there are bytes after the end of the entry");
    assert_eq!(say(&hex("a0")), "byte 1: the list of facts is missing");
    assert_eq!(say(&hex("a203800102")), "byte 4: map keys must ascend");
    assert_eq!(say(&hex("a1039b00ffffffffffffff")), "byte 11: a length goes beyond the end of the entry");
    assert!(matches!(Entry::from_bytes(SELF, &vec![0; MAX_ENTRY_BYTES + 1]), Err(WireError::TooLarge { .. })));
}

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<char> = text.chars().filter(|c| !c.is_whitespace()).collect();
    digits.chunks(2).map(|c| u8::from_str_radix(&c.iter().collect::<String>(), 16).unwrap()).collect()
}
