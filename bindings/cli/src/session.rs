//! An open log on this device: its folder, its identity, its clock.

use std::path::{Path, PathBuf};

use chrono::Local;
use embertally_core::facts::{DeviceId, DocumentId, Entry, EntryId, Moment, OutingId, PersonId, Role};
use embertally_core::ledger::Ledger;
use embertally_core::log::{Home, Log, Problem, Written};
use embertally_core::store::{Store, Write};
use embertally_store_sqlite::SqliteStore;

use crate::error::{CliError, sentence};
use crate::keys::{self, Keys};
use crate::output::{counted, say};

/// Random bits from the system.
///
/// Without them no id is safe, so a system that has none stops the tool before anything is written.
pub(crate) fn system_bits() -> u64 {
    let mut bytes = [0; 8];
    if let Err(e) = getrandom::fill(&mut bytes) {
        say(&format!("This system gives no random bits ({e}); nothing was written."));
        std::process::exit(1);
    }
    u64::from_ne_bytes(bytes)
}

/// Returns the time by this device's clock, with its offset from UTC.
pub(crate) fn now() -> Moment {
    let now = Local::now();
    Moment { unix_ms: now.timestamp_millis(), offset_minutes: (now.offset().local_minus_utc() / 60) as i16 }
}

/// Returns the time as people read it.
pub(crate) fn readable(moment: Moment) -> String {
    let offset = chrono::FixedOffset::east_opt(i32::from(moment.offset_minutes) * 60);
    let time = chrono::DateTime::from_timestamp_millis(moment.unix_ms);
    match (offset, time) {
        (Some(offset), Some(time)) => time.with_timezone(&offset).format("%-d %B %Y, %H:%M").to_string(),
        _ => moment.to_string(),
    }
}

/// Gives an entry the id that follows from what it says.
fn named(entry: &mut Entry) -> Result<(), CliError> {
    entry.name_by_content().map_err(|e| CliError::refused("E_LOG_ENTRY", sentence(&e.to_string())))
}

/// The log of this device, opened.
pub(crate) struct Session {
    pub(crate) log: Log<SqliteStore>,
    pub(crate) device: DeviceId,
    folder: PathBuf,
}

impl Session {
    /// Opens the log in a folder; makes both if they are not there.
    pub(crate) fn open(folder: &Path) -> Result<Self, CliError> {
        Self::over(SqliteStore::open(folder)?, folder)
    }

    /// Opens the log in a folder to read it. Where nothing can be written, a copy is read: what is live must be readable
    /// on a full disk too.
    pub(crate) fn open_to_read(folder: &Path) -> Result<Self, CliError> {
        let error = match Self::open(folder) {
            Err(error) if ["E_STORE_FULL", "E_STORE_READ_ONLY"].contains(&error.code()) => error,
            opened => return opened,
        };
        let Ok(store) = SqliteStore::open_to_read(folder) else { return Err(error) };
        say(
            "Nothing can be written to the log now (a full disk or a read-only folder). It is read from a copy; nothing \
             new can be saved until that is mended.",
        );
        Self::over(store, folder)
    }

    fn over(store: SqliteStore, folder: &Path) -> Result<Self, CliError> {
        let mut log = Log::open(store, system_bits);
        let device = match keys::open(folder, now().unix_ms)? {
            Keys::Open(device, key) => {
                log.sign_with(*key, device);
                device
            }
            Keys::Locked(device) => {
                log.lock();
                device
            }
            // Nothing can be written here; nothing will be written under this id either.
            Keys::None => {
                log.lock();
                DeviceId::new(now().unix_ms, &mut system_bits)
            }
        };
        Ok(Self { log, device, folder: folder.to_owned() })
    }

    pub(crate) fn folder(&self) -> &Path {
        &self.folder
    }

    /// Begins an entry of this device, now.
    pub(crate) fn entry(&self) -> Entry {
        let now = now();
        // A store that cannot be listed cannot be written to either; that is said then.
        let ms = self.log.next_ms(now.unix_ms).unwrap_or(now.unix_ms);
        Entry::new(EntryId::new(ms, &mut system_bits), self.device, now)
    }

    /// Writes an entry to the home that its facts name.
    pub(crate) fn write(&mut self, entry: &mut Entry) -> Result<Written, CliError> {
        let home = Home::of(entry)
            .ok_or_else(|| CliError::refused("E_INTERNAL", "An entry without a home; nothing was written."))?;
        self.write_to(home, entry)
    }

    /// Writes an entry, which then has the id that follows from what it says: see [`Entry::own`] for ids of its facts that
    /// were taken before.
    pub(crate) fn write_to(&mut self, home: Home, entry: &mut Entry) -> Result<Written, CliError> {
        named(entry)?;
        Ok(self.log.write(home, entry)?)
    }

    /// The same of several, all or none.
    pub(crate) fn write_all(&mut self, entries: &mut [(Home, Entry)]) -> Result<Written, CliError> {
        entries.iter_mut().try_for_each(|(_, entry)| named(entry))?;
        Ok(self.log.write_all(entries)?)
    }

    /// Says what this device's part in its crew keeps it from: what it logs would count with nobody.
    pub(crate) fn warn_of_standing(&mut self) -> Result<(), CliError> {
        let Some(roster) = self.log.roster()? else { return Ok(()) };
        let role = roster.role(self.device);
        if !matches!(role, Some(Role::Chief | Role::Recorder)) {
            let is = role.map_or_else(|| "no member of the crew".to_owned(), |r| format!("a {r}'s"));
            say(&format!(
                "This device is {is}: what it logs is kept, and kept apart. It counts with nobody, and stands on no live \
                 list but in what `embertally apart` shows, until a chief lets it in or vouches for it."
            ));
        }
        Ok(())
    }

    /// Reads the whole log into a ledger, and says what could not be read.
    pub(crate) fn ledger(&mut self) -> Result<Ledger, CliError> {
        self.ledger_and(|_, _| ())
    }

    /// Reads the whole log into a ledger, and shows each entry as it goes by.
    pub(crate) fn ledger_and(&mut self, mut each: impl FnMut(DocumentId, &Entry)) -> Result<Ledger, CliError> {
        let mut ledger = Ledger::new();
        self.log.replay(|document, entry| {
            each(document, &entry);
            ledger.add(&entry);
        })?;
        ledger.settle();
        self.tell_problems();
        Ok(ledger)
    }

    /// Reads the register with its people, and one outing if one is named: enough to log, however long the log is.
    pub(crate) fn register_ledger(&mut self, outing: Option<OutingId>) -> Result<Ledger, CliError> {
        let mut ledger = Ledger::new();
        for listed in self.log.list()? {
            let home = listed.document.home();
            let wanted = match home {
                Home::Register | Home::Person(_) => true,
                Home::Outing(id) => outing == Some(id),
            };
            if wanted {
                self.log.replay_document(listed.document, |_, entry| ledger.add(&entry))?;
            }
        }
        ledger.settle();
        self.tell_problems();
        Ok(ledger)
    }

    /// Says what could not be read; the rest of the log is open.
    pub(crate) fn tell_problems(&self) {
        for problem in self.log.problems() {
            say(&crate::output::problem(problem));
        }
        let apart = self.log.apart();
        if !apart.is_empty() {
            let shots: u64 = apart.iter().map(|a| a.shots).sum();
            let of = if shots > 0 { format!(" with {} shots", shots) } else { String::new() };
            say(&format!(
                "Kept apart: {}{of}. None of it counts; look whether something of it may be live: embertally apart.",
                counted(apart.len(), "entry", "entries")
            ));
        }
    }

    /// Returns what could not be read, in words. What was mended is whole again and no part of it.
    pub(crate) fn problems(&self) -> Vec<String> {
        let open = self.log.problems().iter().filter(|p| !matches!(p, Problem::Mended { .. }));
        open.map(crate::output::problem).collect()
    }

    fn kept_id(&self, key: &str) -> Result<Option<[u8; 16]>, CliError> {
        Ok(self.log.store().kept(key)?.and_then(|b| b.try_into().ok()))
    }

    fn keep(&mut self, key: &str, id: &[u8; 16]) -> Result<(), CliError> {
        self.log.store_mut().commit(&[Write::Keep { key: key.to_owned(), value: id.to_vec() }])?;
        Ok(())
    }

    /// Returns the outing that this device is at.
    pub(crate) fn current_outing(&self) -> Result<Option<OutingId>, CliError> {
        Ok(self.kept_id("outing")?.map(OutingId::from_bytes))
    }

    /// Keeps the outing that this device is at.
    pub(crate) fn set_outing(&mut self, id: OutingId) -> Result<(), CliError> {
        self.keep("outing", id.as_bytes())
    }

    /// Returns the person who observes with this device.
    ///
    /// Nobody, if their name was forgotten: whoever holds the device now may be somebody else.
    pub(crate) fn observer(&self) -> Result<Option<PersonId>, CliError> {
        match self.kept_observer()? {
            Some(person) if self.log.is_forgotten(person)? => Ok(None),
            observer => Ok(observer),
        }
    }

    /// Returns the person who was set as this device's observer, whatever became of their name.
    pub(crate) fn kept_observer(&self) -> Result<Option<PersonId>, CliError> {
        Ok(self.kept_id("observer")?.map(PersonId::from_bytes))
    }

    /// Tells whether this log holds the demo's invented data.
    pub(crate) fn is_invented(&self) -> Result<bool, CliError> {
        Ok(self.log.store().kept("invented")?.is_some())
    }

    /// Keeps that this log holds invented data.
    pub(crate) fn mark_invented(&mut self) -> Result<(), CliError> {
        self.log.store_mut().commit(&[Write::Keep { key: "invented".to_owned(), value: vec![1] }])?;
        Ok(())
    }

    /// Keeps the person who observes with this device.
    pub(crate) fn set_observer(&mut self, id: PersonId) -> Result<(), CliError> {
        self.keep("observer", id.as_bytes())
    }
}
