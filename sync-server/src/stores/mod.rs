//! Where crews' bytes are kept, and the registry of crews and tokens.
//!
//! The server knows a crew's store only as a [`Store`], and everything else that must last as small named values, the
//! *registry*. Each value is written by itself, so several servers over one database do not undo each other's writes.

mod postgres;
mod registry;
mod sqlite;

use std::fmt;
use std::path::Path;

use embertally_core::facts::DocumentId;
use embertally_core::store::{Listed, Loaded, PieceId, Store, StoreError, Write};

pub use postgres::PostgresStores;
pub use sqlite::SqliteStores;

use crate::ids::CrewId;

/// A crew's store, of whichever kind.
pub struct BoxStore(pub Box<dyn Store + Send>);

impl fmt::Debug for BoxStore {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("BoxStore(…)")
    }
}

impl Store for BoxStore {
    fn list(&self) -> Result<Vec<Listed>, StoreError> {
        self.0.list()
    }

    fn load(&mut self, document: &DocumentId) -> Result<Loaded, StoreError> {
        self.0.load(document)
    }

    fn load_after(&mut self, document: &DocumentId, after: PieceId) -> Result<Loaded, StoreError> {
        self.0.load_after(document, after)
    }

    fn news(&self, after: PieceId) -> Result<Vec<(PieceId, DocumentId)>, StoreError> {
        self.0.news(after)
    }

    fn commit(&mut self, writes: &[Write]) -> Result<Vec<PieceId>, StoreError> {
        self.0.commit(writes)
    }

    fn kept(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.0.kept(key)
    }

    fn set_aside(&self, piece: PieceId) -> Result<Option<Vec<u8>>, StoreError> {
        self.0.set_aside(piece)
    }
}

/// Something that another server over the same database wrote.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Elsewhere {
    /// A crew's log has news.
    Crew(CrewId),
    /// It is not known what was missed: all crews and the registry may have news.
    Anything,
}

/// Told of what was written elsewhere, on a thread that must not be held up; says whether it wants to hear more.
pub type Watcher = Box<dyn Fn(Elsewhere) -> bool + Send + Sync>;

/// What a backup holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct BackedUp {
    /// Crews copied.
    pub crews: usize,
    /// Bytes written.
    pub bytes: u64,
}

/// The stores of all crews. All calls may wait for a disk or a database, so none belongs on an async thread.
pub trait CrewStores: Send + Sync + 'static {
    /// Opens a crew's store; it is made if it is not there.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn open(&self, crew: CrewId) -> Result<BoxStore, StoreError>;

    /// Reads a value of the registry.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn value(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError>;

    /// Lists the values of the registry whose keys begin so, by key.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn values(&self, prefix: &str) -> Result<Vec<(String, Vec<u8>)>, StoreError>;

    /// Writes a value of the registry durably.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn put(&self, key: &str, value: &[u8]) -> Result<(), StoreError>;

    /// Tells whether somebody else may have written to the registry since this was last asked. Cheap: it is asked every
    /// second.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn registry_changed(&self) -> Result<bool, StoreError> {
        Ok(true)
    }

    /// Writes a value durably if there is none of that name; returns whether it did.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn put_new(&self, key: &str, value: &[u8]) -> Result<bool, StoreError>;

    /// Looks whether the stores can be reached.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn ready(&self) -> Result<(), StoreError>;

    /// Tells of what others write, from now on. Stores that one process has to itself tell nothing.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn watch(&self, _watcher: Watcher) -> Result<(), StoreError> {
        Ok(())
    }

    /// Whether other servers write to the same stores.
    fn shared(&self) -> bool {
        false
    }

    /// Copies the registry and the logs of these crews into a folder, while they are in use; `None` where the store has
    /// means of its own.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn back_up(&self, folder: &Path, crews: &[CrewId]) -> Result<Option<BackedUp>, StoreError>;
}
