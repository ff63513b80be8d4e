//! A server in a process of its own, to be killed.
//!
//! The test binary runs itself: the "test" here does nothing unless it is told to be that server.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use embertally_server::{Server, StoreChoice, Tls};

use crate::rig::config;

const FOLDER: &str = "EMBERTALLY_TEST_SERVER_FOLDER";
const STORE: &str = "EMBERTALLY_TEST_SERVER_STORE";
const PORT: &str = "EMBERTALLY_TEST_SERVER_PORT";

#[test]
#[allow(clippy::print_stdout)]
fn as_a_child_it_is_a_server() {
    let Some(folder) = std::env::var_os(FOLDER) else { return };
    let mut config = config(Path::new(&folder));
    if let Ok(url) = std::env::var(STORE) {
        // Its callers are couriers, which want TLS.
        (config.store, config.tls) = (StoreChoice::Postgres(url), Tls::SelfMade);
    }
    config.listen.set_port(std::env::var(PORT).map_or(0, |port| port.parse().unwrap()));
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let server = Server::start(config).await.unwrap();
        let mut invitations = String::new();
        if server.access().crews().is_empty() {
            invitations = server.invite("Crew A").unwrap().1;
        }
        println!("\nlistening {} {invitations}", server.address);
        std::io::stdout().flush().unwrap();
        // Until it is killed, or whoever started it is gone.
        tokio::task::spawn_blocking(|| std::io::stdin().lines().count()).await.unwrap();
        std::process::exit(0);
    });
}

pub(crate) struct ServerProcess {
    child: Child,
    pub(crate) address: std::net::SocketAddr,
    pub(crate) invitation: String,
}

impl ServerProcess {
    pub(crate) fn start(folder: &Path) -> Self {
        Self::spawn(Command::new(std::env::current_exe().unwrap()).env(FOLDER, folder))
    }

    /// Starts one of several over a database; port 0 is any.
    pub(crate) fn over(folder: &Path, url: &str, port: u16) -> Self {
        let mut command = Command::new(std::env::current_exe().unwrap());
        Self::spawn(command.env(FOLDER, folder).env(STORE, url).env(PORT, port.to_string()))
    }

    fn spawn(command: &mut Command) -> Self {
        let mut child = command
            .args(["--exact", "child::as_a_child_it_is_a_server", "--nocapture", "--test-threads=1"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let line = lines.by_ref().map(Result::unwrap).find(|l| l.starts_with("listening ")).expect("its address");
        let mut words = line.split(' ').skip(1).map(str::to_owned);
        let address = words.next().unwrap().parse().unwrap();
        // What else it prints is not waited for; the pipe must not fill up.
        std::thread::spawn(move || lines.count());
        Self { child, address, invitation: words.next().unwrap_or_default() }
    }

    /// Ends it as a loss of power would, as far as a process can: no word to anybody.
    pub(crate) fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Lets it stand still: its connections stay open, and nothing is done.
    pub(crate) fn pause(&self) {
        self.signal("-STOP");
    }

    pub(crate) fn go_on(&self) {
        self.signal("-CONT");
    }

    fn signal(&self, signal: &str) {
        assert!(Command::new("kill").args([signal, &self.child.id().to_string()]).status().unwrap().success());
    }
}

impl Drop for ServerProcess {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
