//! Files in and out: shots, and what is carried from device to device. Each works on a log opened beside, so that
//! whoever logs meanwhile does not wait.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

use embertally_core::exchange::{
    ImportError, ImportOptions, Known, read_csv, read_jsonl, rows_of_volley, with_homes, write_csv, write_jsonl,
};
use embertally_core::ledger::Ledger;

use crate::desk::{Desk, Result};
use crate::error::EmbertallyError;
use crate::long::Cancel;
use crate::records::FileFormat;
use crate::views::{Absorbed, Carried, Imported};

fn read(path: &str) -> Result<Vec<u8>> {
    fs::read(path).map_err(|e| EmbertallyError::file("read", path, &e))
}

/// Writes a file: whole or not at all. What an error says first is what counts.
fn write<T>(path: &str, cancel: &Cancel, fill: impl FnOnce(&mut dyn Write) -> Result<T>) -> Result<T> {
    let target = Path::new(path);
    let mut name = target.file_name().unwrap_or_default().to_owned();
    name.push(".new");
    let fresh = target.with_file_name(name);
    let failed = |e: io::Error| EmbertallyError::file("write", path, &e);
    let made = File::create(&fresh).map_err(failed).and_then(|file| {
        let mut out = BufWriter::new(file);
        let filled = fill(&mut out)?;
        out.into_inner().map_err(|e| failed(e.into_error()))?.sync_all().map_err(failed)?;
        cancel.check()?;
        fs::rename(&fresh, target).map_err(failed)?;
        Ok(filled)
    });
    if made.is_err() {
        let _ = fs::remove_file(&fresh);
    }
    made
}

/// Says what is wrong with a file, place by place.
fn import_error(path: &str, error: &ImportError) -> EmbertallyError {
    let code = match error {
        ImportError::BadRows { .. } => "E_BAD_ROWS",
        ImportError::MissingColumns { .. } => "E_MISSING_COLUMNS",
        ImportError::TooManyRows { .. } => "E_TOO_MANY_ROWS",
        _ => "E_FORMAT",
    };
    let mut text = match error {
        ImportError::BadRows { bad, count } => {
            let rows = if *count == 1 { "row" } else { "rows" };
            let mut text = format!("{count} bad {rows} in {path}:");
            bad.iter().take(20).for_each(|row| text.push_str(&format!("\n  {row}")));
            if *count > 20 {
                text.push_str(&format!("\n  and {} more", count - 20));
            }
            text.push_str("\nCorrect them, or keep the good rows.");
            text
        }
        other => format!("{path}, {other}."),
    };
    text.push_str(" Nothing was imported; the log is as it was.");
    EmbertallyError::refused(code, text)
}

impl Desk {
    /// Counts what a long work brought, and has observers told of it.
    pub(crate) fn brought(&self) -> Result<()> {
        self.log().refresh()?;
        self.read_anew()?;
        self.crier.brought(0, 0);
        Ok(())
    }

    pub(crate) fn import(&self, path: &str, format: FileFormat, keep_good: bool, cancel: &Cancel) -> Result<Imported> {
        let bytes = read(path)?;
        let known = self.read(|ledger| Known::of(ledger.register()))?;
        let options = ImportOptions { keep_good, ..ImportOptions::default() };
        let read = match format {
            FileFormat::Csv => read_csv,
            FileFormat::JsonLines => read_jsonl,
        };
        let import = read(&bytes, &options, &known).map_err(|e| import_error(path, &e))?;
        let mut log = self.another()?;
        cancel.check()?;
        let written = log.write_all(&with_homes(import.entries))?;
        self.brought()?;
        let left_out = import.bad.iter().map(|row| format!("Left out: {row}."));
        Ok(Imported {
            rows: import.rows,
            bad_rows: import.bad_count,
            added: written.added as u64,
            already: written.already as u64,
            notices: import.notices.iter().map(ToString::to_string).chain(left_out).collect(),
        })
    }

    pub(crate) fn export(&self, path: &str, format: FileFormat, cancel: &Cancel) -> Result<u64> {
        let mut ledger = Ledger::new();
        let mut log = self.another()?;
        log.replay(|_, entry| ledger.add(&entry))?;
        ledger.settle();
        cancel.check()?;
        write(path, cancel, |out| {
            let rows = ledger.volleys().flat_map(|view| rows_of_volley(&ledger, &view));
            let written = match format {
                FileFormat::Csv => write_csv(out, rows),
                FileFormat::JsonLines => write_jsonl(out, rows),
            };
            written.map_err(|e| EmbertallyError::file("write", path, &e))
        })
    }

    pub(crate) fn carry(&self, path: &str, cancel: &Cancel) -> Result<Carried> {
        let mut log = self.another()?;
        let carried = write(path, cancel, |out| Ok(log.carry(out)?))?;
        Ok(Carried {
            documents: carried.documents as u64,
            entries: carried.entries as u64,
            bytes: carried.bytes as u64,
        })
    }

    pub(crate) fn absorb(&self, path: &str, cancel: &Cancel) -> Result<Absorbed> {
        let bytes = read(path)?;
        let mut log = self.another()?;
        cancel.check()?;
        let before = self.live_so_far();
        let absorbed = log.absorb(&bytes)?;
        self.log().refresh()?;
        self.confirm_joinings()?;
        self.brought()?;
        let after = self.live_so_far();
        Ok(Absorbed {
            added: absorbed.added.len() as u64,
            already: absorbed.already as u64,
            newly_live: after.0 - before.0,
            no_longer_live: after.1 - before.1,
        })
    }
}
