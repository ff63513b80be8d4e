//! How a server is set up, as values; whoever starts it reads flags and files into these.

use std::fmt;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;

use crate::hub::Hub;
use crate::limits::{Quota, ServerLimits};

/// Where crews' bytes are kept.
#[derive(Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum StoreChoice {
    /// One SQLite store a crew, in `crews/` of the data folder.
    Sqlite,
    /// A PostgreSQL database, for several servers over one: its URL.
    Postgres(String),
}

impl fmt::Debug for StoreChoice {
    /// Leaves the URL out: it may hold a password.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Sqlite => "Sqlite",
            Self::Postgres(_) => "Postgres(…)",
        })
    }
}

/// A certificate and its key, given as PEM files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Files {
    /// The certificate, with those that vouch for it behind it.
    pub certificate: PathBuf,
    /// Its private key.
    pub key: PathBuf,
    /// Whether devices trust it as they trust web sites; if not, invitations carry its fingerprint.
    pub publicly_trusted: bool,
}

/// How the line is kept private.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Tls {
    /// By a certificate that the server makes at its first start and keeps in the data folder. Devices know it by its
    /// fingerprint, which travels in the invitation.
    SelfMade,
    /// By a certificate given.
    Files(Files),
    /// Not at all. Only on a loopback address, behind something that does it.
    Plain,
}

/// Adds routes of its own to the server, once, at its start.
#[derive(Clone)]
pub struct Extend(pub Arc<dyn Fn(Hub) -> axum::Router + Send + Sync>);

impl fmt::Debug for Extend {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Extend(…)")
    }
}

/// Everything that a server needs to be told.
#[derive(Debug, Clone)]
pub struct Config {
    /// Where to listen; port 0 takes a free one.
    pub listen: SocketAddr,
    /// Where it keeps everything; made if missing.
    pub data: PathBuf,
    /// Where crews' bytes are kept.
    pub store: StoreChoice,
    /// How the line is kept private.
    pub tls: Tls,
    /// Names or addresses that devices know this server by; the first is written into invitations. They are also
    /// written into a certificate that is made.
    pub names: Vec<String>,
    /// Where backups go; `backups/` in the data folder unless given.
    pub backups: Option<PathBuf>,
    /// Whether the data folder (or database) was just restored from a backup: the server takes a new device id, as
    /// devices remember what the old one had and would not send it again.
    pub restored: bool,
    /// How many threads have crews' logs; 0 is one a processor, at most 4.
    pub threads: usize,
    /// What connections and devices may use.
    pub limits: ServerLimits,
    /// What a crew may keep.
    pub quota: Quota,
    /// Routes of others.
    pub extend: Vec<Extend>,
}

impl Config {
    /// Returns a configuration that listens on loopback, port 7443, with a certificate of its own and SQLite.
    #[must_use]
    pub fn new(data: impl Into<PathBuf>) -> Self {
        Self {
            listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 7443)),
            data: data.into(),
            store: StoreChoice::Sqlite,
            tls: Tls::SelfMade,
            names: Vec::new(),
            backups: None,
            restored: false,
            threads: 0,
            limits: ServerLimits::default(),
            quota: Quota::default(),
            extend: Vec::new(),
        }
    }
}
