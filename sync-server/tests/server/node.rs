//! A stock automerge-repo client in Node, in a process of its own.

use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};

use serde_json::{Value, json};

use crate::device::PATIENCE;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../tests/npm/repo-client")
}

/// Tells whether Node and the client's packages are there. If not, it says so; where they must be (the variable
/// `EMBERTALLY_REQUIRE_NODE` is set), the test fails.
#[allow(clippy::print_stderr)]
pub(crate) fn is_there() -> bool {
    let node = Command::new("node").arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status();
    let missing = if !node.is_ok_and(|status| status.success()) {
        "node is not on the PATH"
    } else if !folder().join("node_modules/@automerge/automerge-repo").is_dir() {
        "the packages are not installed: npm ci --ignore-scripts --prefix tests/npm/repo-client"
    } else {
        return true;
    };
    assert!(std::env::var_os("EMBERTALLY_REQUIRE_NODE").is_none(), "{missing}");
    eprintln!("NOT TESTED with stock automerge-repo clients: {missing}");
    false
}

pub(crate) struct NodeClient {
    child: Child,
    said: Receiver<Value>,
    /// What it said unasked.
    pub(crate) events: Vec<Value>,
}

impl NodeClient {
    pub(crate) fn start(url: &str) -> Self {
        let mut child = Command::new("node")
            .arg("client.mjs")
            .arg(url)
            .current_dir(folder())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (sender, said) = channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let value = serde_json::from_str(&line).unwrap_or_else(|_| json!({ "event": "noise", "what": line }));
                if sender.send(value).is_err() {
                    return;
                }
            }
        });
        Self { child, said, events: Vec::new() }
    }

    /// Starts one, and waits until the server has answered its first word.
    pub(crate) fn joined(url: &str) -> Self {
        let mut client = Self::start(url);
        client.until_event("joined");
        client
    }

    fn next(&self) -> Value {
        tokio::task::block_in_place(|| self.said.recv_timeout(PATIENCE)).expect("something from the client")
    }

    /// Tells it to do something, and waits for the answer.
    pub(crate) fn tell(&mut self, command: Value) -> Value {
        self.begin(&command);
        self.answer()
    }

    pub(crate) fn begin(&mut self, command: &Value) {
        writeln!(self.child.stdin.as_mut().unwrap(), "{command}").unwrap();
    }

    pub(crate) fn answer(&mut self) -> Value {
        loop {
            let said = self.next();
            if said.get("done").is_some() {
                return said;
            }
            self.events.push(said);
        }
    }

    /// Waits until it says this unasked, if it has not yet.
    pub(crate) fn until_event(&mut self, event: &str) -> Value {
        loop {
            if let Some(at) = self.events.iter().position(|e| e["event"] == event) {
                return self.events.remove(at);
            }
            let said = self.next();
            self.events.push(said);
        }
    }
}

impl Drop for NodeClient {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
