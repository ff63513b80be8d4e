//! Crews' stores as SQLite files in the data folder.

use std::fs;
use std::path::{Path, PathBuf};

use embertally_core::store::StoreError;
use embertally_store_sqlite::{FILE_NAME, SqliteStore};

use super::registry::Registry;
use super::{BackedUp, BoxStore, CrewStores};
use crate::access::DEVICE_KEY;
use crate::ids::CrewId;

/// The registry's file in the data folder.
const REGISTRY: &str = "registry.sqlite3";
/// The folder that holds a folder for each crew.
const CREWS: &str = "crews";

/// One SQLite store a crew, in `crews/<crew>/` of the data folder, and the registry beside them.
#[derive(Debug)]
pub struct SqliteStores {
    folder: PathBuf,
    registry: Registry,
}

fn from_io(error: std::io::Error) -> StoreError {
    match error.kind() {
        std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => StoreError::Full,
        std::io::ErrorKind::PermissionDenied | std::io::ErrorKind::ReadOnlyFilesystem => {
            StoreError::ReadOnly { reason: error.to_string() }
        }
        _ => StoreError::Other { reason: error.to_string(), source: None },
    }
}

impl SqliteStores {
    /// Opens the stores in a folder that exists.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub fn open(folder: impl Into<PathBuf>) -> Result<Self, StoreError> {
        let folder = folder.into();
        fs::create_dir_all(folder.join(CREWS)).map_err(from_io)?;
        let registry = Registry::open(&folder.join(REGISTRY))?;
        Ok(Self { folder, registry })
    }

    fn crew(&self, crew: CrewId) -> PathBuf {
        self.folder.join(CREWS).join(crew.to_string())
    }
}

impl CrewStores for SqliteStores {
    fn open(&self, crew: CrewId) -> Result<BoxStore, StoreError> {
        Ok(BoxStore(Box::new(SqliteStore::open(self.crew(crew))?)))
    }

    fn value(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.registry.value(key)
    }

    fn values(&self, prefix: &str) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
        self.registry.values(prefix)
    }

    fn registry_changed(&self) -> Result<bool, StoreError> {
        self.registry.changed()
    }

    fn put(&self, key: &str, value: &[u8]) -> Result<(), StoreError> {
        self.registry.put(key, value)
    }

    fn put_new(&self, key: &str, value: &[u8]) -> Result<bool, StoreError> {
        self.registry.put_new(key, value)
    }

    fn ready(&self) -> Result<(), StoreError> {
        self.registry.value(DEVICE_KEY).map(drop)
    }

    fn back_up(&self, folder: &Path, crews: &[CrewId]) -> Result<Option<BackedUp>, StoreError> {
        fs::create_dir_all(folder.join(CREWS)).map_err(from_io)?;
        // The registry last: a token revoked meanwhile stays revoked in the copy.
        let mut done = BackedUp::default();
        let size = |path: &Path| fs::metadata(path).map(|m| m.len()).map_err(from_io);
        for crew in crews {
            if !self.crew(*crew).join(FILE_NAME).exists() {
                // Made and never used.
                continue;
            }
            let target = folder.join(CREWS).join(crew.to_string());
            fs::create_dir_all(&target).map_err(from_io)?;
            SqliteStore::open(self.crew(*crew))?.backup_to(target.join(FILE_NAME))?;
            done.crews += 1;
            done.bytes += size(&target.join(FILE_NAME))?;
        }
        let registry = folder.join(REGISTRY);
        self.registry.copy_without(&registry, &[DEVICE_KEY])?;
        done.bytes += size(&registry)?;
        Ok(Some(done))
    }
}
