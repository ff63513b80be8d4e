//! One device of a crew.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::process::{Command, Stdio};

use serde_json::Value;
use tempfile::TempDir;

use crate::{Outcome, Row, binary, rows, words};

/// A device: a log, a home and a folder to work in, all its own and gone afterwards.
#[derive(Debug)]
pub struct Device {
    root: TempDir,
}

impl Default for Device {
    fn default() -> Self {
        Self::new()
    }
}

impl Device {
    /// Makes a device that has no log yet.
    pub fn new() -> Self {
        let root = TempDir::with_prefix("embertally-test-").expect("no temporary folder can be made");
        for folder in ["home", "data", "work", "tmp"] {
            fs::create_dir(root.path().join(folder)).expect("a folder cannot be made");
        }
        Self { root }
    }

    /// Returns the folder of its log.
    pub fn log_folder(&self) -> PathBuf {
        self.root.path().join("log")
    }

    /// Returns the path of a file in the folder that it works in, where calls find it by its name alone.
    pub fn path(&self, name: &str) -> PathBuf {
        self.root.path().join("work").join(name)
    }

    /// Writes a file into the folder that it works in.
    #[track_caller]
    pub fn write(&self, name: &str, contents: impl AsRef<[u8]>) {
        fs::write(self.path(name), contents).expect("a file cannot be written");
    }

    /// Reads a file from the folder that it works in.
    #[track_caller]
    pub fn read(&self, name: &str) -> Vec<u8> {
        fs::read(self.path(name)).unwrap_or_else(|e| panic!("{name} cannot be read: {e}"))
    }

    /// Returns a call of the tool, which knows nothing of the user's own home, log and settings.
    pub fn call(&self, line: &str) -> Command {
        let mut command = Command::new(binary());
        command.args(words(line)).current_dir(self.root.path().join("work")).stdin(Stdio::null());
        command.env_clear().envs(std::env::var_os("PATH").map(|path| ("PATH", path)));
        for (name, folder) in [("HOME", "home"), ("XDG_DATA_HOME", "data"), ("TMPDIR", "tmp")] {
            command.env(name, self.root.path().join(folder));
        }
        command
    }

    /// Returns a call of the tool on this device's log.
    pub fn call_on_log(&self, line: &str) -> Command {
        let mut command = self.call(line);
        command.arg("--log").arg(self.log_folder());
        command
    }

    /// Runs the tool on this device's log.
    #[track_caller]
    pub fn run(&self, line: &str) -> Outcome {
        Outcome::new(line, self.call_on_log(line).output().expect("the tool cannot be run"))
    }

    /// Runs what must be done.
    #[track_caller]
    pub fn done(&self, line: &str) -> Outcome {
        self.run(line).ended_with(0)
    }

    /// Runs what must be refused with a reason.
    #[track_caller]
    pub fn refused(&self, line: &str) -> Outcome {
        self.run(line).ended_with(1)
    }

    /// Runs what must be a wrong call.
    #[track_caller]
    pub fn wrong(&self, line: &str) -> Outcome {
        self.run(line).ended_with(2)
    }

    /// Runs what must be done, and returns its JSON object.
    #[track_caller]
    pub fn json(&self, line: &str) -> Value {
        self.done(&format!("{line} --json")).object()
    }

    /// Returns what `rates --json` prints, by lot, fuse and weather.
    #[track_caller]
    pub fn rates(&self, measure: &str) -> String {
        self.done(&format!("rates --by lot,fuse,weather --measure {measure} --json")).text().to_owned()
    }

    /// Returns what `rates --json` prints, for all four measures.
    #[track_caller]
    pub fn all_rates(&self) -> Vec<String> {
        ["ignition", "slow", "transfer", "end-to-end"].map(|measure| self.rates(measure)).into()
    }

    /// Returns the whole log as CSV.
    #[track_caller]
    pub fn export(&self) -> String {
        self.done("export --format csv -").text().to_owned()
    }

    /// Returns the whole log as rows.
    #[track_caller]
    pub fn rows(&self) -> Vec<Row> {
        rows(self.export().as_bytes())
    }

    /// Takes in a file of shots.
    #[track_caller]
    pub fn import(&self, name: &str, contents: impl AsRef<[u8]>) -> Value {
        self.write(name, contents);
        self.json(&format!("import {name}"))
    }

    /// Returns a carry file of the log.
    #[track_caller]
    pub fn carry(&self) -> Vec<u8> {
        self.json("carry out.carry --force");
        self.read("out.carry")
    }

    /// Takes in a carry file.
    #[track_caller]
    pub fn absorb(&self, carried: &[u8]) -> Value {
        self.write("in.carry", carried);
        self.json("absorb in.carry")
    }

    /// Returns every file of the log's folder with its bytes.
    #[track_caller]
    pub fn log_files(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        let entries = fs::read_dir(self.log_folder()).expect("there is no log");
        let paths = entries.map(|entry| entry.expect("the log's folder cannot be read").path());
        paths.map(|path| (path.clone(), fs::read(path).expect("the log cannot be read"))).collect()
    }
}
