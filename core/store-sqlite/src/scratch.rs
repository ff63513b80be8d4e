//! A copy of the log in a folder of its own, for reading where nothing can be written.
//!
//! SQLite needs a writable folder to read a write-ahead log. On a full disk or a read-only medium the files are copied
//! elsewhere, opened there, and removed again: what is live must be readable then too.

use std::fs::{self, DirBuilder};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use embertally_core::store::StoreError;

use crate::error::from_io;
use crate::open::FILE_NAME;

/// A folder with a copy of the log's files, removed when dropped.
#[derive(Debug)]
pub(crate) struct Scratch(PathBuf);

impl Scratch {
    /// Copies the log's files to the first place that has room.
    pub(crate) fn copy_of(folder: &Path) -> Result<Self, StoreError> {
        let mut places = vec![std::env::temp_dir()];
        if cfg!(target_os = "linux") {
            places.push(PathBuf::from("/dev/shm"));
        }
        let mut last = io::Error::from(io::ErrorKind::NotFound);
        for place in places {
            match Self::copy_to(folder, &place) {
                Ok(scratch) => return Ok(scratch),
                Err(error) => last = error,
            }
        }
        Err(from_io(last))
    }

    fn copy_to(folder: &Path, place: &Path) -> io::Result<Self> {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let scratch = Self(place.join(format!("embertally-read-{}-{number}", std::process::id())));
        let mut builder = DirBuilder::new();
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder.create(&scratch.0)?;
        fs::copy(folder.join(FILE_NAME), scratch.0.join(FILE_NAME))?;
        let log = format!("{FILE_NAME}-wal");
        if folder.join(&log).exists() {
            fs::copy(folder.join(&log), scratch.0.join(&log))?;
        }
        Ok(scratch)
    }

    pub(crate) fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        // What cannot be removed is left to the system's own cleaning.
        let _ = fs::remove_dir_all(&self.0);
    }
}
