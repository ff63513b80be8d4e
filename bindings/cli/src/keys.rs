//! The key of this device, in a file beside its log that only its owner can read.

use std::fs::{self, File};
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use embertally_core::crew::{DeviceKey, SealedKey, VaultError};
use embertally_core::facts::DeviceId;

use crate::error::{CliError, file_error, sentence};
use crate::output::say;

const FILE: &str = "device.key";
/// The variable that holds the passphrase, for runs without a terminal.
pub(crate) const PASSPHRASE: &str = "EMBERTALLY_PASSPHRASE";

/// What could be had of this device's key.
pub(crate) enum Keys {
    /// It signs.
    Open(DeviceId, Box<DeviceKey>),
    /// It is locked, and no passphrase was given.
    Locked(DeviceId),
    /// There is none, and none can be kept here now.
    None,
}

/// Fills bytes with random bits of the system; without them nothing is safe, so a system that has none stops the tool.
pub(crate) fn random<const N: usize>() -> [u8; N] {
    let mut bytes = [0; N];
    if let Err(e) = getrandom::fill(&mut bytes) {
        say(&format!("This system gives no random bits ({e}); nothing was written."));
        std::process::exit(1);
    }
    bytes
}

fn path(folder: &Path) -> PathBuf {
    folder.join(FILE)
}

fn vault(error: &VaultError) -> CliError {
    let code = match error {
        VaultError::Locked => "E_KEY_LOCKED",
        VaultError::WrongPassphrase => "E_KEY_PASSPHRASE",
        _ => "E_KEY_DAMAGED",
    };
    CliError::refused(code, sentence(&error.to_string()))
}

/// Reads what is kept; `None` if nothing is.
pub(crate) fn kept(folder: &Path) -> Result<Option<SealedKey>, CliError> {
    match fs::read(path(folder)) {
        Ok(bytes) => SealedKey::from_bytes(&bytes).map(Some).map_err(|e| {
            let file = path(folder);
            let text = format!(
                "{} in {}. Put it back from a copy, or move it away: this device then begins with a new key, and a chief \
                 has to let it in anew.",
                sentence(&e.to_string()).trim_end_matches('.'),
                file.display()
            );
            CliError::refused("E_KEY_DAMAGED", text)
        }),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(file_error("read", &path(folder), &e)),
    }
}

/// Keeps a key: whole or not at all, and for its owner's eyes only.
pub(crate) fn keep(folder: &Path, key: &SealedKey) -> Result<(), CliError> {
    write(folder, key, false).map_err(|e| file_error("keep the key of this device in", &path(folder), &e))
}

/// Writes the file of a key; the `first` one never over another that came meanwhile (two calls at a first start).
fn write(folder: &Path, key: &SealedKey, first: bool) -> io::Result<()> {
    let (file, fresh) = (path(folder), folder.join(format!("{FILE}.{}", std::process::id())));
    let write = || {
        let _ = fs::remove_file(&fresh);
        let mut options = File::options();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut out = options.open(&fresh)?;
        out.write_all(&key.to_bytes())?;
        out.sync_all()?;
        match if first { fs::hard_link(&fresh, &file) } else { fs::rename(&fresh, &file) } {
            Err(e) if first && e.kind() == io::ErrorKind::AlreadyExists => {}
            // A file system without links.
            Err(_) if first => fs::rename(&fresh, &file)?,
            done => done?,
        }
        let _ = fs::remove_file(&fresh);
        // The folder's own entry, where the system can do that.
        if let Ok(folder) = File::open(folder) {
            let _ = folder.sync_all();
        }
        Ok(())
    };
    write()
}

/// Returns the passphrase that was given, or asks for it where somebody sits at a terminal.
fn passphrase() -> Option<String> {
    if let Some(given) = std::env::var(PASSPHRASE).ok().filter(|p| !p.is_empty()) {
        return Some(given);
    }
    asked("Passphrase of this device's key (empty: only read): ").filter(|p| !p.is_empty())
}

/// Asks for a text that is not shown; `None` where nobody sits at a terminal.
pub(crate) fn asked(prompt: &str) -> Option<String> {
    if !(io::stdin().is_terminal() && io::stderr().is_terminal()) {
        return None;
    }
    let _ = write!(io::stderr(), "{prompt}");
    let _ = io::stderr().flush();
    rpassword::read_password().ok()
}

/// Opens the key of the device whose log is in a folder; makes one where there is none.
pub(crate) fn open(folder: &Path, now_ms: i64) -> Result<Keys, CliError> {
    let Some(sealed) = kept(folder)? else {
        let key = DeviceKey::from_seed(&random());
        let device = key.device(now_ms);
        return match write(folder, &SealedKey::plain(device, &key), true) {
            // Another call may have been quicker; its key is the device's.
            Ok(()) => match kept(folder)? {
                Some(sealed) if !sealed.is_locked() => {
                    Ok(Keys::Open(sealed.device, Box::new(sealed.open(None).map_err(|e| vault(&e))?)))
                }
                _ => Ok(Keys::None),
            },
            // A full disk or a folder that takes no writes: what is live can be read all the same.
            Err(_) => Ok(Keys::None),
        };
    };
    if !sealed.is_locked() {
        return Ok(Keys::Open(sealed.device, Box::new(sealed.open(None).map_err(|e| vault(&e))?)));
    }
    match passphrase() {
        None => Ok(Keys::Locked(sealed.device)),
        Some(text) => Ok(Keys::Open(sealed.device, Box::new(sealed.open(Some(&text)).map_err(|e| vault(&e))?))),
    }
}

/// Locks the key by a passphrase, or unlocks it for good.
pub(crate) fn relock(
    folder: &Path,
    passphrase: Option<&str>,
    key: &DeviceKey,
    device: DeviceId,
) -> Result<(), CliError> {
    let sealed = match passphrase {
        None => SealedKey::plain(device, key),
        Some(text) => SealedKey::locked(device, key, text, random(), random()).map_err(|e| vault(&e))?,
    };
    keep(folder, &sealed)
}
