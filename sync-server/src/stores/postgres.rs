//! Crews' stores in a PostgreSQL database, for several servers over one.

use std::path::Path;

use embertally_core::store::StoreError;
use embertally_postgres::{Change, Database, Listener, Options, PostgresRegistry, PostgresStore};
use tokio::runtime::Handle;

use super::{BackedUp, BoxStore, CrewStores, Elsewhere, Watcher};
use crate::ids::CrewId;

/// All crews' stores and the registry in one database.
#[derive(Debug)]
pub struct PostgresStores {
    database: Database,
    registry: PostgresRegistry,
    runtime: Handle,
}

impl PostgresStores {
    /// Connects to the database, on a runtime of several threads.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub fn open(url: &str, runtime: &Handle) -> Result<Self, StoreError> {
        let database = Database::connect(url, Options::default(), runtime)?;
        Ok(Self { registry: PostgresRegistry::new(&database), database, runtime: runtime.clone() })
    }
}

impl CrewStores for PostgresStores {
    fn open(&self, crew: CrewId) -> Result<BoxStore, StoreError> {
        Ok(BoxStore(Box::new(PostgresStore::open(&self.database, *crew.as_bytes())?)))
    }

    fn value(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.registry.get(key)
    }

    fn values(&self, prefix: &str) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
        self.registry.list(prefix)
    }

    fn put(&self, key: &str, value: &[u8]) -> Result<(), StoreError> {
        self.registry.put(key, value)
    }

    fn put_new(&self, key: &str, value: &[u8]) -> Result<bool, StoreError> {
        self.registry.exchange(key, None, Some(value))
    }

    fn ready(&self) -> Result<(), StoreError> {
        self.database.ping()
    }

    fn watch(&self, watcher: Watcher) -> Result<(), StoreError> {
        let mut listener = Listener::start(&self.database);
        self.runtime.spawn(async move {
            loop {
                let heard = match listener.next().await {
                    Change::Pieces { crew, .. } => Elsewhere::Crew(CrewId::from_bytes(crew)),
                    Change::Anything => Elsewhere::Anything,
                };
                if !watcher(heard) {
                    return;
                }
            }
        });
        Ok(())
    }

    fn shared(&self) -> bool {
        true
    }

    fn back_up(&self, _folder: &Path, _crews: &[CrewId]) -> Result<Option<BackedUp>, StoreError> {
        Ok(None)
    }
}
