//! Copying a store that is in use.

use std::ffi::OsString;
use std::fs::{self, File};
use std::path::{Path, PathBuf};

use embertally_core::store::StoreError;
use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};

use crate::error::{from_io, from_sqlite};
use crate::open::sync_folder;
use crate::sql::Sql;

/// Copies page by page, so that a damaged store can be copied too. Under another name until it is whole.
pub(crate) fn copy(sql: &Sql<'_>, target: &Path) -> Result<(), StoreError> {
    if target.try_exists().map_err(from_io)? {
        return Err(StoreError::Other { reason: "there is a file of that name already".to_owned(), source: None });
    }
    let part = part_of(target);
    let copied = copy_pages(sql, &part).and_then(|()| {
        File::options().write(true).open(&part).and_then(|file| file.sync_all()).map_err(from_io)?;
        fs::rename(&part, target).map_err(from_io)
    });
    if copied.is_err() {
        // The first error is the one to tell; what is left of the copy is useless either way.
        let _ = fs::remove_file(&part);
    }
    copied?;
    target.parent().filter(|folder| !folder.as_os_str().is_empty()).map_or(Ok(()), sync_folder)
}

fn copy_pages(sql: &Sql<'_>, part: &Path) -> Result<(), StoreError> {
    let copy = || {
        let mut to = Connection::open(part)?;
        // One step: the write-ahead log lets others write meanwhile.
        let step = Backup::new(sql.connection, &mut to)?.step(-1)?;
        to.close().map_err(|(_, error)| error)?;
        Ok(step)
    };
    match copy().map_err(|error| from_sqlite(error, sql.waited_ms))? {
        StepResult::Done => Ok(()),
        _ => Err(StoreError::Busy { waited_ms: sql.waited_ms }),
    }
}

fn part_of(target: &Path) -> PathBuf {
    let mut name = OsString::from(target);
    name.push(".part");
    PathBuf::from(name)
}
