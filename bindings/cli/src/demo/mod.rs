//! The whole story on invented data: four devices log a season out of reach of one another, meet, and take stock.
//!
//! Everything is done for real, through the same library and on real files; only the world is invented. The same seed
//! gives the same output on every machine.

mod scenario;
mod serving;
mod story;
mod world;

use std::path::{Path, PathBuf};

use embertally_core::facts::{OutingId, WiringKind};
use embertally_core::ledger::{Grounds, Ledger, LiveReason, Measure};
use embertally_core::log::Log;
use embertally_core::rates::{Group, Pairing, PairingsRequest, Ranking, RatesRequest, Verdict, ranking, rates};
use embertally_core::store::Store;
use serde_json::json;

use self::scenario::{CHIEF, MARLO, PIM, SHOW, TAMSIN, TEST, date, moment};
use self::story::Season;
use self::world::{Chance, Clock, Device};
use crate::args::DemoArgs;
use crate::commands::{Context, print_disputes, print_live, print_pairings, print_rates};
use crate::error::{CliError, file_error, sentence};
use crate::output::{self, line, say};

/// The seed of the invented season.
const SEED: u64 = 20_360_314;

/// The devices: name, observer, how far the clock is off in milliseconds.
const DEVICES: [(&str, &str, i64); 4] =
    [("heron", CHIEF, 0), ("otter", MARLO, 41_000), ("newt", PIM, -75_000), ("stoat", TAMSIN, 8_000)];

/// A temporary folder that is gone at the end.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> Result<Self, CliError> {
        let path = std::env::temp_dir().join(format!("embertally-demo-{:016x}", crate::session::system_bits()));
        std::fs::create_dir(&path).map_err(|e| file_error("make the folder", &path, &e))?;
        Ok(Self(path))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        // What cannot be removed is left to the system's own cleaning.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn empty_folder(path: &Path) -> Result<(), CliError> {
    std::fs::create_dir_all(path).map_err(|e| file_error("make the folder", path, &e))?;
    let mut entries = std::fs::read_dir(path).map_err(|e| file_error("read the folder", path, &e))?;
    if entries.next().is_some() {
        return Err(CliError::refused(
            "E_NOT_EMPTY",
            format!("{} is not empty; the demo's log needs a folder of its own.", path.display()),
        ));
    }
    Ok(())
}

pub(crate) fn run(context: &Context, args: &DemoArgs) -> Result<(), CliError> {
    if let Some(keep) = &args.keep {
        empty_folder(keep)?;
    }
    let scratch = Scratch::new()?;
    let mut devices = play(&scratch.0)?;
    let counts: Vec<u64> = devices.iter().map(|d| entries(&d.log)).collect::<Result<_, _>>()?;
    let carried = meet(&mut devices)?;
    let ledgers = devices.iter_mut().map(|d| read(&mut d.log)).collect::<Result<Vec<_>, _>>()?;
    let first = ledgers.first().ok_or_else(|| CliError::refused("E_INTERNAL", "The demo has no device."))?;
    let same = agree(&ledgers)?;
    if args.serve && same {
        let mut season = Vec::new();
        if let Some(device) = devices.first_mut() {
            device.log.carry(&mut season)?;
        }
        if let (Some(keep), Some(device)) = (&args.keep, devices.first_mut()) {
            keep_log(&mut device.log, keep)?;
        }
        return serving::serve(context, &scratch.0, season, args.port);
    }
    if context.json {
        output::json(&summary(first, &counts, same)?)?;
    } else {
        tell(first, &counts, &carried, same)?;
    }
    if let (Some(keep), Some(device)) = (&args.keep, devices.first_mut()) {
        keep_log(&mut device.log, keep)?;
    } else {
        say("\nTo look around in this log yourself: embertally demo --keep DIR, then embertally --log DIR pairings.");
    }
    if same { Ok(()) } else { Err(CliError::refused("E_DEMO", "The four logs differ: that must not be.")) }
}

fn entries<S: Store>(log: &Log<S>) -> Result<u64, CliError> {
    Ok(log.list()?.iter().map(|l| l.summary.entries).sum())
}

fn read<S: Store>(log: &mut Log<S>) -> Result<Ledger, CliError> {
    let mut ledger = Ledger::new();
    log.replay(|_, entry| ledger.add(&entry))?;
    ledger.settle();
    Ok(ledger)
}

/// Plays the season; every device writes only its own log.
fn play(folder: &Path) -> Result<Vec<Device>, CliError> {
    let clock = Clock::at(&moment("2036-03-10T19:00:00+02:00")?);
    let mut seeds = Chance::new(SEED);
    let mut devices = DEVICES
        .into_iter()
        .map(|(name, observer, skew)| Device::new(folder, name, observer, &clock, skew, seeds.bits()))
        .collect::<Result<Vec<_>, _>>()?;
    let mut season = Season::new(&mut devices, &clock, SEED);
    season.prepare()?;
    season.test()?;
    season.show()?;
    season.rule_on_a_failure()?;
    Ok(devices)
}

/// Everybody hands everybody a carry file, each in another order; returns the sizes of the first round's files.
fn meet(devices: &mut [Device]) -> Result<Vec<usize>, CliError> {
    let mut sizes = Vec::new();
    for (from, to) in [(3, 1), (2, 0), (1, 2), (0, 3), (3, 2), (2, 1), (1, 0), (0, 3), (3, 1), (1, 2)] {
        let mut file = Vec::new();
        let carried = devices[from].log.carry(&mut file)?;
        devices[to].log.absorb(&file)?;
        sizes.push(carried.bytes);
    }
    Ok(sizes)
}

/// Tells whether all devices read the same numbers.
fn agree(ledgers: &[Ledger]) -> Result<bool, CliError> {
    let tables = ledgers
        .iter()
        .map(|ledger| {
            let table = |measure| {
                let by = vec![Group::Lot, Group::Fuse, Group::Weather];
                rates(ledger, &RatesRequest { by, measure, ..RatesRequest::default() }).map(|t| t.to_json().to_string())
            };
            Measure::ALL.iter().map(|m| table(*m)).collect::<Result<Vec<_>, _>>()
        })
        .collect::<Result<Vec<_>, _>>()
        .map_err(|e| CliError::refused("E_INTERNAL", sentence(&e.to_string())))?;
    Ok(tables.windows(2).all(|pair| pair[0] == pair[1]))
}

fn judged(ledger: &Ledger) -> Result<(PairingsRequest, Ranking), CliError> {
    let request = PairingsRequest { today: Some(date("2036-05-03")?), ..PairingsRequest::default() };
    let found = ranking(ledger, &request).map_err(|e| CliError::refused("E_INTERNAL", sentence(&e.to_string())))?;
    Ok((request, found))
}

fn summary(ledger: &Ledger, counts: &[u64], same: bool) -> Result<serde_json::Value, CliError> {
    let (_, found) = judged(ledger)?;
    Ok(json!({
        "invented": true,
        "devices": DEVICES.iter().zip(counts).map(|((name, ..), n)| json!({"name": name, "entries": n})).collect::<Vec<_>>(),
        "same_on_all_devices": same,
        "shots": ledger.columns().len(),
        "pairings": found.rows,
        "disputes": ledger.disputes().len(),
        "live": ledger.live().iter().filter(|l| l.reason != LiveReason::Unseen).count(),
        "findings": lessons(ledger, &found.rows),
    }))
}

fn heading(text: &str) -> Result<(), CliError> {
    line(&format!("\n{text}\n{}", "─".repeat(text.chars().count())))
}

fn tell(ledger: &Ledger, counts: &[u64], carried: &[usize], same: bool) -> Result<(), CliError> {
    line("INVENTED DATA: no real crew, place, maker or lot. The world is made up from a seed; the work is real.")?;
    heading("1  Four devices, out of reach of one another")?;
    for ((name, observer, skew), count) in DEVICES.iter().zip(counts) {
        line(&format!("{name:<6} kept by {observer:<7} {count:>4} entries   clock {:>+4} s off", skew / 1000))?;
    }
    line(&format!("A dry test ({TEST}) and a wet show ({SHOW}), logged with no signal."))?;

    heading("2  They meet and hand each other carry files")?;
    let all = entries_in(ledger);
    line(&format!(
        "{} hand-overs, {} to {} kB each, in a different order for everybody.",
        carried.len(),
        carried.iter().min().unwrap_or(&0) / 1000,
        carried.iter().max().unwrap_or(&0) / 1000
    ))?;
    line(&format!(
        "{} sightings of {} shots. All four logs {}.",
        all,
        ledger.columns().len(),
        if same { "now give the same numbers, to the last digit" } else { "DIFFER" }
    ))?;

    let table = |measure| {
        let by = vec![Group::Lot, Group::Fuse, Group::Weather];
        rates(ledger, &RatesRequest { by, measure, ..RatesRequest::default() })
            .map_err(|e| CliError::refused("E_INTERNAL", sentence(&e.to_string())))
    };
    heading("3  Igniters that failed, by lot, fuse and weather")?;
    print_rates(&table(Measure::Ignition)?)?;
    heading("4  Fuses that were not lit, of the igniters that fired")?;
    print_rates(&table(Measure::Transfer)?)?;
    heading("5  Pairings, worst first")?;
    let (request, found) = judged(ledger)?;
    print_pairings(&request, &found)?;
    heading("6  Where observers disagree")?;
    print_disputes(ledger, &[])?;
    heading("7  What is still live on the field")?;
    print_live(ledger, &ledger.live())?;
    heading("8  What the crew should take from it")?;
    for lesson in lessons(ledger, &found.rows) {
        line(&format!("- {lesson}"))?;
    }
    Ok(())
}

fn entries_in(ledger: &Ledger) -> usize {
    ledger.volleys().flat_map(|v| v.sightings).map(|s| s.sightings.seen.len()).sum()
}

/// What the log says, worked out from it and from nothing else.
fn lessons(ledger: &Ledger, found: &[Pairing]) -> Vec<String> {
    let named =
        |p: &Pairing| format!("{} on {}", p.lot.as_deref().unwrap_or("?"), p.fuse.as_deref().unwrap_or("no fuse"));
    let of = |verdict: Verdict| {
        found
            .iter()
            .filter(|p| p.verdict == verdict)
            .map(|p| format!("{} ({})", named(p), p.measure))
            .collect::<Vec<_>>()
    };
    let mut said = Vec::new();
    for (verdict, text) in [(Verdict::SetAside, "Set aside"), (Verdict::Restrict, "Restrict")] {
        let list = of(verdict);
        if !list.is_empty() {
            said.push(format!("{text}: {}.", list.join(", ")));
        }
    }
    let more: Vec<&Pairing> = found.iter().filter(|p| p.verdict == Verdict::TestMore).collect();
    if let Some(fewest) = more.iter().filter_map(|p| p.clean_shots_needed).min() {
        said.push(format!(
            "{} pairings are not proved either way: the nearest needs {fewest} more shots without a failure. A clean \
             dozen is no proof.",
            more.len()
        ));
    }
    let usable = of(Verdict::Use);
    if !usable.is_empty() {
        said.push(format!("The evidence supports using: {}.", usable.join(", ")));
    }
    let because = |wanted: &[Grounds]| {
        let blamed = ledger.shots().filter_map(|s| s.finding.blame.map(|b| b.grounds));
        blamed.filter(|g| wanted.contains(g)).count()
    };
    let cleared = because(&[Grounds::FiredLater, Grounds::FiredLaterAfterMate]);
    let open = because(&[Grounds::StringOpened, Grounds::StringDead]);
    if cleared + open > 0 {
        said.push(format!(
            "Broken strings: {cleared} igniters that stayed dark fired when tried again, so they were sound and are \
             booked to the circuit; {open} were never tried again and stay unresolved instead of counting as bad."
        ));
    }
    let ruled = because(&[Grounds::Ruling]);
    if ruled > 0 {
        said.push(format!(
            "{ruled} failure is booked to the circuit by a ruling, with its reason; the failure itself stays in the log."
        ));
    }
    let mixed = mixed_strings(ledger);
    if mixed > 0 {
        said.push(format!(
            "{mixed} series string mixed two igniter types and fired only in part. Do not mix types in a string: the \
             quicker pair opens the loop before the slower has its impulse."
        ));
    }
    for pairing in found.iter().filter(|p| p.past_use_by.is_some()).take(1) {
        said.push(format!(
            "Lot {} is past its use-by ({}); read its rates before its date.",
            pairing.lot.as_deref().unwrap_or("?"),
            pairing.past_use_by.as_deref().unwrap_or("?")
        ));
    }
    let live = ledger.live().iter().filter(|l| l.reason != LiveReason::Unseen).count();
    if live > 0 {
        let shots = if live == 1 { "1 shot is".to_owned() } else { format!("{live} shots are") };
        said.push(format!("{shots} still recorded as live. That comes first, before any number here."));
    }
    said
}

/// Counts series volleys of several igniter types in which some fired and some did not.
fn mixed_strings(ledger: &Ledger) -> usize {
    let series = ledger.shots().filter(|s| s.wiring == WiringKind::Series);
    let mut volleys: Vec<(embertally_core::facts::VolleyId, Vec<_>, [bool; 2])> = Vec::new();
    for shot in series {
        let igniter_type = ledger.register().lots().get(shot.lot).and_then(|l| l.value.igniter_type);
        let fired = shot.class(Measure::Ignition) == embertally_core::ledger::Class::Good;
        match volleys.iter_mut().find(|(id, ..)| *id == shot.id.volley) {
            Some((_, types, seen)) => {
                types.push(igniter_type);
                seen[usize::from(fired)] = true;
            }
            None => volleys.push((shot.id.volley, vec![igniter_type], [!fired, fired])),
        }
    }
    let is_mixed = |types: &[Option<_>]| types.iter().any(|t| *t != types[0]);
    volleys.iter().filter(|(_, types, seen)| is_mixed(types) && seen[0] && seen[1]).count()
}

/// Copies the merged log into a folder that stays.
fn keep_log<S: Store>(log: &mut Log<S>, folder: &Path) -> Result<(), CliError> {
    let mut session = crate::session::Session::open(folder)?;
    let mut file = Vec::new();
    log.carry(&mut file)?;
    session.log.absorb(&file)?;
    session.mark_invented()?;
    session.set_outing(OutingId::named(SHOW))?;
    say(&format!("\nThe merged log is kept in {}. Look around: embertally --log {0} pairings", folder.display()));
    Ok(())
}
