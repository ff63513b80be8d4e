//! What connections, devices and crews may use at most.

use std::time::Duration;

use embertally_core::sync::Limits;

/// What the server allows. Each limit costs whoever meets it, and nobody else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ServerLimits {
    /// What a device may send in a conversation.
    pub sync: Limits,
    /// Connections at one time, from all addresses together: 4,096.
    pub connections: usize,
    /// Connections at one time from one address: 200.
    pub connections_per_address: usize,
    /// Sockets at one time with one token: 20.
    pub connections_per_token: usize,
    /// Frames a second with one token, over a longer time: 100; more wait. (Bytes are counted by the conversation.)
    pub frames_per_s: u32,
    /// Frames that may come at once on top of it: 4,096.
    pub frames_at_once: u32,
    /// New connections a second from one address, over a longer time: 20; more are closed at once.
    pub joins_per_s: u32,
    /// New connections from one address that may come at once on top of it: 400.
    pub joins_at_once: u32,
    /// Wrong tokens from one address that are answered as such, then one every six seconds: 10. A right token is let in
    /// all the same, so nobody can lock others of the same address out.
    pub wrong_tokens_at_once: u32,
    /// Challenges and their answers from one address at once: 100.
    pub visits_at_once: u32,
    /// The same a second, over a longer time: 5.
    pub visits_per_s: u32,
    /// How long a challenge may be answered: 60 s.
    pub challenge: Duration,
    /// How long a member's session opens new connections: 10 minutes. Those that are open stay so.
    pub session: Duration,
    /// How long conversations by writers' tokens may go on in a log that lets in members from now on: 60 s.
    pub members_grace: Duration,
    /// Requests a second of the HTTP part with one token, over a longer time: 10.
    pub requests_per_s: u32,
    /// Requests that may come at once on top of it: 100.
    pub requests_at_once: u32,
    /// From the connection to an accepted token, and from there to the first frame: 5 s each.
    pub opening: Duration,
    /// How often a quiet socket is asked for a sign of life: 30 s.
    pub ping: Duration,
    /// After how long without one it is closed: 60 s.
    pub idle: Duration,
    /// Bytes that may wait to be read by a device before it is closed: 4 MiB.
    pub waiting_bytes: usize,
    /// Bytes of frames that may wait for one crew's turn; then its sockets are not read: 4 MiB.
    pub crew_inbox_bytes: usize,
    /// A request's body: 64 KiB.
    pub body_bytes: usize,
    /// A request of the HTTP part: 30 s; exports and backups have ten minutes.
    pub request: Duration,
    /// Exports and tables that are worked out at one time: 2.
    pub readers: usize,
    /// After how long without a session a crew's log is dropped from memory: 60 s.
    pub crew_idle: Duration,
    /// How long sessions have to end at shutdown: 5 s.
    pub shutdown: Duration,
    /// How often it is looked whether others wrote crews and tokens, or put a new certificate in place: 1 s.
    pub look: Duration,
}

impl Default for ServerLimits {
    fn default() -> Self {
        Self {
            sync: Limits::default(),
            connections: 4_096,
            connections_per_address: 200,
            connections_per_token: 20,
            frames_per_s: 100,
            frames_at_once: 4_096,
            joins_per_s: 20,
            joins_at_once: 400,
            wrong_tokens_at_once: 10,
            visits_at_once: 100,
            visits_per_s: 5,
            challenge: Duration::from_secs(60),
            session: Duration::from_secs(600),
            members_grace: Duration::from_secs(60),
            requests_per_s: 10,
            requests_at_once: 100,
            opening: Duration::from_secs(5),
            ping: Duration::from_secs(30),
            idle: Duration::from_secs(60),
            waiting_bytes: 4 << 20,
            crew_inbox_bytes: 4 << 20,
            body_bytes: 64 << 10,
            request: Duration::from_secs(30),
            readers: 2,
            crew_idle: Duration::from_secs(60),
            shutdown: Duration::from_secs(5),
            look: Duration::from_secs(1),
        }
    }
}

/// How much one crew may keep here. What was accepted stays; over it, the crew's devices may only read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Quota {
    /// Bytes in the store: 1 GiB.
    pub bytes: u64,
    /// Documents: 20,000.
    pub documents: u64,
    /// Entries: 5,000,000.
    pub entries: u64,
}

impl Default for Quota {
    fn default() -> Self {
        Self { bytes: 1 << 30, documents: 20_000, entries: 5_000_000 }
    }
}
