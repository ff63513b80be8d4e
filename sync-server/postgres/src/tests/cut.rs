//! Connections that are cut, and a server that is stopped.

use std::io::{Read, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;

use super::*;
use crate::is_passing;

/// Where a connection is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cut {
    /// When the client sends a statement; it does not reach the server.
    Statement,
    /// When the client sends `COMMIT`; it does not reach the server.
    BeforeCommit,
    /// When the server answers `COMMIT`; the answer does not reach the client.
    AfterCommit,
}

/// A line to the server that can be cut once.
struct Proxy {
    port: u16,
    armed: Arc<Mutex<Option<Cut>>>,
}

impl Proxy {
    fn to(port: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let own = listener.local_addr().unwrap().port();
        let armed = Arc::new(Mutex::new(None));
        let shared = Arc::clone(&armed);
        // Ends with the process: the test's last connection is not known here.
        thread::spawn(move || {
            for client in listener.incoming().map_while(Result::ok) {
                let server = TcpStream::connect(("127.0.0.1", port)).unwrap();
                let pairs = [(client.try_clone().unwrap(), server.try_clone().unwrap(), true), (server, client, false)];
                for (from, to, of_client) in pairs {
                    let shared = Arc::clone(&shared);
                    thread::spawn(move || pass(from, to, of_client, &shared));
                }
            }
        });
        Self { port: own, armed }
    }

    fn arm(&self, cut: Cut) {
        *self.armed.lock().unwrap() = Some(cut);
    }

    fn is_cut(&self) -> bool {
        self.armed.lock().unwrap().is_none()
    }
}

fn pass(mut from: TcpStream, mut to: TcpStream, of_client: bool, armed: &Mutex<Option<Cut>>) {
    let mut buffer = vec![0; 1 << 16];
    while let Ok(count @ 1..) = from.read(&mut buffer) {
        let bytes = &buffer[..count];
        let says_commit = bytes.windows(6).any(|word| word == b"COMMIT");
        let mut armed = armed.lock().unwrap();
        let cut = match *armed {
            Some(Cut::Statement) => of_client,
            Some(Cut::BeforeCommit) => of_client && says_commit,
            // The server's word for it is "COMMIT" too.
            Some(Cut::AfterCommit) => !of_client && says_commit,
            None => false,
        };
        if cut {
            *armed = None;
            break;
        }
        drop(armed);
        if to.write_all(bytes).is_err() {
            break;
        }
    }
    let _ = (from.shutdown(Shutdown::Both), to.shutdown(Shutdown::Both));
}

#[test]
fn a_cut_while_committing_is_unknown_and_any_other_cut_keeps_nothing() {
    let cluster = Cluster::shared();
    let proxy = Proxy::to(cluster.port());
    let url = cluster.tcp_url("postgres").replace(&cluster.port().to_string(), &proxy.port.to_string());
    let database = Database::connect(&url, in_new_schema().connections(1), runtime().handle()).unwrap();
    let mut store = PostgresStore::open(&database, CREW).unwrap();
    store.commit(&numbered(0)).unwrap();
    let mut kept = BTreeSet::from([0]);
    for (number, cut) in (1..).zip([Cut::BeforeCommit, Cut::AfterCommit, Cut::Statement].repeat(4)) {
        proxy.arm(cut);
        let error = store.commit(&numbered(number)).unwrap_err();
        assert!(proxy.is_cut(), "{cut:?}");
        match cut {
            Cut::Statement => assert!(is_passing(&error), "{cut:?}: {error}"),
            _ => assert!(matches!(error, StoreError::OutcomeUnknown { .. }), "{cut:?}: {error}"),
        }
        if cut == Cut::AfterCommit {
            kept.insert(number);
        }
        // The same store goes on with a new connection; what the server still had open ends with the old one.
        assert_eq!(numbers(&mut store), kept, "{cut:?}");
        store.commit(&numbered(100 + number)).unwrap();
        kept.insert(100 + number);
    }
    proxy.arm(Cut::Statement);
    assert!(is_passing(&store.list().unwrap_err()));
    assert_eq!(numbers(&mut store), kept);
}

#[test]
fn a_server_that_is_stopped_or_crashes_is_out_of_reach_until_it_is_back_with_all_it_acknowledged() {
    let cluster = Cluster::start();
    let database = connect(&cluster, in_new_schema());
    let mut store = PostgresStore::open(&database, CREW).unwrap();
    let mut kept = BTreeSet::new();
    for (number, crash) in (0..).zip([false, true]) {
        store.commit(&numbered(number)).unwrap();
        kept.insert(number);
        if crash {
            cluster.crash()
        } else {
            cluster.stop()
        }
        for _ in 0..3 {
            let errors = [store.commit(&numbered(99)).unwrap_err(), store.list().unwrap_err()];
            for error in errors {
                assert!(is_passing(&error), "{error}");
            }
            assert!(is_passing(&database.ping().unwrap_err()));
        }
        cluster.go_on();
        assert_eq!(numbers(&mut store), kept);
        database.ping().unwrap();
    }
    store.commit(&numbered(50)).unwrap();
}
