//! What a device does with its log, as commands with JSON in and out: the page asks, this answers.
//!
//! Every answer is worked out from the ledger when it is asked for. What writes returns only after the store has made it
//! durable; whoever shows "saved" shows that return.

mod decide;
mod entry;
mod field;
mod live;
mod meet;
mod names;
mod register;
mod review;
mod state;
mod table;
#[cfg(test)]
mod tests;
mod volley;

use std::collections::{BTreeMap, BTreeSet};

use embertally_core::crew::{DeviceKey, SealedKey};
use embertally_core::facts::{
    DeviceId, DocumentId, Entry, Fact, FactId, MadeSafe, Moment, OutingId, PersonId, RandomBits,
};
use embertally_core::ledger::Ledger;
use embertally_core::log::{Home, Log};
use embertally_core::store::{Store, Write};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

pub use meet::Meeting;

use crate::error::Refused;

/// The cautions that go with whatever speaks of failed or live shots.
pub const CAUTIONS: [&str; 3] = [
    "Treat every shot that failed or whose fuse was not lit as live.",
    "Wait the time that the site's rules give before anybody approaches, approach as the person in charge directs, and \
     follow local codes, the maker's instructions and licensed practice.",
    "No number here is a permission.",
];

/// Under which name this device's key is kept.
const KEY: &str = "device.key";

/// A device's log, opened, with all that it adds up to.
pub struct App<S> {
    log: Log<S>,
    ledger: Ledger,
    device: DeviceId,
    /// Who said that what was made safe, statements that no longer count included.
    safe: BTreeMap<FactId, (Home, MadeSafe)>,
    /// Documents into which another device's entries came, not read into the ledger yet.
    came: BTreeSet<DocumentId>,
    meeting: Option<Meeting>,
    /// Grows with everything that changes what a screen shows.
    revision: u64,
}

impl<S> std::fmt::Debug for App<S> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("App").field("device", &self.device).field("revision", &self.revision).finish_non_exhaustive()
    }
}

/// What every command is told beside its own arguments.
#[derive(Debug, Clone, Copy)]
pub struct Now(pub Moment);

impl<S: Store> App<S> {
    /// Opens the log in a store and reads all of it.
    ///
    /// # Errors
    /// What the store or the log gives.
    pub fn open(store: S, mut random: impl RandomBits + Send + 'static, now: Now) -> Result<Self, Refused> {
        let mut seed = [0; 32];
        let (words, _) = seed.as_chunks_mut::<8>();
        words.iter_mut().for_each(|word| *word = random.next_u64().to_le_bytes());
        let mut log = Log::open(store, random);
        // The browser keeps the key for this page alone; it signs all that is logged here.
        let kept = match log.store().kept(KEY)?.and_then(|bytes| SealedKey::from_bytes(&bytes).ok()) {
            Some(kept) => kept,
            None => {
                let key = DeviceKey::from_seed(&seed);
                let kept = SealedKey::plain(key.device(now.0.unix_ms), &key);
                log.store_mut().commit(&[Write::Keep { key: KEY.to_owned(), value: kept.to_bytes() }])?;
                kept
            }
        };
        let device = kept.device;
        let key = kept.open(None).map_err(|e| Refused::new("E_KEY_DAMAGED", format!("{e}.")))?;
        log.sign_with(key, device);
        let (ledger, safe) = (Ledger::new(), BTreeMap::new());
        let mut app = Self { log, ledger, device, safe, came: BTreeSet::new(), meeting: None, revision: 1 };
        app.read_anew()?;
        Ok(app)
    }

    /// Reads the whole log.
    fn read_anew(&mut self) -> Result<(), Refused> {
        let (mut ledger, mut safe) = (Ledger::new(), BTreeMap::new());
        self.log.replay(|document, entry| {
            note_safe(&mut safe, document.home(), &entry);
            ledger.add(&entry);
        })?;
        ledger.settle();
        (self.ledger, self.safe) = (ledger, safe);
        Ok(())
    }

    /// Does one command.
    ///
    /// `arguments` is a JSON object, the answer is one. `now` is the time by the device's clock.
    ///
    /// # Errors
    /// A [`Refused`]; nothing was changed then.
    pub fn call(&mut self, command: &str, arguments: &str, now: Now) -> Result<String, Refused> {
        self.catch_up()?;
        match command {
            "state" => said(&self.state()?),
            "field" => said(&self.field(&read(arguments)?)?),
            "volleys" => said(&self.recent(&read(arguments)?)),
            "delay" => said(&volley::interval_of(&read(arguments)?)?),
            "log" => said(&self.log_volley(read(arguments)?, now)?),
            "sight" => said(&self.sight(read(arguments)?, now)?),
            "live" => said(&self.live(&read(arguments)?)?),
            "safe" => said(&self.make_safe(read(arguments)?, now)?),
            "unsafe" => said(&self.undo_safe(read(arguments)?, now)?),
            "rule" => said(&self.rule(read(arguments)?, now)?),
            "match" => said(&self.same_or_apart(read(arguments)?, now)?),
            "withdraw" => said(&self.withdraw(read(arguments)?, now)?),
            "weather" => said(&self.weather(read(arguments)?, now)?),
            "add" => said(&self.add(read(arguments)?, now)?),
            "set" => said(&self.set(read(arguments)?)?),
            "filters" => said(&self.filters()),
            "review" => self.review(&read(arguments)?, now),
            "csv" => said(&self.csv(&read(arguments)?, now)?),
            "crew" => said(&self.crew(read(arguments)?)?),
            "qr" => said(&state::qr(&read(arguments)?)?),
            "compact" => {
                self.log.compact()?;
                said(&json!({}))
            }
            other => Err(Refused::new("E_INTERNAL", format!("There is no command {other:?}."))),
        }
    }

    /// Returns everything that this device knows as one carry file.
    ///
    /// # Errors
    /// What the log gives.
    pub fn carry(&mut self) -> Result<Vec<u8>, Refused> {
        let mut file = Vec::new();
        self.log.carry(&mut file)?;
        Ok(file)
    }

    /// Takes in a carry file, all or nothing.
    ///
    /// # Errors
    /// What the log gives; nothing was taken then.
    pub fn absorb(&mut self, file: &[u8], now: Now) -> Result<String, Refused> {
        let before = self.live_count();
        let absorbed = self.log.absorb(file)?;
        let documents: Vec<_> = self.log.list()?.into_iter().map(|l| l.document).collect();
        self.came.extend(documents.iter().copied());
        self.catch_up()?;
        self.tell_changed(&documents, now);
        said(&json!({ "added": absorbed.added.len(), "already": absorbed.already,
            "live_before": before, "live_after": self.live_count() }))
    }

    /// Returns a number that grows with everything that changes what a screen shows.
    #[must_use]
    pub fn revision(&self) -> u64 {
        self.revision + self.came.len() as u64
    }

    /// Reads what came from other devices into the ledger.
    fn catch_up(&mut self) -> Result<(), Refused> {
        if self.came.is_empty() {
            return Ok(());
        }
        // In a crew's log the register says whose entries count, earlier ones too.
        let judged = self.log.crew()?.is_some() && self.came.iter().any(|d| d.home() == Home::Register);
        if judged {
            self.read_anew()?;
            self.revision += self.came.len() as u64;
            self.came.clear();
            return Ok(());
        }
        let (ledger, safe) = (&mut self.ledger, &mut self.safe);
        for document in &self.came {
            self.log.replay_document(*document, |_, entry| {
                note_safe(safe, document.home(), &entry);
                ledger.add(&entry);
            })?;
        }
        ledger.settle();
        self.revision += self.came.len() as u64;
        self.came.clear();
        Ok(())
    }

    fn live_count(&self) -> usize {
        self.ledger.live().len()
    }

    fn kept(&self, key: &str) -> Result<Option<String>, Refused> {
        Ok(self.log.store().kept(key)?.and_then(|b| String::from_utf8(b).ok()))
    }

    fn kept_id(&self, key: &str) -> Result<Option<[u8; 16]>, Refused> {
        Ok(self.log.store().kept(key)?.and_then(|b| b.try_into().ok()))
    }

    fn keep(&mut self, key: &str, value: &[u8]) -> Result<(), Refused> {
        self.log.store_mut().commit(&[Write::Keep { key: key.to_owned(), value: value.to_vec() }])?;
        Ok(())
    }

    fn current_outing(&self) -> Result<Option<OutingId>, Refused> {
        Ok(self.kept_id("outing")?.map(OutingId::from_bytes))
    }

    fn observer(&self) -> Result<Option<PersonId>, Refused> {
        Ok(self.kept_id("observer")?.map(PersonId::from_bytes))
    }
}

/// Notes what an entry says was made safe.
fn note_safe(safe: &mut BTreeMap<FactId, (Home, MadeSafe)>, home: Home, entry: &Entry) {
    for (id, stated) in entry.facts() {
        if let Fact::MadeSafe(said) = &stated.fact {
            safe.insert(id, (home, said.clone()));
        }
    }
}

fn read<T: DeserializeOwned>(arguments: &str) -> Result<T, Refused> {
    Ok(serde_json::from_str(arguments)?)
}

fn said(answer: &impl Serialize) -> Result<String, Refused> {
    Ok(serde_json::to_string(answer)?)
}

/// Returns a number with its noun: 1 entry, 2 entries.
fn counted(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// Returns the answer of a command that wrote.
fn saved(more: Value) -> Value {
    let mut answer = more;
    answer["saved"] = json!(true);
    answer
}
