//! What a crew's register means for who may be here.

use embertally_core::facts::CrewId as Founded;
use embertally_core::log::LogError;

use super::crew::Crew;
use super::job::SessionId;

/// What was last known of it.
#[derive(Debug)]
pub(super) struct Membership {
    /// Whose log the log itself takes itself for.
    anchor: Option<Founded>,
    /// Whether the register changed since foundings were last looked for.
    has_news: bool,
}

impl Default for Membership {
    fn default() -> Self {
        Self { anchor: None, has_news: true }
    }
}

impl Membership {
    pub(super) fn register_changed(&mut self) {
        self.has_news = true;
    }
}

impl Crew {
    /// Does what the register and the anchor ask for, and says what went wrong.
    pub(super) fn heed_members(&mut self) {
        let changed = std::mem::take(&mut self.membership.has_news);
        if let Err(error) = self.look_at_members(changed) {
            self.setting.metrics.store_failed();
            tracing::error!(crew = %self.id, code = error.code(), %error, "the members cannot be worked out");
        }
        // Foundings are looked for when a session has brought all it had.
        self.membership.has_news = changed && self.membership.anchor.is_none();
    }

    /// Lets the log count what stands up only, once it is known whose it is; ends the sessions of those who lost their
    /// part.
    pub(super) fn look_at_members(&mut self, changed: bool) -> Result<(), LogError> {
        let Some(anchor) = self.setting.access.anchor(self.id) else { return Ok(()) };
        let is_new = self.membership.anchor != Some(anchor);
        if is_new {
            if self.log.crew()? != Some(anchor) {
                self.log.set_crew(anchor)?;
            }
            self.membership.anchor = Some(anchor);
        }
        if (is_new || changed)
            && let Some(roster) = self.log.members()?
        {
            self.setting.access.members_changed(self.id, &roster);
        }
        Ok(())
    }

    /// Learns whose log this is, at first use, from a device that writes by a token and has brought all that it had: the
    /// crew that it names, or with none named the only one that was founded here.
    pub(super) fn learn_whose_it_is(&mut self, id: SessionId) {
        let Some(session) = self.sessions.get(&id) else { return };
        // The answering side finds nothing to do at first, before the other has said what it has. Who names a crew that
        // was founded here already need not bring anything.
        let has_spoken = session.engine.progress().frames_in > 1;
        let told = session.line.told;
        let may_tell = session.line.token.guest().is_none() && !session.line.reads_only;
        let too_early = told.is_none() && !(self.membership.has_news && has_spoken);
        if !may_tell || self.membership.anchor.is_some() || too_early {
            return;
        }
        self.membership.has_news = false;
        if let Err(error) = self.anchor(told) {
            tracing::error!(crew = %self.id, %error, "it cannot be kept whose log this is");
        }
    }

    fn anchor(&mut self, told: Option<Founded>) -> Result<(), crate::error::ServerError> {
        let access = self.setting.access.clone();
        let founded = match self.log.foundings() {
            Ok(founded) => founded,
            Err(error) => {
                tracing::error!(crew = %self.id, code = error.code(), %error, "the register cannot be read");
                return Ok(());
            }
        };
        let meant = match told {
            Some(told) => founded.contains(&told).then_some(told),
            None if founded.len() > 1 => {
                tracing::warn!(crew = %self.id, "several crews were founded in this log, and no device said which one it is");
                None
            }
            None => founded.first().copied(),
        };
        if let Some(meant) = meant {
            let anchor = access.anchor_first(self.id, meant)?;
            tracing::info!(crew = %self.id, founded = %anchor, "from now on members alone are let in to write");
            self.heed_members();
        }
        Ok(())
    }
}
