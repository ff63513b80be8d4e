//! The invented season: a test on a dry day in March, a show on a wet night in May, four devices out of reach.

use embertally_core::facts::{
    Cause, Conditions, CrossSection, Delay, Fact, FuseId, Humidity, Ignition, Leads, Length, LotId, MadeSafe, ModuleId,
    OutingId, OutingKind, Precipitation, Reading, Ruling, Shot, ShotId, Sighting, Temperature, Transfer, Volley,
    VolleyId, WindSpeed, Wiring,
};
use embertally_core::log::Home;

use super::scenario::{
    BLACK_MATCH, LOTS, NORTH, QUICKMATCH, SHOW, SOUTH, TEST, TIME_FUSE, TrueLot, VISCO, leaves_unlit, moment, outing,
    people, register,
};
use super::world::{Chance, Clock, Device};
use crate::error::CliError;

/// What truly happened to one shot.
#[derive(Debug, Clone, Copy)]
struct Truth {
    ignition: Ignition,
    lit: bool,
    delay_ms: f64,
    strength: u8,
}

/// The season as it is played: the devices, the clock, and the world's own chance.
pub(super) struct Season<'a> {
    pub(super) devices: &'a mut [Device],
    pub(super) clock: &'a Clock,
    pub(super) chance: Chance,
    next_unit: [u32; LOTS.len()],
    next_label: u32,
    /// The first unit that failed a second time, alone.
    failed_twice: Option<(ShotId, OutingId)>,
    /// What the test has left live so far.
    left: Vec<ShotId>,
}

const ORLA: usize = 0;
const MARLO: usize = 1;
const PIM: usize = 2;
const TAMSIN: usize = 3;

/// One volley as it stands on the field.
struct Field<'a> {
    outing: OutingId,
    module: &'static str,
    channel: u16,
    wiring: Wiring,
    fuse: Option<&'static str>,
    shots: &'a [Shot],
    truths: &'a [Truth],
}

impl<'a> Season<'a> {
    pub(super) fn new(devices: &'a mut [Device], clock: &'a Clock, seed: u64) -> Self {
        Self {
            devices,
            clock,
            chance: Chance::new(seed),
            next_unit: [1; LOTS.len()],
            next_label: 1,
            failed_twice: None,
            left: Vec::new(),
        }
    }

    /// Lets the chief write the register and the two outings; the others are handed them before they part.
    pub(super) fn prepare(&mut self) -> Result<(), CliError> {
        let chief = &mut self.devices[ORLA];
        chief.state(Home::Register, register()?)?;
        for person in people() {
            chief.state(Home::Person(person.id()), vec![Fact::Person(person)])?;
        }
        for device in 0..self.devices.len() {
            let (id, name) = (self.devices[device].id, self.devices[device].name.to_owned());
            let fact = Fact::Device(embertally_core::facts::Device { id, name });
            self.devices[device].state(Home::Register, vec![fact])?;
        }
        for (name, kind, begins) in [
            (TEST, OutingKind::Test, "2036-03-14T10:00:00+02:00"),
            (SHOW, OutingKind::Show, "2036-05-02T21:30:00+02:00"),
        ] {
            let outing = outing(name, kind, begins)?;
            self.devices[ORLA].state(Home::Outing(outing.id()), vec![Fact::Outing(outing)])?;
        }
        let mut file = Vec::new();
        self.devices[ORLA].log.carry(&mut file)?;
        for device in &mut self.devices[1..] {
            device.log.absorb(&file)?;
        }
        Ok(())
    }

    /// Fires one igniter that gets its full pulse.
    fn fire(&mut self, lot: &TrueLot, fuse: Option<&str>, wet: bool) -> Truth {
        let failed = self.chance.happens(lot.fails);
        let slow = self.chance.happens(lot.slow);
        let delay_ms = if slow { 180.0 + 160.0 * self.chance.share() } else { 18.0 + 40.0 * self.chance.share() };
        let lit = !failed && fuse.is_some_and(|f| !self.chance.happens(leaves_unlit(lot, f, wet)));
        let ignition = match (failed, slow) {
            (true, _) => Ignition::Failed,
            (false, true) => Ignition::Slow,
            (false, false) => Ignition::Fired,
        };
        let spread = self.chance.between(0, 2) as u8;
        Truth { ignition, lit, delay_ms, strength: (lot.strength + spread).saturating_sub(1).clamp(1, 5) }
    }

    fn dud(lot: &TrueLot) -> Truth {
        Truth { ignition: Ignition::Failed, lit: false, delay_ms: 0.0, strength: lot.strength }
    }

    fn units(&mut self, lot: usize, count: u32, fuse: Option<&str>) -> Vec<Shot> {
        let first = self.next_unit[lot];
        self.next_unit[lot] += count;
        let shot = |unit: u32| Shot {
            lot: LotId::named(LOTS[lot].mark),
            unit: Some(unit.to_string()),
            attempt: 1,
            fuse: fuse.map(FuseId::named),
        };
        (first..first + count).map(shot).collect()
    }

    /// Has one device log a volley, with a clip of 120 frames a second or by eye.
    fn log(&mut self, device: usize, field: &Field<'_>, by_clip: bool) -> Result<VolleyId, CliError> {
        let seen = |(i, truth): (usize, &Truth)| {
            let fired = matches!(truth.ignition, Ignition::Fired | Ignition::Slow);
            let frames = (truth.delay_ms * 0.12).round() as u32;
            // By eye nobody tells 20 ms from 60, and a hang fire of a third of a second is plain.
            let by_eye = if truth.delay_ms > 250.0 { Ignition::Slow } else { Ignition::Fired };
            Sighting {
                position: i as u16 + 1,
                ignition: if fired && !by_clip { by_eye } else { truth.ignition },
                transfer: match (field.fuse, truth.lit) {
                    (None, _) => Transfer::NoFuse,
                    (Some(_), true) => Transfer::Lit,
                    (Some(_), false) => Transfer::Unlit,
                },
                delay: (fired && by_clip).then(|| Delay::from_clip(30, 30 + frames, 120_000).ok()).flatten(),
                strength: (fired && by_clip).then_some(truth.strength),
                cause: None,
                note: None,
            }
        };
        let seen: Vec<Sighting> = field.truths.iter().enumerate().map(seen).collect();
        self.log_as(device, field, seen)
    }

    fn log_as(&mut self, device: usize, field: &Field<'_>, seen: Vec<Sighting>) -> Result<VolleyId, CliError> {
        let volley = Volley {
            outing: field.outing,
            at: Some(self.clock.now()),
            module: Some(ModuleId::named(field.module)),
            channel: Some(field.channel),
            label: Some(format!("{}{}", if field.module == NORTH { "N" } else { "S" }, self.next_label)),
            wiring: field.wiring.clone(),
            leads: Some(Leads { length: Length(12_000), cross_section: CrossSection(500) }),
            conditions: Conditions::default(),
            shots: field.shots.to_vec(),
        };
        self.devices[device].volley(field.outing, volley, seen)
    }

    /// Plays one volley: the first device logs it from a clip, the second, if any, by eye.
    fn play(&mut self, field: &Field<'_>, devices: &[usize]) -> Result<Vec<VolleyId>, CliError> {
        self.clock.pass(95);
        let ids = devices.iter().enumerate().map(|(n, device)| self.log(*device, field, n == 0)).collect();
        self.next_label += 1;
        ids
    }

    fn weather(&mut self, outing: OutingId, readings: &[(&str, i16, u16, u16, Precipitation)]) -> Result<(), CliError> {
        for (at, temperature, humidity, wind, precipitation) in readings {
            let reading = Reading {
                outing,
                at: moment(at)?,
                conditions: Conditions {
                    temperature: Some(Temperature(*temperature)),
                    humidity: Some(Humidity(*humidity)),
                    wind: Some(WindSpeed(*wind)),
                    precipitation: Some(*precipitation),
                },
                source: Some("hand-held, invented".to_owned()),
            };
            self.devices[ORLA].state(Home::Outing(outing), vec![Fact::Reading(reading)])?;
        }
        Ok(())
    }

    /// The test: every lot on the fuses that it is meant for, at two stations that cannot see each other.
    pub(super) fn test(&mut self) -> Result<(), CliError> {
        let id = OutingId::named(TEST);
        self.clock.set(&moment("2036-03-14T10:00:00+02:00")?);
        self.weather(
            id,
            &[
                ("2036-03-14T10:00:00+02:00", 940, 610, 210, Precipitation::Dry),
                ("2036-03-14T11:20:00+02:00", 1_180, 550, 260, Precipitation::Dry),
                ("2036-03-14T12:40:00+02:00", 1_310, 520, 310, Precipitation::Dry),
                ("2036-03-14T14:00:00+02:00", 1_240, 540, 340, Precipitation::Dry),
            ],
        )?;
        self.disputed_shot(id)?;
        self.broken_string(id)?;
        self.mixed_string(id)?;
        for (lot, fuse) in (0..LOTS.len()).flat_map(|l| [QUICKMATCH, VISCO, TIME_FUSE, BLACK_MATCH].map(|f| (l, f))) {
            // The north station takes the even lots, the south station the odd ones; both log on two devices at times.
            let (module, pair) = if lot % 2 == 0 { (NORTH, [ORLA, MARLO]) } else { (SOUTH, [PIM, TAMSIN]) };
            for channel in 1..=3_u16 {
                let shots = self.units(lot, 4, Some(fuse));
                let truths: Vec<_> = (0..4).map(|_| self.fire(&LOTS[lot], Some(fuse), false)).collect();
                let wiring = Wiring::Parallel;
                let field =
                    Field { outing: id, module, channel, wiring, fuse: Some(fuse), shots: &shots, truths: &truths };
                let seen_by = if channel == 1 { &pair[..] } else { &pair[usize::from(channel == 3)..][..1] };
                let ids = self.play(&field, seen_by)?;
                self.note_live(&field, &ids);
                self.try_again(&field, pair[0])?;
            }
        }
        // After the waiting time the chief walks both stations, and writes down what was made safe.
        self.clock.pass(35 * 60);
        let shots = std::mem::take(&mut self.left);
        self.made_safe(id, shots, "taken down and soaked")
    }

    /// Keeps what a volley left live: its shots by the first device's id.
    fn note_live(&mut self, field: &Field<'_>, ids: &[VolleyId]) {
        let Some(volley) = ids.first() else { return };
        let unlit = (1..).zip(field.truths).filter(|(_, t)| !t.lit);
        self.left.extend(unlit.map(|(position, _)| ShotId { volley: *volley, position }));
    }

    fn made_safe(&mut self, id: OutingId, shots: Vec<ShotId>, how: &str) -> Result<(), CliError> {
        let (by, at) = (Some(self.devices[ORLA].observer()), Some(self.clock.now()));
        let how = Some(how.to_owned());
        self.devices[ORLA].state(Home::Outing(id), vec![Fact::MadeSafe(MadeSafe { shots, by, at, how })])
    }

    /// Units that failed are tried once more, each alone: those that fail again are bad, the others were not.
    fn try_again(&mut self, field: &Field<'_>, device: usize) -> Result<(), CliError> {
        for (shot, truth) in field.shots.iter().zip(field.truths) {
            if truth.ignition == Ignition::Failed {
                let shots = [Shot { attempt: 2, ..shot.clone() }];
                let truths = [*truth];
                let ids = self.play(
                    &Field {
                        outing: field.outing,
                        module: field.module,
                        channel: 16,
                        wiring: Wiring::Single,
                        fuse: field.fuse,
                        shots: &shots,
                        truths: &truths,
                    },
                    &[device],
                )?;
                self.left.extend(ids.first().map(|volley| ShotId { volley: *volley, position: 1 }));
                if let (None, Some(volley)) = (self.failed_twice, ids.first()) {
                    self.failed_twice = Some((ShotId { volley: *volley, position: 1 }, field.outing));
                }
            }
        }
        Ok(())
    }

    /// Two people watch one shot and see two things.
    fn disputed_shot(&mut self, id: OutingId) -> Result<(), CliError> {
        let shots = self.units(4, 1, Some(TIME_FUSE));
        let truths = [Truth { ignition: Ignition::Fired, lit: false, delay_ms: 44.0, strength: 1 }];
        let field = Field {
            outing: id,
            module: SOUTH,
            channel: 9,
            wiring: Wiring::Single,
            fuse: Some(TIME_FUSE),
            shots: &shots,
            truths: &truths,
        };
        self.clock.pass(60);
        let saw = |ignition, note: &str| Sighting {
            position: 1,
            ignition,
            transfer: Transfer::Unlit,
            delay: None,
            strength: None,
            cause: None,
            note: Some(note.to_owned()),
        };
        let id = self.log_as(PIM, &field, vec![saw(Ignition::Fired, "a short spark, then nothing")])?;
        self.left.push(ShotId { volley: id, position: 1 });
        self.log_as(TAMSIN, &field, vec![saw(Ignition::Failed, "saw no light at all")])?;
        self.next_label += 1;
        Ok(())
    }

    /// A series string of eight: the quickest opens the loop, seven stay dark, and five of them fire alone later.
    fn broken_string(&mut self, id: OutingId) -> Result<(), CliError> {
        let lot = &LOTS[1];
        let shots = self.units(1, 8, Some(QUICKMATCH));
        let mut truths = vec![Self::dud(lot); 8];
        truths[2] = Truth { ignition: Ignition::Fired, lit: true, delay_ms: 24.0, strength: 4 };
        let field = Field {
            outing: id,
            module: SOUTH,
            channel: 5,
            wiring: Wiring::Series,
            fuse: Some(QUICKMATCH),
            shots: &shots,
            truths: &truths,
        };
        let ids = self.play(&field, &[PIM, TAMSIN])?;
        self.left.extend(ids.first().into_iter().flat_map(|v| [7, 8].map(|position| ShotId { volley: *v, position })));
        for shot in shots.iter().enumerate().filter(|(i, _)| *i != 2).map(|(_, s)| s).take(5) {
            let again = [Shot { attempt: 2, ..shot.clone() }];
            let fired = [Truth { ignition: Ignition::Fired, lit: true, delay_ms: 27.0, strength: 4 }];
            self.play(&Field { wiring: Wiring::Single, channel: 6, shots: &again, truths: &fired, ..field }, &[PIM])?;
        }
        Ok(())
    }

    /// Two types in one string: the quicker pair fires and opens the loop; the slower pair fires in parallel later.
    fn mixed_string(&mut self, id: OutingId) -> Result<(), CliError> {
        let shots = [self.units(0, 2, Some(QUICKMATCH)), self.units(3, 2, Some(QUICKMATCH))].concat();
        let fired = Truth { ignition: Ignition::Fired, lit: true, delay_ms: 26.0, strength: 4 };
        let truths = [fired, fired, Self::dud(&LOTS[3]), Self::dud(&LOTS[3])];
        let field = Field {
            outing: id,
            module: NORTH,
            channel: 7,
            wiring: Wiring::Series,
            fuse: Some(QUICKMATCH),
            shots: &shots,
            truths: &truths,
        };
        self.play(&field, &[ORLA, MARLO])?;
        let again: Vec<Shot> = shots[2..].iter().map(|s| Shot { attempt: 2, ..s.clone() }).collect();
        let truths = [Truth { delay_ms: 41.0, strength: 3, ..fired }; 2];
        let parallel = Field { wiring: Wiring::Parallel, channel: 8, shots: &again, truths: &truths, ..field };
        self.play(&parallel, &[MARLO])?;
        Ok(())
    }

    /// The show in the rain: channels of up to six, each side logged on two devices.
    pub(super) fn show(&mut self) -> Result<(), CliError> {
        let id = OutingId::named(SHOW);
        self.clock.set(&moment("2036-05-02T21:30:00+02:00")?);
        self.weather(
            id,
            &[
                ("2036-05-02T21:15:00+02:00", 760, 880, 420, Precipitation::Drizzle),
                ("2036-05-02T21:50:00+02:00", 690, 930, 530, Precipitation::Rain),
            ],
        )?;
        let plan = [
            (0, QUICKMATCH),
            (1, QUICKMATCH),
            (3, QUICKMATCH),
            (4, VISCO),
            (5, TIME_FUSE),
            (0, BLACK_MATCH),
            (1, VISCO),
            (3, BLACK_MATCH),
            (5, VISCO),
            (2, QUICKMATCH),
            (4, TIME_FUSE),
            (1, BLACK_MATCH),
        ];
        let mut unlit = Vec::new();
        for (n, (lot, fuse)) in plan.into_iter().cycle().take(24).enumerate() {
            let shots = self.units(lot, 5, Some(fuse));
            let truths: Vec<_> = (0..5).map(|_| self.fire(&LOTS[lot], Some(fuse), true)).collect();
            let (module, pair) = if n % 2 == 0 { (NORTH, [ORLA, MARLO]) } else { (SOUTH, [PIM, TAMSIN]) };
            let field = Field {
                outing: id,
                module,
                channel: n as u16 / 2 + 1,
                wiring: Wiring::Parallel,
                fuse: Some(fuse),
                shots: &shots,
                truths: &truths,
            };
            let ids = self.play(&field, &pair)?;
            let volley = ids[0];
            unlit
                .extend(truths.iter().enumerate().filter(|(_, t)| !t.lit).map(|(i, _)| (module, volley, i as u16 + 1)));
        }
        self.after_the_show(id, &unlit)
    }

    /// After the waiting time the chief makes safe what the north side left; the south side is still to do.
    fn after_the_show(&mut self, id: OutingId, unlit: &[(&str, VolleyId, u16)]) -> Result<(), CliError> {
        self.clock.pass(45 * 60);
        let shots: Vec<ShotId> = unlit
            .iter()
            .filter(|(module, ..)| *module == NORTH)
            .map(|(_, volley, position)| ShotId { volley: *volley, position: *position })
            .collect();
        self.made_safe(id, shots, "cut back and soaked")
    }

    /// Back at the boathouse the chief finds a cracked clip on one unit that failed twice, and rules on it.
    pub(super) fn rule_on_a_failure(&mut self) -> Result<(), CliError> {
        let Some((shot, outing)) = self.failed_twice else { return Ok(()) };
        self.clock.pass(3_600);
        let ruling = Ruling {
            shot,
            ignition: None,
            transfer: None,
            cause: Some(Cause::Wiring),
            reason: "the clip on this channel was cracked; the bridge measures sound".to_owned(),
            by: Some(self.devices[ORLA].observer()),
        };
        self.devices[ORLA].state(Home::Outing(outing), vec![Fact::Ruling(ruling)])
    }
}
