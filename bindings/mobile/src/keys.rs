//! This device's key: in the shell's key store, or in a file beside the log as the command-line tool keeps it.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use embertally_core::crew::{DeviceKey, SealedKey, VaultError};
use embertally_core::facts::DeviceId;

use crate::callbacks::KeyStore;
use crate::error::{EmbertallyError, sentence};
use crate::random::Random;

/// What could be had of the key.
pub(crate) struct Key {
    pub(crate) device: DeviceId,
    /// None: it is locked, or none can be kept here now.
    pub(crate) key: Option<DeviceKey>,
}

fn path(folder: &Path) -> PathBuf {
    folder.join("device.key")
}

fn vault(error: &VaultError) -> EmbertallyError {
    let code = match error {
        VaultError::Locked => "E_KEY_LOCKED",
        VaultError::WrongPassphrase => "E_KEY_PASSPHRASE",
        _ => "E_KEY_DAMAGED",
    };
    EmbertallyError::refused(code, sentence(error))
}

fn load(folder: &Path, store: Option<&Arc<dyn KeyStore>>) -> Result<Option<Vec<u8>>, EmbertallyError> {
    if let Some(store) = store {
        return store.load().map_err(|e| {
            let reason = format!("The key of this device cannot be read: {} The log was not opened.", sentence(&e));
            EmbertallyError::refused("E_KEY_STORE", reason)
        });
    }
    match fs::read(path(folder)) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(EmbertallyError::file("read", &path(folder).display().to_string(), &e)),
    }
}

/// Keeps a key: whole or not at all, and for its owner's eyes only.
fn keep(folder: &Path, store: Option<&Arc<dyn KeyStore>>, key: &SealedKey) -> Result<(), EmbertallyError> {
    if let Some(store) = store {
        return store.save(key.to_bytes()).map_err(|e| {
            let reason = format!("The key of this device cannot be kept: {} The log was not opened.", sentence(&e));
            EmbertallyError::refused("E_KEY_STORE", reason)
        });
    }
    let (file, fresh) = (path(folder), folder.join("device.key.new"));
    let write = || {
        let _ = fs::remove_file(&fresh);
        let mut options = File::options();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut out = options.open(&fresh)?;
        out.write_all(&key.to_bytes())?;
        out.sync_all()?;
        fs::rename(&fresh, &file)?;
        if let Ok(folder) = File::open(folder) {
            let _ = folder.sync_all();
        }
        Ok(())
    };
    write().map_err(|e: io::Error| {
        EmbertallyError::file("keep the key of this device in", &file.display().to_string(), &e)
    })
}

/// Opens the key of this device; makes one where there is none.
pub(crate) fn open(
    folder: &Path,
    store: Option<&Arc<dyn KeyStore>>,
    passphrase: Option<&str>,
    now_ms: i64,
    random: &Random,
    read_only: bool,
) -> Result<Key, EmbertallyError> {
    let Some(bytes) = load(folder, store)? else {
        let key = DeviceKey::from_seed(&random.fill());
        let device = key.device(now_ms);
        return match keep(folder, store, &SealedKey::plain(device, &key)) {
            Ok(()) => Ok(Key { device, key: Some(key) }),
            // A full disk: what is live can be read all the same.
            Err(_) if read_only => Ok(Key { device, key: None }),
            Err(error) => Err(error),
        };
    };
    let sealed = SealedKey::from_bytes(&bytes).map_err(|e| vault(&e))?;
    if sealed.is_locked() && passphrase.is_none() {
        return Ok(Key { device: sealed.device, key: None });
    }
    let passphrase = passphrase.filter(|_| sealed.is_locked());
    Ok(Key { device: sealed.device, key: Some(sealed.open(passphrase).map_err(|e| vault(&e))?) })
}
