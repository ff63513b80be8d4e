//! A private PostgreSQL for tests, from the system's package (Debian: `apt-get install postgresql`).
//!
//! A [`Cluster`] lies in a folder of its own, listens on loopback at a free port and on a socket, and flushes what it
//! writes as a real one does. The folder is in memory (`/dev/shm`) where there is room, else under `/tmp`: a process that
//! is killed or crashes leaves the same behind on either, and the tests take a tenth of the time. It belongs to a small shell that waits for its parent: when the last handle is
//! dropped, or the test process ends in whatever way, the shell stops the server and removes the folder. PostgreSQL does
//! not run as root; a test that does runs it as the user `postgres`, which the package makes.
//!
//! Not for: anything but tests; it panics where a test should fail.

#![allow(clippy::panic, clippy::expect_used, reason = "a test that cannot go on must fail")]

use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError, Weak};

/// The password of the only user, over TCP.
pub const PASSWORD: &str = "for tests only";

/// Makes the folder, and prints where it is.
const MAKE: &str = r#"
set -eu
place=/tmp
free=$(df -Pk /dev/shm 2>/dev/null | awk 'NR == 2 { print $4 }')
if [ -z "$ON_DISK" ] && [ "${free:-0}" -gt 1000000 ] && [ -w /dev/shm ]; then place=/dev/shm; fi
folder=$(mktemp -d "$place/embertally-postgres.XXXXXX")
trap 'rm -rf "$folder"' EXIT
printf '%s' "$PASSWORD" > "$folder/password"
"$BIN/initdb" -D "$folder/data" -U embertally --auth-local=trust --auth-host=scram-sha-256 \
  --pwfile="$folder/password" -E UTF8 --locale=C --data-checksums --wal-segsize=1 --no-sync --no-instructions >"$folder/initdb.log" 2>&1 \
  || { cat "$folder/initdb.log" >&2; exit 1; }
trap - EXIT
printf '%s\n' "$folder"
"#;

/// Runs the server until its input ends or says a word: `keep` leaves the folder, and `crash` stops without a checkpoint.
const RUN: &str = r#"
set -u
trap '' INT TERM HUP
"$BIN/postgres" -D "$FOLDER/data" -k "$FOLDER" -p "$PORT" -c listen_addresses=127.0.0.1 \
  -c max_connections=60 -c shared_buffers=32MB -c timezone=UTC >>"$FOLDER/log" 2>&1 &
server=$!
said=failed
for _ in $(seq 400); do
  kill -0 $server 2>/dev/null || break
  if "$BIN/pg_isready" -q -h "$FOLDER" -p "$PORT"; then said=ready; break; fi
  sleep 0.05
done
echo $said
word=
read -r word || true
case "$word" in keep) kill -INT $server ;; *) kill -QUIT $server ;; esac 2>/dev/null
wait $server
case "$word" in keep | crash) ;; *) rm -rf "$FOLDER" ;; esac
"#;

/// A PostgreSQL server of the test's own.
#[derive(Debug)]
pub struct Cluster {
    folder: PathBuf,
    port: u16,
    running: Mutex<Option<Running>>,
}

#[derive(Debug)]
struct Running {
    shell: Child,
    word: ChildStdin,
}

impl Cluster {
    /// Returns the server that the tests of this process share; the first to ask starts it, the last to drop it stops it.
    #[must_use]
    pub fn shared() -> Arc<Self> {
        static SHARED: Mutex<Weak<Cluster>> = Mutex::new(Weak::new());
        let mut shared = SHARED.lock().unwrap_or_else(PoisonError::into_inner);
        shared.upgrade().unwrap_or_else(|| {
            let cluster = Arc::new(Self::start());
            *shared = Arc::downgrade(&cluster);
            cluster
        })
    }

    /// Makes and starts a server.
    #[must_use]
    pub fn start() -> Self {
        Self::make("")
    }

    /// Makes and starts a server whose folder is on the disk under `/tmp`, for measuring.
    #[must_use]
    pub fn on_disk() -> Self {
        Self::make("yes")
    }

    fn make(on_disk: &str) -> Self {
        let mut make = shell(MAKE);
        make.env("PASSWORD", PASSWORD).env("ON_DISK", on_disk).stderr(Stdio::inherit());
        let made = make.output().expect("a shell runs");
        assert!(made.status.success(), "no database cluster could be made");
        let folder = PathBuf::from(String::from_utf8_lossy(&made.stdout).trim());
        let mut cluster = Self { folder, port: 0, running: Mutex::new(None) };
        // Another process may take the port between finding and using it.
        for _ in 0..5 {
            cluster.port = free_port();
            if cluster.try_go_on() {
                return cluster;
            }
        }
        panic!("PostgreSQL does not start: {}", cluster.log());
    }

    /// Returns the folder: its socket, the server's `log`, and `data`.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Returns the port on 127.0.0.1.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Returns the address of a database of this server, by its socket.
    #[must_use]
    pub fn url(&self, database: &str) -> String {
        let folder = self.folder.to_string_lossy().replace('/', "%2F");
        format!("postgres://embertally@{folder}:{}/{database}", self.port)
    }

    /// Returns the address of a database of this server, by TCP on loopback and with the password.
    #[must_use]
    pub fn tcp_url(&self, database: &str) -> String {
        format!("postgres://embertally:{}@127.0.0.1:{}/{database}", PASSWORD.replace(' ', "%20"), self.port)
    }

    /// Returns a name for a schema or database that nobody in this process has had yet.
    #[must_use]
    pub fn new_name() -> String {
        static NEXT: AtomicU32 = AtomicU32::new(1);
        format!("test_{}_{}", std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed))
    }

    /// Makes an empty database; returns its name.
    #[must_use]
    pub fn new_database(&self) -> String {
        let name = Self::new_name();
        self.sql("postgres", &format!("CREATE DATABASE {name}"));
        name
    }

    /// Runs statements by `psql` and returns what they print, without decoration.
    #[must_use = "what they print; drop() it if they print nothing"]
    pub fn query(&self, database: &str, sql: &str) -> String {
        let mut psql =
            shell(r#"exec "$BIN/psql" -X -q -A -t -v ON_ERROR_STOP=1 -h "$FOLDER" -p "$PORT" -U embertally"#);
        psql.env("PGDATABASE", database).env("FOLDER", &self.folder).env("PORT", self.port.to_string());
        let mut child = psql.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("psql runs");
        child.stdin.take().expect("was asked for").write_all(sql.as_bytes()).expect("psql reads");
        let output = child.wait_with_output().expect("psql ends");
        assert!(output.status.success(), "psql refused: {sql}");
        String::from_utf8_lossy(&output.stdout).trim().to_owned()
    }

    /// Runs statements by `psql`, for what they do.
    pub fn sql(&self, database: &str, sql: &str) {
        drop(self.query(database, sql));
    }

    /// Stops the server as an administrator does, ending its connections; [`Cluster::go_on`] starts it again.
    pub fn stop(&self) {
        self.end("keep");
    }

    /// Stops the server as a crash does: nothing is finished, and its log is replayed at the next start.
    pub fn crash(&self) {
        self.end("crash");
    }

    /// Starts the server again, at the same port.
    pub fn go_on(&self) {
        assert!(self.try_go_on(), "PostgreSQL does not start again: {}", self.log());
    }

    /// Returns what the server has written to its log.
    #[must_use]
    pub fn log(&self) -> String {
        std::fs::read_to_string(self.folder.join("log")).unwrap_or_default()
    }

    fn try_go_on(&self) -> bool {
        let mut run = shell(RUN);
        run.env("FOLDER", &self.folder).env("PORT", self.port.to_string());
        let mut shell = run.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("a shell runs");
        let mut said = String::new();
        let output = shell.stdout.take().expect("was asked for");
        BufReader::new(output).read_line(&mut said).expect("the shell speaks");
        let word = shell.stdin.take().expect("was asked for");
        let mut running = self.running();
        *running = Some(Running { shell, word });
        drop(running);
        if said.trim() != "ready" {
            self.end("keep");
        }
        said.trim() == "ready"
    }

    fn running(&self) -> std::sync::MutexGuard<'_, Option<Running>> {
        self.running.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn end(&self, how: &str) {
        if let Some(mut running) = self.running().take() {
            // A shell that is gone already has stopped the server.
            let _ = writeln!(running.word, "{how}");
            drop(running.word);
            let _ = running.shell.wait();
        }
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        let was_running = self.running().is_some();
        self.end("remove");
        if !was_running {
            let _ = std::fs::remove_dir_all(&self.folder);
        }
    }
}

/// A shell script that finds PostgreSQL's programs in `$BIN`, run by somebody who is not root.
fn shell(script: &str) -> Command {
    let mut command = if is_root() {
        let mut command = Command::new("runuser");
        command.args(["-u", "postgres", "--", "bash", "-c", script]);
        command
    } else {
        let mut command = Command::new("bash");
        command.args(["-c", script]);
        command
    };
    // Not the caller's folder, which the other user may have no right to enter.
    command.current_dir("/").env("BIN", programs());
    command
}

fn is_root() -> bool {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata("/proc/self").is_ok_and(|process| process.uid() == 0)
}

/// Where PostgreSQL's programs are: `EMBERTALLY_POSTGRES_BIN`, or the newest version that Debian's package put there.
fn programs() -> PathBuf {
    if let Some(given) = std::env::var_os("EMBERTALLY_POSTGRES_BIN") {
        return given.into();
    }
    let versions = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    let version = |path: &Path| path.file_name().and_then(|name| name.to_str()?.parse::<u32>().ok());
    versions
        .map(|entry| entry.path())
        .filter(|path| path.join("bin/postgres").exists())
        .max_by_key(|path| version(path))
        .map(|path| path.join("bin"))
        .expect(
            "PostgreSQL is not installed: apt-get install postgresql, or name its folder in EMBERTALLY_POSTGRES_BIN",
        )
}

fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback has a free port");
    listener.local_addr().expect("it has an address").port()
}
