//! The file that a command writes.

use std::fmt;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::error::{CliError, file_error};
use crate::output::{self, Answer};
use crate::session::{Session, system_bits};

/// Where a command writes: a file that may be written, or standard output.
pub(super) struct Target<'a> {
    named: &'a Path,
    /// The file itself, behind links; none for standard output.
    real: Option<PathBuf>,
    replace: bool,
}

impl fmt::Display for Target<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.real {
            Some(_) => write!(f, "{}", self.named.display()),
            None => f.write_str("standard output"),
        }
    }
}

impl<'a> Target<'a> {
    /// Refuses what must not be written over: anything in the folder of the log, what is no file, and, unless `replace`
    /// is given, any file that is there.
    pub(super) fn open(log: &Path, named: &'a Path, replace: bool) -> Result<Self, CliError> {
        if named == Path::new("-") {
            return Ok(Self { named, real: None, replace });
        }
        let fail = |e: io::Error| file_error("write", named, &e);
        let shown = named.display();
        let real = match fs::metadata(named) {
            Ok(there) if !there.is_file() => {
                let text = format!("{shown} is no file and is not written over; `-` writes to standard output.");
                return Err(CliError::refused("E_NO_FILE", text));
            }
            Ok(_) => named.canonicalize().map_err(fail)?,
            Err(_) => {
                let name = named.file_name().ok_or_else(|| CliError::Usage(format!("{shown} names no file.")))?;
                let folder = named.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
                folder.canonicalize().map_err(fail)?.join(name)
            }
        };
        if real.starts_with(log.canonicalize().map_err(fail)?) {
            let text =
                format!("{shown} is in the folder of the log, where nothing else is written. Choose another place.");
            return Err(CliError::refused("E_IN_LOG", text));
        }
        let target = Self { named, real: Some(real), replace };
        target.check_free()?;
        Ok(target)
    }

    fn check_free(&self) -> Result<(), CliError> {
        let is_there = self.real.as_ref().is_some_and(|real| real.symlink_metadata().is_ok());
        if self.replace || !is_there {
            return Ok(());
        }
        let shown = self.named.display();
        let text = format!("{shown} is there already. Choose another name, or give --force to write over it.");
        Err(CliError::refused("E_EXISTS", text))
    }

    /// Writes the file beside the old one and puts it in its place, so that a full disk leaves the old one whole.
    pub(super) fn write(&self, write: impl FnOnce(&mut dyn Write) -> Result<(), CliError>) -> Result<(), CliError> {
        let Some(real) = &self.real else { return write(&mut io::stdout().lock()) };
        let fail = |e: io::Error| file_error("write", self.named, &e);
        let folder = real.parent().unwrap_or(Path::new("."));
        // A name of its own: two commands at once, or a file that somebody else calls so, must not meet.
        let temporary = folder.join(format!(".embertally-{:016x}.part", system_bits()));
        let file = fs::File::create_new(&temporary).map_err(fail)?;
        let written = (|| {
            let mut out = io::BufWriter::new(file);
            write(&mut out)?;
            out.into_inner().map_err(|e| fail(e.into_error()))?.sync_all().map_err(fail)?;
            self.check_free()?;
            fs::rename(&temporary, real).map_err(fail)
        })();
        if written.is_err() {
            // The half-written file is of no use to anybody; the error says what happened.
            let _ = fs::remove_file(&temporary);
            return written;
        }
        // The new name must outlive a power cut too. Some file systems cannot be asked; the file itself is safe by then.
        #[cfg(unix)]
        let _ = fs::File::open(folder).and_then(|folder| folder.sync_all());
        Ok(())
    }

    /// Prints a command's JSON object; where standard output is the file, nothing else may stand there.
    pub(super) fn answer(&self, answer: Value, session: &Session) -> Result<(), CliError> {
        match self.real {
            Some(_) => output::json(&Answer::new(answer, session.problems())),
            None => Ok(()),
        }
    }
}
