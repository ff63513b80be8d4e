//! Hearing of other servers' commits.

use std::collections::BTreeMap;
use std::future::{Future, poll_fn};
use std::pin::pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::Poll;
use std::time::Duration;

use embertally_core::store::PieceId;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::sync::Notify;
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};
use tokio_postgres::tls::{MakeTlsConnect, TlsConnect};
use tokio_postgres::{AsyncMessage, Client, Connection, NoTls, Socket};

use crate::database::{Database, Inner, Tls};

/// The pause before the first try to connect again, doubled with each try that fails.
const FIRST_PAUSE: Duration = Duration::from_millis(50);

/// The longest pause.
const LONGEST_PAUSE: Duration = Duration::from_secs(5);

/// How often a connection on which nothing is heard is asked for a sign of life, and how long it has to give it.
const SIGN_OF_LIFE: Duration = Duration::from_secs(10);

/// What a [`Listener`] heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// The connection was made (again): anything may have changed since the last change heard. Every crew that matters
    /// is to be asked for its [`news`](embertally_core::store::Store::news).
    Anything,
    /// A crew has pieces up to this one. Several commits may be told as one; which pieces and documents they are,
    /// [`news`](embertally_core::store::Store::news) says.
    Pieces {
        /// The crew.
        crew: [u8; 16],
        /// Its newest piece.
        latest: PieceId,
    },
}

/// Hears of every commit to a database, this process's own among them, on a connection of its own.
///
/// It connects again by itself. What is not fetched yet is kept as one line a crew, so a slow reader costs little and
/// misses nothing. Stops when dropped.
#[derive(Debug)]
pub struct Listener {
    shared: Arc<Shared>,
    task: JoinHandle<()>,
}

#[derive(Debug, Default)]
struct Shared {
    pending: Mutex<Pending>,
    changed: Notify,
}

#[derive(Debug, Default)]
struct Pending {
    anything: bool,
    crews: BTreeMap<[u8; 16], PieceId>,
    connected: bool,
}

impl Shared {
    fn pending(&self) -> MutexGuard<'_, Pending> {
        self.pending.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn listening(&self) {
        let mut pending = self.pending();
        (pending.anything, pending.connected) = (true, true);
        drop(pending);
        self.changed.notify_one();
    }

    fn heard(&self, payload: &str) {
        let mut pending = self.pending();
        match read(payload) {
            Some((crew, id)) => {
                let latest = pending.crews.entry(crew).or_insert(id);
                *latest = id.max(*latest);
            }
            // Whatever it is, somebody wanted to say something.
            None => pending.anything = true,
        }
        drop(pending);
        self.changed.notify_one();
    }
}

/// Reads what a commit says: the crew in 32 hexadecimal digits, a space, and the piece.
fn read(payload: &str) -> Option<([u8; 16], PieceId)> {
    let (crew, piece) = payload.split_once(' ')?;
    let crew = u128::from_str_radix(crew, 16).ok().filter(|_| crew.len() == 32)?;
    Some((crew.to_be_bytes(), PieceId(piece.parse().ok()?)))
}

impl Listener {
    /// Begins to listen, on the database's runtime. The first change is [`Change::Anything`], once it is connected.
    #[must_use]
    pub fn start(database: &Database) -> Self {
        let (shared, inner) = (Arc::new(Shared::default()), Arc::clone(&database.inner));
        let task = database.inner.runtime.spawn(listen(inner, Arc::clone(&shared)));
        Self { shared, task }
    }

    /// Waits for the next change. Giving up the wait loses nothing.
    pub async fn next(&mut self) -> Change {
        loop {
            if let Some(change) = self.take() {
                return change;
            }
            self.shared.changed.notified().await;
        }
    }

    /// Returns the next change, if there is one already.
    pub fn take(&mut self) -> Option<Change> {
        let mut pending = self.shared.pending();
        if pending.anything {
            pending.anything = false;
            pending.crews.clear();
            return Some(Change::Anything);
        }
        pending.crews.pop_first().map(|(crew, latest)| Change::Pieces { crew, latest })
    }

    /// Tells whether it hears commits at this moment; if not, it is trying to.
    #[must_use]
    pub fn is_connected(&self) -> bool {
        self.shared.pending().connected
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn listen(database: Arc<Inner>, shared: Arc<Shared>) {
    let mut pause = FIRST_PAUSE;
    loop {
        let was_listening = match &database.tls {
            Tls::Plain => one_connection(&database, NoTls, &shared).await,
            Tls::Rustls(connector) => one_connection(&database, connector.clone(), &shared).await,
        };
        shared.pending().connected = false;
        pause = if was_listening { FIRST_PAUSE } else { (pause * 2).min(LONGEST_PAUSE) };
        sleep(pause).await;
    }
}

/// Listens on one connection until it is lost; returns whether it ever listened.
async fn one_connection<T>(database: &Inner, tls: T, shared: &Shared) -> bool
where
    T: MakeTlsConnect<Socket> + Send,
    T::TlsConnect: Send,
    T::Stream: Send,
    <T::TlsConnect as TlsConnect<Socket>>::Future: Send,
{
    let connecting = database.config.connect(tls);
    let Ok(Ok((client, connection))) = timeout(database.limit(), connecting).await else { return false };
    let mut listened = false;
    // Both end only with the connection.
    first_of(hear(connection, shared), keep(&client, &database.options.schema, shared, &mut listened)).await;
    listened
}

/// Drives the connection, and takes what it hears.
async fn hear<S, T>(mut connection: Connection<S, T>, shared: &Shared)
where
    S: AsyncRead + AsyncWrite + Unpin,
    T: AsyncRead + AsyncWrite + Unpin,
{
    while let Some(Ok(message)) = poll_fn(|context| connection.poll_message(context)).await {
        if let AsyncMessage::Notification(notification) = message {
            shared.heard(notification.payload());
        }
    }
}

/// Asks to be told, and asks for signs of life from then on.
async fn keep(client: &Client, schema: &str, shared: &Shared, listened: &mut bool) {
    if !answers(client, &format!("LISTEN {schema}")).await {
        return;
    }
    *listened = true;
    shared.listening();
    loop {
        sleep(SIGN_OF_LIFE).await;
        if !answers(client, "SELECT 1").await {
            return;
        }
    }
}

async fn answers(client: &Client, sql: &str) -> bool {
    matches!(timeout(SIGN_OF_LIFE, client.batch_execute(sql)).await, Ok(Ok(())))
}

/// Runs both until one of them has ended.
async fn first_of(one: impl Future<Output = ()>, two: impl Future<Output = ()>) {
    let (mut one, mut two) = (pin!(one), pin!(two));
    poll_fn(|context| {
        let ended = one.as_mut().poll(context).is_ready() || two.as_mut().poll(context).is_ready();
        if ended { Poll::Ready(()) } else { Poll::Pending }
    })
    .await;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn changes_not_fetched_are_one_line_a_crew_and_what_cannot_be_read_may_be_anything() {
        let (a, b) = ([0; 16], [0xab; 16]);
        let shared = Shared::default();
        shared.heard(&format!("{} 7", "ab".repeat(16)));
        shared.heard(&format!("{} 9", "ab".repeat(16)));
        shared.heard(&format!("{} 8", "ab".repeat(16)));
        shared.heard(&format!("{} 1", "00".repeat(16)));
        assert_eq!(shared.pending().crews, BTreeMap::from([(a, PieceId(1)), (b, PieceId(9))]));
        for payload in ["", "ab 1", "no hex 1", &format!("{} x", "00".repeat(16))] {
            shared.pending().anything = false;
            shared.heard(payload);
            assert!(shared.pending().anything, "{payload}");
        }
    }
}
