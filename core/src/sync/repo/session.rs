//! One connection of one automerge-repo client.

use super::directory::Directory;
use super::id::RepoId;
use super::message::{MAX_HEAD_BYTES, RepoMessage};
use super::peers::Peers;
use super::unmet::Unmet;
use crate::facts::DocumentId;
use crate::log::{Allowance, Log, LogError, MessageLimits};
use crate::store::Store;
use crate::sync::guard::Rate;
use crate::sync::{Effect, Limits, Refusal};

/// Room for a message's own head beside its changes, as in our own conversation.
const HEAD_BYTES: usize = 64 << 10;

/// What a session needs to know from the start.
#[derive(Debug, Clone)]
pub struct RepoConfig {
    /// The id that this side gives itself; any text that no other peer has.
    pub peer: String,
    /// The crew's id, which is part of its documents' ids.
    pub crew: Vec<u8>,
    /// What the client may send.
    pub limits: Limits,
    /// Whether the client may only read: nothing that it sends is taken in.
    pub peer_reads_only: bool,
}

/// One connection.
#[derive(Debug)]
pub struct RepoSession {
    config: RepoConfig,
    rate: Rate,
    pause_ms: u64,
    /// The id that the client gave itself, once it has joined.
    client: Option<String>,
    peers: Peers,
    directory: Directory,
    unmet: Unmet,
    over: bool,
}

/// Why handling a message stopped.
enum Stop {
    /// The client is refused.
    Refuse(Refusal),
    /// This side cannot go on.
    Own(LogError),
}

impl From<LogError> for Stop {
    fn from(error: LogError) -> Self {
        Self::Own(error)
    }
}

fn grammar(what: impl Into<String>) -> Stop {
    Stop::Refuse(Refusal::Grammar { what: what.into() })
}

impl RepoSession {
    /// Begins; the client speaks first.
    #[must_use]
    pub fn new(config: RepoConfig) -> Self {
        Self {
            rate: Rate::new(&config.limits, 0),
            pause_ms: 0,
            client: None,
            peers: Peers::new(config.peer_reads_only),
            directory: Directory::new(config.crew.clone()),
            unmet: Unmet::default(),
            over: false,
            config,
        }
    }

    /// Returns the most bytes that one message of a client may have.
    #[must_use]
    pub fn most_bytes(limits: &Limits) -> usize {
        limits.message_bytes.saturating_add(MAX_HEAD_BYTES)
    }

    /// Tells whether the client has joined.
    #[must_use]
    pub fn has_joined(&self) -> bool {
        self.client.is_some()
    }

    /// Returns for how long nothing more should be read, in milliseconds.
    #[must_use]
    pub fn pause_ms(&self) -> u64 {
        self.pause_ms
    }

    /// Returns the documents that the client follows.
    #[must_use]
    pub fn followed(&self) -> Vec<DocumentId> {
        self.peers.followed()
    }

    /// Tells whether a change of a document is news to the client.
    #[must_use]
    pub fn is_news(&self, document: DocumentId) -> bool {
        self.peers.follows(document) || self.directory.wants(document)
    }

    /// Deals with one message of the client, and adds what is to be done to `out`. When an answer is among it, what it
    /// acknowledges is durable.
    ///
    /// # Errors
    /// [`LogError`], only this side's own; the session should be ended then. What is in `out` holds all the same. What a
    /// client did wrong is no error, but an effect.
    pub fn hear<S: Store>(
        &mut self,
        log: &mut Log<S>,
        now_ms: u64,
        bytes: &[u8],
        out: &mut Vec<Effect>,
    ) -> Result<(), LogError> {
        self.run(out, |session, out| session.message(log, now_ms, bytes, out))
    }

    /// Tells the client what is new in these documents, as far as it follows them.
    ///
    /// # Errors
    /// As [`RepoSession::hear`].
    pub fn changed<S: Store>(
        &mut self,
        log: &mut Log<S>,
        documents: &[DocumentId],
        out: &mut Vec<Effect>,
    ) -> Result<(), LogError> {
        self.run(out, |session, out| {
            for document in documents {
                if session.directory.learn(*document) || session.peers.follows(*document) {
                    session.greet(log, *document, out)?;
                }
            }
            Ok(())
        })
    }

    /// Begins an exchange again in which the client has said nothing for too long, though the two are not even. To be
    /// called every few seconds. Each is begun again once, until the client speaks of it.
    ///
    /// # Errors
    /// As [`RepoSession::hear`].
    pub fn tick<S: Store>(&mut self, log: &mut Log<S>, now_ms: u64, out: &mut Vec<Effect>) -> Result<(), LogError> {
        let late = self.late(now_ms);
        self.run(out, |session, out| {
            for document in late {
                session.unmet.retry(document);
                session.peers.get(document).forget_unanswered();
                session.greet(log, document, out)?;
            }
            Ok(())
        })
    }

    /// Tells whether [`RepoSession::tick`] has anything to do.
    #[must_use]
    pub fn is_late(&self, now_ms: u64) -> bool {
        !self.late(now_ms).is_empty()
    }

    fn late(&self, now_ms: u64) -> Vec<DocumentId> {
        self.unmet.late(now_ms, self.config.limits.answer_ms)
    }

    /// Ends the session from this side.
    pub fn refuse(&mut self, refusal: Refusal) -> Vec<Effect> {
        if std::mem::replace(&mut self.over, true) {
            return Vec::new();
        }
        let (sender, target) = (self.config.peer.clone(), self.client.clone().unwrap_or_default());
        let error = RepoMessage::Error { sender, target, message: refusal.to_string() };
        vec![Effect::Send(error.to_bytes()), Effect::Close(refusal)]
    }

    fn run(
        &mut self,
        out: &mut Vec<Effect>,
        work: impl FnOnce(&mut Self, &mut Vec<Effect>) -> Result<(), Stop>,
    ) -> Result<(), LogError> {
        if self.over {
            return Ok(());
        }
        match work(self, out) {
            Ok(()) => {}
            Err(Stop::Refuse(refusal)) => out.extend(self.refuse(refusal)),
            Err(Stop::Own(error)) => return Err(error),
        }
        Ok(())
    }

    fn message<S: Store>(
        &mut self,
        log: &mut Log<S>,
        now_ms: u64,
        bytes: &[u8],
        out: &mut Vec<Effect>,
    ) -> Result<(), Stop> {
        let most = Self::most_bytes(&self.config.limits);
        if bytes.len() > most {
            let (bytes, most) = (bytes.len() as u64, most as u64);
            return Err(Stop::Refuse(Refusal::TooLarge { what: "a message".to_owned(), bytes, most }));
        }
        self.pause_ms = self.rate.take(bytes.len(), now_ms);
        let message = RepoMessage::from_bytes(bytes).map_err(grammar)?;
        match message {
            RepoMessage::Join { sender, speaks_ours } => self.join(sender, speaks_ours, out),
            RepoMessage::Ignored => Ok(()),
            _ if self.client.is_none() => Err(grammar("a message before join")),
            RepoMessage::Sync { sender, document, data, request, .. } => {
                if self.client.as_ref() != Some(&sender) {
                    return Err(grammar("a message in another peer's name"));
                }
                self.sync(log, now_ms, document, &data, request, out)
            }
            RepoMessage::Leave { .. } => {
                self.client = None;
                self.forget();
                Ok(())
            }
            RepoMessage::Peer { .. } => Err(grammar("a server's word from a client")),
            // Nothing that only the client has is ever asked for, and what it could not do with is its own affair.
            RepoMessage::Unavailable { .. } | RepoMessage::Error { .. } => Ok(()),
        }
    }

    fn join(&mut self, sender: String, speaks_ours: bool, out: &mut Vec<Effect>) -> Result<(), Stop> {
        if sender.is_empty() || sender == self.config.peer {
            return Err(grammar("a join in no name, or in this side's"));
        }
        if self.client.as_ref().is_some_and(|client| *client != sender) {
            return Err(grammar("a second join in another name"));
        }
        self.client = Some(sender.clone());
        if !speaks_ours {
            return Err(Stop::Refuse(Refusal::Version { found: 0, known: 1 }));
        }
        // A client that joins again knows nothing of what was said before.
        self.forget();
        let peer = RepoMessage::Peer { sender: self.config.peer.clone(), target: sender };
        out.push(Effect::Send(peer.to_bytes()));
        Ok(())
    }

    fn forget(&mut self) {
        self.peers = Peers::new(self.config.peer_reads_only);
        self.directory.forget_wanted();
        self.unmet = Unmet::default();
    }

    fn sync<S: Store>(
        &mut self,
        log: &mut Log<S>,
        now_ms: u64,
        id: RepoId,
        data: &[u8],
        request: bool,
        out: &mut Vec<Effect>,
    ) -> Result<(), Stop> {
        let found = match self.directory.find(log, now_ms, id)? {
            Some(document) if log.is_dropped(&document)? => None,
            found => found,
        };
        let Some(document) = found else {
            if request {
                self.directory.want(id);
            }
            self.unavailable(id, out);
            return Ok(());
        };
        let limits = self.message_limits();
        match log.hear(document, self.peers.get(document), data, &limits) {
            Ok(heard) => {
                if heard.changed {
                    out.push(Effect::Changed { document, entries: heard.added.len() });
                }
                self.answer(log, now_ms, document, heard.changed, out)
            }
            Err(LogError::Unreadable { what, .. }) => {
                let document = document.to_string();
                Err(Stop::Refuse(match self.config.peer_reads_only {
                    true => Refusal::NotAllowed { what: format!("document {document}: {what}") },
                    false => Refusal::Contents { document, what },
                }))
            }
            Err(LogError::TooNew { .. }) => {
                self.unavailable(id, out);
                Ok(())
            }
            Err(own) => Err(own.into()),
        }
    }

    /// Answers a message about a document, unless it has led to nothing for too long.
    fn answer<S: Store>(
        &mut self,
        log: &mut Log<S>,
        now_ms: u64,
        document: DocumentId,
        changed: bool,
        out: &mut Vec<Effect>,
    ) -> Result<(), Stop> {
        let mut empty = self.unmet.heard(document, changed);
        if Unmet::is_stuck(empty) {
            self.peers.get(document).forget_unanswered();
        }
        let mut said = Vec::new();
        if self.greet(log, document, &mut said)? > 0 {
            empty = 0;
        }
        if Unmet::may_answer(empty) {
            out.append(&mut said);
        }
        if log.has_met(document, self.peers.get(document))? {
            self.unmet.met(document);
        } else {
            self.unmet.note(document, now_ms, empty);
        }
        Ok(())
    }

    /// Says what there is to say about a document, if anything; returns how many bytes of changes that carries.
    fn greet<S: Store>(
        &mut self,
        log: &mut Log<S>,
        document: DocumentId,
        out: &mut Vec<Effect>,
    ) -> Result<usize, Stop> {
        let id = self.directory.id_of(document);
        let limits = self.message_limits();
        let made = match log.greeting(document, self.peers.get(document), &limits) {
            Err(LogError::TooNew { .. } | LogError::Forgotten { .. }) => {
                self.unavailable(id, out);
                return Ok(0);
            }
            made => made?,
        };
        let Some(outgoing) = made else { return Ok(0) };
        let (sender, target) = (self.config.peer.clone(), self.client.clone().unwrap_or_default());
        let message = RepoMessage::Sync { sender, target, document: id, data: outgoing.bytes, request: false };
        out.push(Effect::Send(message.to_bytes()));
        Ok(outgoing.change_bytes)
    }

    fn unavailable(&self, document: RepoId, out: &mut Vec<Effect>) {
        let (sender, target) = (self.config.peer.clone(), self.client.clone().unwrap_or_default());
        out.push(Effect::Send(RepoMessage::Unavailable { sender, target, document }.to_bytes()));
    }

    fn message_limits(&self) -> MessageLimits {
        let limits = &self.config.limits;
        MessageLimits {
            out_bytes: limits.message_bytes.saturating_sub(HEAD_BYTES),
            allowance: Allowance { inflated_bytes: limits.inflated_bytes, rows: limits.rows, chunks: limits.changes },
            waiting: limits.waiting_changes,
        }
    }
}
