//! Runs of the tool that go on: a server, or a device that stays connected.

use std::io::BufReader;
use std::path::PathBuf;
use std::process::{Child, ChildStdout, Command, Stdio};

use embertally_tests::Device;
use serde_json::{Deserializer, StreamDeserializer, Value, de::IoRead};

/// A run that goes on until it is ended, and prints JSON objects meanwhile.
pub(crate) struct Running {
    child: Child,
    objects: StreamDeserializer<'static, IoRead<BufReader<ChildStdout>>, Value>,
}

impl Running {
    pub(crate) fn start(mut call: Command) -> Self {
        let mut child = call.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("the tool cannot be run");
        let printed = child.stdout.take().expect("it prints");
        let objects = Deserializer::from_reader(BufReader::new(printed)).into_iter();
        Self { child, objects }
    }

    /// Waits for the next object.
    #[track_caller]
    pub(crate) fn object(&mut self) -> Value {
        self.objects.next().expect("it ended without a word").expect("it printed no JSON")
    }

    /// Waits for an event of a kind.
    #[track_caller]
    pub(crate) fn event(&mut self, kind: &str) -> Value {
        loop {
            let object = self.object();
            if object["event"] == kind {
                return object;
            }
        }
    }

    /// Ends it as a power cut does.
    pub(crate) fn kill(&mut self) {
        self.child.kill().expect("it cannot be killed");
        self.child.wait().expect("it cannot be waited for");
    }

    /// Asks it to end, and returns its exit code.
    pub(crate) fn terminate(&mut self) -> Option<i32> {
        let asked = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status();
        assert!(asked.expect("kill cannot be run").success());
        self.child.wait().expect("it cannot be waited for").code()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A server with its data in a folder of its own, on a port that stays the same when it is started again.
pub(crate) struct Server {
    home: Device,
    run: Running,
    address: String,
    /// The invitation of the first start.
    pub(crate) invitation: String,
}

impl Server {
    pub(crate) fn new() -> Self {
        let home = Device::new();
        let mut run = Running::start(home.call("serve --json --data data --listen 127.0.0.1:0"));
        let told = run.object();
        let text = |field: &str| told[field].as_str().unwrap_or_else(|| panic!("no {field}: {told:#}")).to_owned();
        assert!(text("admin_token").len() > 20 && text("fingerprint").len() == 64, "{told:#}");
        let (address, invitation) = (text("address"), text("invitation"));
        Self { home, run, address, invitation }
    }

    /// Returns the folder of its data.
    pub(crate) fn folder(&self) -> PathBuf {
        self.home.path("data")
    }

    pub(crate) fn kill(&mut self) {
        self.run.kill();
    }

    pub(crate) fn terminate(&mut self) -> Option<i32> {
        self.run.terminate()
    }

    /// Calls `serve` over the same data and address while it runs; returns what is printed.
    pub(crate) fn beside(&self, options: &str) -> Value {
        self.home.json(&format!("serve --data data --listen {} {options}", self.address))
    }

    /// Starts it again, with further options; returns what it prints.
    pub(crate) fn start_again(&mut self, options: &str) -> Value {
        let line = format!("serve --json --data data --listen {} {options}", self.address);
        self.run = Running::start(self.home.call(&line));
        self.run.object()
    }
}
