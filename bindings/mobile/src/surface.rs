//! The page that is exported. Nothing is done here; each line names who does it.

use std::sync::Arc;

use crate::callbacks::{Clock, KeyStore, Observer};
use crate::crier::Observation;
use crate::desk::{Desk, held};
use crate::error::EmbertallyError;
use crate::long::{guarded, long};
use crate::records::*;
use crate::views::*;
use crate::words::{Group, Measure, Role};

type Result<T> = std::result::Result<T, EmbertallyError>;

/// Returns the cautions that stand wherever failed or unlit shots are spoken of.
#[uniffi::export]
#[must_use]
pub fn cautions() -> Vec<String> {
    embertally_core::CAUTIONS.iter().map(|caution| (*caution).to_owned()).collect()
}

/// The log of this device, open.
///
/// Calls that are not async are quick: they wait for the disk, or for another call on the same log. Measured up to 10,000
/// shots only. What is said to be long is async. Ids are texts; take them from lists.
#[derive(uniffi::Object)]
pub struct Embertally {
    desk: Arc<Desk>,
}

impl Embertally {
    fn quick<T>(&self, work: impl FnOnce(&Arc<Desk>) -> Result<T>) -> Result<T> {
        guarded(&self.desk, || work(&self.desk))
    }
}

impl Drop for Embertally {
    fn drop(&mut self) {
        self.desk.close();
    }
}

/// Opening, names, outings.
#[uniffi::export]
impl Embertally {
    /// Opens the log in a folder; makes both if they are not there. Long: the whole log is read, 21 ms for 10,000 shots
    /// on the machine of the README, so call it beside the thread that draws. One open log a folder is enough for all threads.
    ///
    /// Without a clock it is the system's. Without a key store the key is a file beside the log, for its owner's eyes only.
    /// A key that is locked and no passphrase: the log opens for reading.
    ///
    /// # Errors
    /// Whatever the system says of the folder, and what is wrong with the key.
    #[uniffi::constructor(default(passphrase = None, clock = None, keys = None))]
    pub fn open(
        folder: String,
        passphrase: Option<String>,
        clock: Option<Arc<dyn Clock>>,
        keys: Option<Arc<dyn KeyStore>>,
    ) -> Result<Arc<Self>> {
        let opened = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            Desk::open(&folder, passphrase.as_deref(), clock, keys.as_ref())
        }));
        let desk = opened.unwrap_or_else(|_| {
            let reason = "A mistake in this program, not in your log: it could not be opened.".to_owned();
            Err(EmbertallyError::Bug { reason })
        })?;
        Ok(Arc::new(Self { desk }))
    }

    /// Returns the folder of the log.
    pub fn folder(&self) -> String {
        self.desk.folder().display().to_string()
    }

    /// Returns the id of this device.
    pub fn device_id(&self) -> String {
        self.desk.device.to_string()
    }

    /// Returns all names: types, lots, fuses, modules, people, outings, and where this device is.
    ///
    /// # Errors
    /// What the store says.
    pub fn register(&self) -> Result<Register> {
        self.quick(|d| d.register())
    }

    /// Adds an igniter type, or corrects it. Durable when it returns, as all that follow.
    ///
    /// # Errors
    /// A number that is not possible, or what the store says.
    pub fn add_type(&self, igniter_type: IgniterType) -> Result<()> {
        self.quick(|d| d.add_type(&igniter_type))
    }

    /// Adds a lot, or corrects it.
    ///
    /// # Errors
    /// A type that is not known, a date that is none, or what the store says.
    pub fn add_lot(&self, lot: Lot) -> Result<()> {
        self.quick(|d| d.add_lot(&lot))
    }

    /// Adds a fuse, or corrects it.
    ///
    /// # Errors
    /// What the store says.
    pub fn add_fuse(&self, fuse: Fuse) -> Result<()> {
        self.quick(|d| d.add_fuse(&fuse))
    }

    /// Adds a firing module, or corrects it.
    ///
    /// # Errors
    /// A number that is not possible, or what the store says.
    pub fn add_module(&self, module: FiringModule) -> Result<()> {
        self.quick(|d| d.add_module(&module))
    }

    /// Adds a person, or corrects the part.
    ///
    /// # Errors
    /// What the store says; a name that was forgotten for good.
    pub fn add_person(&self, person: Person) -> Result<()> {
        self.quick(|d| d.add_person(&person))
    }

    /// Says what this device is called.
    ///
    /// # Errors
    /// What the store says.
    pub fn name_device(&self, name: String) -> Result<()> {
        self.quick(|d| d.name_device(&name))
    }

    /// Says who observes with this device from now on; nothing: the device itself.
    ///
    /// # Errors
    /// A person who is not known.
    #[uniffi::method(default(name = None))]
    pub fn set_observer(&self, name: Option<String>) -> Result<()> {
        self.quick(|d| d.set_observer(name.as_deref()))
    }

    /// Begins an outing; this device is there from now on.
    ///
    /// # Errors
    /// An outing of that name, or what the store says.
    pub fn begin_outing(&self, outing: Outing) -> Result<()> {
        self.quick(|d| d.begin_outing(&outing))
    }

    /// Goes to an outing that has begun.
    ///
    /// # Errors
    /// An outing that is not known.
    pub fn go_to_outing(&self, name: String) -> Result<()> {
        self.quick(|d| d.go_to_outing(&name))
    }
}

/// Logging and deciding. Each is durable when it returns.
#[uniffi::export]
impl Embertally {
    /// Logs a volley with what was seen of it.
    ///
    /// # Errors
    /// What contradicts itself, names that are not known, units that were tried before; nothing was written then.
    pub fn log_volley(&self, volley: VolleyEntry) -> Result<Logged> {
        self.quick(|d| d.log_volley(&volley))
    }

    /// Logs what an observer saw of a volley that is in the log, shot by shot in its order. The same observer again
    /// corrects; others' words stay beside it.
    ///
    /// # Errors
    /// As for a volley.
    #[uniffi::method(default(observer = None))]
    pub fn log_sighting(&self, volley: String, seen: Vec<Seen>, observer: Option<String>) -> Result<()> {
        self.quick(|d| d.log_sighting(&volley, &seen, observer.as_deref()))
    }

    /// Corrects a volley, and what this observer saw of it. What was said before stays in the log and no longer counts.
    ///
    /// # Errors
    /// As for a volley.
    pub fn correct_volley(&self, volley: String, corrected: VolleyEntry) -> Result<Logged> {
        self.quick(|d| d.correct_volley(&volley, &corrected))
    }

    /// Decides what a shot was, with a reason. A field that is left open stays as the same person ruled before.
    ///
    /// # Errors
    /// A shot or a person that is not known, no reason, nothing decided.
    pub fn rule(&self, ruling: Ruling) -> Result<()> {
        self.quick(|d| d.rule(&ruling))
    }

    /// Says whether two volleys that were written down are one real volley.
    ///
    /// # Errors
    /// A volley that is not known.
    pub fn match_volleys(&self, first: String, second: String, same: bool) -> Result<()> {
        self.quick(|d| d.match_volleys(&first, &second, same))
    }

    /// Withdraws a fact (a volley, a ruling, that something was made safe), with a reason. It stays in the log and no
    /// longer counts; what it had taken off the live list comes back. Reads the log once: long with 100,000 shots.
    ///
    /// # Errors
    /// A fact that is not there; one that forgets a name.
    pub fn withdraw(&self, fact: String, reason: String) -> Result<()> {
        self.quick(|d| d.withdraw(&fact, &reason))
    }

    /// Says that shots were made safe, and how; returns a fact for each, by which it can be withdrawn.
    ///
    /// # Errors
    /// A shot or a person that is not known.
    #[uniffi::method(default(how = None, by = None))]
    pub fn mark_safe(&self, shots: Vec<String>, how: Option<String>, by: Option<String>) -> Result<Vec<String>> {
        self.quick(|d| d.mark_safe(&shots, how.as_deref(), by.as_deref()))
    }

    /// Logs a weather reading of an outing; nothing: the one that this device is at.
    ///
    /// # Errors
    /// A number that is not possible, no reading at all.
    #[uniffi::method(default(outing = None))]
    pub fn log_weather(&self, weather: Weather, outing: Option<String>) -> Result<()> {
        self.quick(|d| d.log_weather(&weather, outing.as_deref()))
    }
}

/// Reading.
#[uniffi::export]
impl Embertally {
    /// Returns what is to be treated as live. Show its cautions, and first of all why it may be incomplete.
    ///
    /// # Errors
    /// An outing that is not known.
    #[uniffi::method(default(outing = None))]
    pub fn live(&self, outing: Option<String>) -> Result<LiveList> {
        self.quick(|d| d.live(outing.as_deref()))
    }

    /// Returns the latest volleys, newest first.
    ///
    /// # Errors
    /// An outing that is not known.
    #[uniffi::method(default(outing = None, most = 50))]
    pub fn volleys(&self, outing: Option<String>, most: u32) -> Result<Vec<VolleyLine>> {
        self.quick(|d| d.volleys(outing.as_deref(), most))
    }

    /// Tells an observer of changes, as long as what is returned is held and not stopped.
    pub fn observe(&self, observer: Arc<dyn Observer>) -> Arc<Observation> {
        self.desk.crier.observe(observer)
    }

    /// Returns what the crew has to settle.
    ///
    /// # Errors
    /// What the store says.
    pub async fn disputes(&self) -> Result<Disputes> {
        long(&self.desk, |d, _| d.disputes()).await
    }

    /// Returns failure rates by any grouping.
    ///
    /// # Errors
    /// A name that nothing has, a level that is none.
    pub async fn rates(&self, query: RatesQuery) -> Result<Vec<RateRow>> {
        long(&self.desk, move |d, _| d.rates(&query)).await
    }

    /// Returns the pairings of lot and fuse, worst first, each with its verdict.
    ///
    /// # Errors
    /// A failure rate outside (0, 1), a name that nothing has.
    #[uniffi::method(default(tolerable = 0.02, only = []))]
    pub async fn pairings(&self, tolerable: f64, only: Vec<Only>) -> Result<Pairings> {
        long(&self.desk, move |d, _| d.pairings(tolerable, &only)).await
    }

    /// Returns what the delays say; a limit that is not given is the outings'.
    ///
    /// # Errors
    /// A limit that is none.
    #[uniffi::method(default(limit_ms = None))]
    pub async fn delays(&self, by: Vec<Group>, limit_ms: Option<f64>) -> Result<Vec<DelayRow>> {
        long(&self.desk, move |d, _| d.delays(&by, limit_ms)).await
    }

    /// Compares two things of a grouping, such as two lots.
    ///
    /// # Errors
    /// A name that nothing has, a thing compared with itself.
    pub async fn compare(&self, group: Group, first: String, second: String, measure: Measure) -> Result<Comparison> {
        long(&self.desk, move |d, _| d.compare(group, &first, &second, measure)).await
    }
}

/// Files, the crew, sync. Long ones are cancelled by letting go of their future: until something is written, nothing is.
#[uniffi::export]
impl Embertally {
    /// Takes in a file of shots: all of it or nothing, unless the good rows alone are wanted. Twice adds nothing.
    ///
    /// # Errors
    /// Every bad row, by line and column.
    #[uniffi::method(default(keep_good = false))]
    pub async fn import_file(&self, path: String, format: FileFormat, keep_good: bool) -> Result<Imported> {
        long(&self.desk, move |d, cancel| d.import(&path, format, keep_good, cancel)).await
    }

    /// Writes all shots to a file, in place of one of that name; returns how many rows.
    ///
    /// # Errors
    /// What the system says of the file.
    pub async fn export_file(&self, path: String, format: FileFormat) -> Result<u64> {
        long(&self.desk, move |d, cancel| d.export(&path, format, cancel)).await
    }

    /// Writes the whole log to a file for another device.
    ///
    /// # Errors
    /// What the system says of the file.
    pub async fn carry(&self, path: String) -> Result<Carried> {
        long(&self.desk, move |d, cancel| d.carry(&path, cancel)).await
    }

    /// Takes in a file that another device wrote.
    ///
    /// # Errors
    /// A file that is damaged: nothing of it was taken.
    pub async fn absorb(&self, path: String) -> Result<Absorbed> {
        long(&self.desk, move |d, cancel| d.absorb(&path, cancel)).await
    }

    /// Reads the log again, where another program has written to it.
    ///
    /// # Errors
    /// What the store says.
    pub async fn reload(&self) -> Result<()> {
        long(&self.desk, |d, _| d.brought()).await
    }

    /// Founds a crew: from now on only what its members wrote counts, and this device is its first chief's. Long in a log
    /// that holds much already: it vouches for all of it.
    ///
    /// # Errors
    /// A log that is a crew's already.
    pub async fn found_crew(&self, name: String) -> Result<()> {
        long(&self.desk, move |d, _| d.found_crew(&name)).await
    }

    /// Lets one device in, by a code that ends.
    ///
    /// # Errors
    /// A device that is not a chief's.
    #[uniffi::method(default(hours = 48))]
    pub fn invite(&self, role: Role, hours: u32) -> Result<InviteCode> {
        self.quick(|d| d.invite(role.into(), hours))
    }

    /// Joins a crew by a code. Log at once if you like; it counts with the others once they met.
    ///
    /// # Errors
    /// A code that is none or has ended, a log of another crew.
    #[uniffi::method(default(device_name = None))]
    pub fn join_crew(&self, code: String, device_name: Option<String>) -> Result<()> {
        self.quick(|d| d.join_crew(&code, device_name.as_deref()))
    }

    /// Returns the crew and its devices; nothing where this log is no crew's.
    ///
    /// # Errors
    /// What the store says.
    pub fn crew(&self) -> Result<Option<Crew>> {
        self.quick(|d| d.crew())
    }

    /// Confirms a device of the crew, where its code had ended or was used twice.
    ///
    /// # Errors
    /// A device that is not a chief's, or is not known.
    #[uniffi::method(default(role = None))]
    pub fn confirm_member(&self, device: String, role: Option<Role>) -> Result<()> {
        self.quick(|d| d.confirm_member(&device, role.map(Into::into)))
    }

    /// Returns the entries that do not count, and why: look whether something of them may be live.
    ///
    /// # Errors
    /// What the store says.
    pub fn apart(&self) -> Result<Vec<KeptApart>> {
        self.quick(|d| d.apart())
    }

    /// Keeps this log and the server's the same from now on, in the background: it goes on trying until it is stopped or
    /// refused. Without an invitation the one kept with the log is taken; one that is given is kept.
    ///
    /// # Errors
    /// An invitation that is none or of another crew; sync that is running already.
    #[uniffi::method(default(invitation = None))]
    pub fn start_sync(&self, invitation: Option<String>) -> Result<()> {
        self.quick(|d| d.start_sync(invitation.as_deref()))
    }

    /// Stops it. Returns at once; what had come is saved.
    pub fn stop_sync(&self) {
        self.desk.stop_sync();
    }

    /// Returns how it stands with the server.
    pub fn sync_status(&self) -> SyncStatus {
        held(&self.desk.sync).status.clone()
    }

    /// Meets the server once: when it returns, all that is logged here is on the server's disk.
    ///
    /// # Errors
    /// Why they did not meet; what was saved is safe whatever it was.
    #[uniffi::method(default(invitation = None))]
    pub async fn sync_once(&self, invitation: Option<String>) -> Result<SyncOutcome> {
        long(&self.desk, move |d, cancel| d.sync_once(invitation.as_deref(), cancel)).await
    }
}
