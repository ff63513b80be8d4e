//! Whose log a crew's is: the id of the crew that was founded in it. Once that is known, members alone write.
//!
//! It is believed at first use, while whoever writes has a token of the operator's; the operator may set it.

use std::time::Instant;

use axum::http::StatusCode;
use embertally_core::facts::CrewId as Founded;

use super::{Access, Role};
use crate::error::{Problem, ServerError};
use crate::ids::CrewId;

const ANCHOR: &str = "anchor/";

/// What a writer with a token only is told.
pub(super) const MEMBERS_ONLY: &str =
    "this crew lets in members, not tokens: join it with an invitation of its chief (embertally crew join)";

/// Refuses what only members may do here.
pub(crate) fn members_only() -> Problem {
    Problem::new(StatusCode::FORBIDDEN, "E_SERVER_MEMBERS", MEMBERS_ONLY)
}

/// The crew that a log belongs to, and since when this server knows it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Anchor {
    founded: Founded,
    since: Instant,
}

impl Access {
    /// Returns the crew to whom a crew's log belongs; `None` while tokens alone open it.
    #[must_use]
    pub fn anchor(&self, crew: CrewId) -> Option<Founded> {
        self.read().anchors.get(&crew).map(|anchor| anchor.founded)
    }

    /// Says whose log it is, durably, unless it is known already. Returns whose it is.
    pub(crate) fn anchor_first(&self, crew: CrewId, founded: Founded) -> Result<Founded, ServerError> {
        let key = format!("{ANCHOR}{crew}");
        self.stores.put_new(&key, founded.as_bytes())?;
        let kept = self.stores.value(&key)?.and_then(|bytes| bytes.try_into().ok()).map(Founded::from_bytes);
        let founded = kept.ok_or(ServerError::Registry { what: key })?;
        self.knows(crew, founded);
        Ok(founded)
    }

    /// Says whose log it is, durably, whatever was known.
    ///
    /// # Errors
    /// [`ServerError::Store`].
    pub fn set_anchor(&self, crew: CrewId, founded: Founded) -> Result<(), ServerError> {
        self.stores.put(&format!("{ANCHOR}{crew}"), founded.as_bytes())?;
        self.knows(crew, founded);
        Ok(())
    }

    fn knows(&self, crew: CrewId, founded: Founded) {
        let new = Anchor { founded, since: Instant::now() };
        let before = {
            let mut known = self.write();
            match known.anchors.get(&crew) {
                Some(there) if there.founded == founded => return,
                _ => known.anchors.insert(crew, new),
            }
        };
        if before.is_some() {
            self.end_guests(crew, "this log belongs to another crew from now on");
        }
    }

    pub(super) fn reload_anchors(&self) -> Result<(), ServerError> {
        for (key, value) in self.stores.values(ANCHOR)? {
            let crew = key.strip_prefix(ANCHOR).and_then(|id| id.parse().ok());
            let (Some(crew), Ok(bytes)) = (crew, value.try_into()) else {
                return Err(ServerError::Registry { what: key });
            };
            self.knows(crew, Founded::from_bytes(bytes));
        }
        Ok(())
    }

    /// Ends what goes on by writers' tokens in logs that let in members, once it had its time to end by itself.
    pub(crate) fn close_writers(&self) {
        let (known, grace) = (self.read(), self.limits.members_grace);
        let is_over = |crew: CrewId| known.anchors.get(&crew).is_some_and(|a| a.since.elapsed() >= grace);
        let writers = known.tokens.values().filter(|t| t.record().role == Role::Writer && !t.is_closed());
        writers.filter(|t| t.record().crew.is_some_and(is_over)).for_each(|t| t.close(MEMBERS_ONLY));
    }
}
