//! Devices as they are in the field: a log in a file, a courier that stays connected, and somebody who logs beside it.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use embertally_core::facts::{DeviceId, DocumentId, EntryId, PersonId};
use embertally_core::log::{Home, Log};
use embertally_link::{Address, Courier, Invitation, LinkError, Note, Outcome, Patience, Stopper, Tally, Until};
use embertally_store_sqlite::SqliteStore;
use embertally_testkit::Rng;
use embertally_testkit::builders::{VolleyBuilder, outing};
use tempfile::TempDir;

/// Longer than anything here takes; a test that waits so long has failed.
pub(crate) const DEADLINE: Duration = Duration::from_secs(90);

/// Less patient than in the field, so that a connection which is dead is given up while a test waits.
pub(crate) const SOON: Patience = Patience {
    step: Duration::from_secs(2),
    ping: Duration::from_millis(300),
    silence: Duration::from_millis(1_500),
    write: Duration::from_secs(2),
    first_retry: Duration::from_millis(20),
    longest_retry: Duration::from_millis(400),
};

/// Asks again and again until something is so: nothing tells of it.
pub(crate) async fn until(what: &str, mut is: impl AsyncFnMut() -> bool) {
    let began = Instant::now();
    while !is().await {
        assert!(began.elapsed() < DEADLINE, "waited in vain: {what}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// Returns an invitation with other addresses in it.
pub(crate) fn by_way_of(invitation: &str, addresses: &[SocketAddr]) -> Invitation {
    let mut invitation: Invitation = invitation.parse().unwrap();
    invitation.addresses = addresses.iter().map(|a| Address::new("127.0.0.1", a.port()).unwrap()).collect();
    invitation
}

pub(crate) fn ids_of<S: embertally_core::store::Store>(log: &mut Log<S>) -> BTreeSet<EntryId> {
    let mut ids = BTreeSet::new();
    log.replay(|_, entry| ids.extend([entry.id])).unwrap();
    ids
}

struct Run {
    stopper: Stopper,
    thread: JoinHandle<Result<Outcome, LinkError>>,
}

pub(crate) struct Carried {
    folder: TempDir,
    id: DeviceId,
    log: Log<SqliteStore>,
    rng: Rng,
    run: Option<Run>,
    /// How often the courier said that it has no conversation.
    offline: Arc<AtomicU64>,
    tally: Arc<Mutex<Tally>>,
    /// What was logged here, all of it durable.
    pub(crate) own: BTreeSet<EntryId>,
}

impl Carried {
    pub(crate) fn new(seed: u64) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut rng = Rng::new(seed);
        let log = Log::open(SqliteStore::open(folder.path()).unwrap(), rng.fork());
        let id = DeviceId::named(&format!("carried {seed}"));
        let (offline, tally) = Default::default();
        Self { folder, id, log, rng, run: None, offline, tally, own: BTreeSet::new() }
    }

    /// Sends a courier that goes on until it is stopped.
    pub(crate) fn connect(&mut self, invitation: &Invitation) {
        let (path, random, invitation) = (self.folder.path().to_owned(), self.rng.fork(), invitation.clone());
        let mut courier = Courier::with_patience(self.id, SOON).unwrap();
        let (stopper, offline, last) = (courier.stopper(), self.offline.clone(), self.tally.clone());
        let thread = std::thread::spawn(move || {
            let mut log = Log::open(SqliteStore::open(path).unwrap(), random);
            courier.sync(&mut log, &invitation, Until::Stopped, &mut |_, note| match note {
                Note::Offline { .. } => drop(offline.fetch_add(1, Ordering::SeqCst)),
                Note::UpToDate { tally, .. } => *last.lock().unwrap() = tally,
                _ => {}
            })
        });
        self.run = Some(Run { stopper, thread });
    }

    /// Meets a server once; when this returns, all that is here is on the server's disk.
    pub(crate) fn meet(&mut self, invitation: &Invitation) -> Result<Outcome, LinkError> {
        let (path, random) = (self.folder.path().to_owned(), self.rng.fork());
        let (mut courier, invitation) = (Courier::with_patience(self.id, SOON).unwrap(), invitation.clone());
        let meeting = std::thread::spawn(move || {
            let mut log = Log::open(SqliteStore::open(path).unwrap(), random);
            courier.sync(&mut log, &invitation, Until::Met, &mut |_, _| ())
        });
        meeting.join().unwrap()
    }

    /// Ends the courier; it must have gone on until now.
    pub(crate) fn stop(&mut self) {
        let Some(run) = self.run.take() else { return };
        run.stopper.stop();
        let outcome = run.thread.join().unwrap().unwrap_or_else(|e| panic!("a courier gave up: {e}"));
        assert!(outcome.stopped);
    }

    pub(crate) fn offline(&self) -> u64 {
        self.offline.load(Ordering::SeqCst)
    }

    /// Bytes of frames that came and went, when it was last up to date.
    pub(crate) fn bytes(&self) -> u64 {
        let tally = self.tally.lock().unwrap();
        tally.bytes_came + tally.bytes_went
    }

    /// Somebody logs a volley of ten shots in another process; it is durable when this returns.
    pub(crate) fn volley(&mut self) -> EntryId {
        let home = outing(self.rng.in_range(0..=2));
        let entry = VolleyBuilder {
            device: self.id,
            observer: PersonId::named("somebody"),
            outing: home,
            at_ms: 1_900_000_000_000 + self.rng.in_range(0..=1_000_000) as i64,
            shots: 10,
            first_unit: self.rng.in_range(1..=1_000_000),
        }
        .build(&mut self.rng);
        self.log.write(Home::Outing(home), &entry).unwrap();
        self.own.insert(entry.id);
        entry.id
    }

    pub(crate) fn entries(&mut self) -> BTreeSet<EntryId> {
        self.log.refresh().unwrap();
        ids_of(&mut self.log)
    }

    pub(crate) fn outline(&mut self) -> Vec<(DocumentId, [u8; 16])> {
        self.log.refresh().unwrap();
        self.log.outline().unwrap()
    }
}

impl Drop for Carried {
    fn drop(&mut self) {
        if let Some(run) = self.run.take() {
            run.stopper.stop();
            // A test that failed does not fail twice.
            let _ = run.thread.join();
        }
    }
}
