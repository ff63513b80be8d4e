//! The open log: its store, its ledger, its clock. What is behind the surface, and safe from any thread.
//!
//! INVARIANT: locks are taken in this order: `reading`, `log`, `ledger`, `recent`; and no callback of the shell is called
//! with one held.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};

use embertally_core::crew::DeviceKey;
use embertally_core::facts::{DeviceId, Entry, EntryId, Moment, OutingId, PersonId, Role};
use embertally_core::ledger::{Ledger, LiveChanges};
use embertally_core::log::{Home, KeptApart, Log, Problem};
use embertally_core::store::{Store, Write};
use embertally_store_sqlite::SqliteStore;

use crate::callbacks::{Clock, KeyStore};
use crate::crier::Crier;
use crate::error::EmbertallyError;
use crate::hands::Hands;
use crate::keys;
use crate::meeting::Sync;
use crate::random::Random;

pub(crate) type Result<T> = std::result::Result<T, EmbertallyError>;
pub(crate) type SqliteLog = Log<SqliteStore>;

/// Takes a lock; what a panic left behind is read anew, so it is no reason to stop.
pub(crate) fn held<T>(lock: &Mutex<T>) -> MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What of the log could not be read, or does not count.
#[derive(Default)]
pub(crate) struct Health {
    pub(crate) problems: Vec<String>,
    pub(crate) apart: Vec<KeptApart>,
}

pub(crate) struct Desk {
    folder: PathBuf,
    pub(crate) device: DeviceId,
    seed: Option<[u8; 32]>,
    read_only: bool,
    clock: Option<Arc<dyn Clock>>,
    pub(crate) random: Random,
    reading: Mutex<()>,
    log: Mutex<SqliteLog>,
    ledger: RwLock<Ledger>,
    /// Entries written while the log is read anew beside; none: it is not.
    recent: Mutex<Option<Vec<Entry>>>,
    stale: AtomicBool,
    /// How many shots came onto the live list and left it, over all readings anew.
    live_new: AtomicU64,
    live_gone: AtomicU64,
    pub(crate) health: Mutex<Health>,
    pub(crate) crier: Arc<Crier>,
    pub(crate) sync: Mutex<Sync>,
    /// Threads that may be calling the shell back.
    pub(crate) hands: Hands,
}

fn time(clock: Option<&Arc<dyn Clock>>) -> Result<Moment> {
    if let Some(clock) = clock {
        return Ok(clock.now()?.into());
    }
    let now = chrono::Local::now();
    Ok(Moment { unix_ms: now.timestamp_millis(), offset_minutes: (now.offset().local_minus_utc() / 60) as i16 })
}

impl Desk {
    pub(crate) fn open(
        folder: &str,
        passphrase: Option<&str>,
        clock: Option<Arc<dyn Clock>>,
        keys: Option<&Arc<dyn KeyStore>>,
    ) -> Result<Arc<Self>> {
        let (folder, random) = (PathBuf::from(folder), Random::of_system()?);
        let now = time(clock.as_ref())?;
        // Where nothing can be written a copy is read: what is live must be readable on a full disk too.
        let (store, read_only) = match SqliteStore::open(&folder) {
            Ok(store) => (store, false),
            Err(error) if ["E_STORE_FULL", "E_STORE_READ_ONLY"].contains(&error.code()) => {
                (SqliteStore::open_to_read(&folder).map_err(|_| error)?, true)
            }
            Err(error) => return Err(error.into()),
        };
        let key = keys::open(&folder, keys, passphrase, now.unix_ms, &random, read_only)?;
        let seed = key.key.as_ref().map(DeviceKey::seed);
        let log = Self::log_over(store, key.device, seed, &random);
        let crier = Crier::new();
        let desk = Arc::new(Self {
            folder,
            device: key.device,
            seed,
            read_only,
            clock,
            random,
            reading: Mutex::default(),
            log: Mutex::new(log),
            ledger: RwLock::new(Ledger::new()),
            recent: Mutex::default(),
            stale: AtomicBool::new(false),
            live_new: AtomicU64::new(0),
            live_gone: AtomicU64::new(0),
            health: Mutex::default(),
            crier,
            sync: Mutex::default(),
            hands: Hands::default(),
        });
        let read = desk.replace_ledger(&mut desk.log());
        read?;
        desk.crier.begin(&desk)?;
        Ok(desk)
    }

    fn log_over(store: SqliteStore, device: DeviceId, seed: Option<[u8; 32]>, random: &Random) -> SqliteLog {
        let mut log = Log::open(store, random.bits());
        match seed {
            Some(seed) => log.sign_with(DeviceKey::from_seed(&seed), device),
            None => log.lock(),
        }
        log
    }

    /// Opens the same log once more, for work that must not keep others waiting.
    pub(crate) fn another(&self) -> Result<SqliteLog> {
        let open = if self.read_only { SqliteStore::open_to_read } else { SqliteStore::open };
        Ok(Self::log_over(open(&self.folder)?, self.device, self.seed, &self.random))
    }

    pub(crate) fn folder(&self) -> &Path {
        &self.folder
    }

    pub(crate) fn now(&self) -> Result<Moment> {
        time(self.clock.as_ref())
    }

    pub(crate) fn log(&self) -> MutexGuard<'_, SqliteLog> {
        held(&self.log)
    }

    /// After a panic nothing in memory is relied on.
    pub(crate) fn distrust(&self) {
        self.stale.store(true, Ordering::Release);
        if let Ok(log) = self.another() {
            *held(&self.log) = log;
        }
    }

    /// Shows the ledger, read anew first if it has to be.
    pub(crate) fn read<T>(&self, look: impl FnOnce(&Ledger) -> T) -> Result<T> {
        if self.stale.swap(false, Ordering::AcqRel) {
            self.read_anew()?;
        }
        Ok(look(&self.ledger.read().unwrap_or_else(PoisonError::into_inner)))
    }

    /// Returns how many shots came onto the live list and left it so far, other than by what was written here.
    pub(crate) fn live_so_far(&self) -> (u64, u64) {
        (self.live_new.load(Ordering::Acquire), self.live_gone.load(Ordering::Acquire))
    }

    /// Reads the whole log into a new ledger, beside the one in use, and has observers told what that did to the live list:
    /// whoever reads anew first finds it, and it must not be lost.
    pub(crate) fn read_anew(&self) -> Result<()> {
        let changes = self.replace_ledger(&mut self.another()?)?;
        let (new, gone) = (changes.new as u64, changes.gone as u64);
        self.live_new.fetch_add(new, Ordering::AcqRel);
        self.live_gone.fetch_add(gone, Ordering::AcqRel);
        if new + gone > 0 {
            self.crier.brought(new, gone);
        }
        Ok(())
    }

    fn replace_ledger(&self, log: &mut SqliteLog) -> Result<LiveChanges> {
        let _one = held(&self.reading);
        *held(&self.recent) = Some(Vec::new());
        let mut fresh = Ledger::new();
        if let Err(error) = log.replay(|_, entry| fresh.add(&entry)) {
            *held(&self.recent) = None;
            self.stale.store(true, Ordering::Release);
            return Err(error.into());
        }
        fresh.settle();
        let open = log.problems().iter().filter(|p| !matches!(p, Problem::Mended { .. }));
        let health = Health { problems: open.map(ToString::to_string).collect(), apart: log.apart().to_vec() };
        *held(&self.health) = health;
        let mut ledger = self.ledger.write().unwrap_or_else(PoisonError::into_inner);
        held(&self.recent).take().into_iter().flatten().for_each(|entry| fresh.add(&entry));
        fresh.settle();
        let changes = fresh.live_changes(&ledger);
        *ledger = fresh;
        Ok(changes)
    }

    /// Begins an entry of this device.
    pub(crate) fn entry(&self, log: &SqliteLog, now: Moment) -> Entry {
        // A store that cannot be listed cannot be written to either; that is said then.
        let ms = log.next_ms(now.unix_ms).unwrap_or(now.unix_ms);
        Entry::new(EntryId::new(ms, &mut self.random.bits()), self.device, now)
    }

    /// Writes entries, all or none; when it returns they are durable and counted, each under the id that follows from what
    /// it says: see [`Entry::own`] for ids of their facts that were taken before.
    pub(crate) fn write(&self, log: &mut SqliteLog, entries: &mut [(Home, Entry)]) -> Result<()> {
        for (_, entry) in entries.iter_mut() {
            entry.name_by_content().map_err(|e| EmbertallyError::refused("E_LOG_ENTRY", crate::error::sentence(&e)))?;
        }
        log.write_all(entries)?;
        let counts = match log.crew()? {
            None => true,
            Some(_) => {
                log.members()?.is_some_and(|r| matches!(r.role(self.device), Some(Role::Chief | Role::Recorder)))
            }
        };
        if counts {
            let mut ledger = self.ledger.write().unwrap_or_else(PoisonError::into_inner);
            if let Some(recent) = &mut *held(&self.recent) {
                recent.extend(entries.iter().map(|(_, entry)| entry.clone()));
            }
            entries.iter().for_each(|(_, entry)| ledger.add(entry));
            ledger.settle();
        } else {
            self.stale.store(true, Ordering::Release);
        }
        let register = entries.iter().any(|(home, _)| !matches!(home, Home::Outing(_)));
        let shots = entries.iter().any(|(home, _)| matches!(home, Home::Outing(_)));
        self.crier.changed(register, shots);
        Ok(())
    }

    /// Has the ledger read anew before it is next looked at: who counts has changed.
    pub(crate) fn recount(&self) {
        self.stale.store(true, Ordering::Release);
        self.crier.changed(true, true);
    }

    pub(crate) fn kept(log: &SqliteLog, key: &str) -> Result<Option<Vec<u8>>> {
        Ok(log.store().kept(key)?.filter(|bytes| !bytes.is_empty()))
    }

    pub(crate) fn keep(log: &mut SqliteLog, key: &str, value: &[u8]) -> Result<()> {
        log.store_mut().commit(&[Write::Keep { key: key.to_owned(), value: value.to_vec() }])?;
        Ok(())
    }

    pub(crate) fn current_outing(log: &SqliteLog) -> Result<Option<OutingId>> {
        Ok(Self::kept(log, "outing")?.and_then(|b| b.try_into().ok()).map(OutingId::from_bytes))
    }

    /// Nobody, if their name was forgotten: whoever holds the device now may be somebody else.
    pub(crate) fn observer(log: &SqliteLog) -> Result<Option<PersonId>> {
        let kept = Self::kept(log, "observer")?.and_then(|b| b.try_into().ok()).map(PersonId::from_bytes);
        Ok(match kept {
            Some(person) if log.is_forgotten(person)? => None,
            other => other,
        })
    }

    /// Ends what runs beside.
    pub(crate) fn close(&self) {
        held(&self.sync).stop();
        self.crier.end();
        self.hands.wait();
    }
}
