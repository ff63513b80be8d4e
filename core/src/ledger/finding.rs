//! What the sightings and rulings on one shot add up to.

use super::bridges::BridgeFinding;
use super::causes::Blame;
use super::choices::{Choices, Outcome};
use crate::facts::{Cause, DelayInterval, Ignition, Ruling, Sighting, Transfer};

/// What the delays measured of one shot add up to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum DelayFinding {
    /// Nobody measured it.
    #[default]
    Nothing,
    /// All intervals have these moments in common.
    Agreed(DelayInterval),
    /// The intervals have no moment in common; this one holds them all.
    Disputed(DelayInterval),
}

/// What is known of one shot, field by field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Finding {
    /// The igniter; fired or slow by measured delay and the outing's limit, where there are both.
    pub ignition: Outcome<Ignition>,
    /// The fuse; `unseen` only if nobody saw more.
    pub transfer: Outcome<Transfer>,
    /// From pulse to first light.
    pub delay: DelayFinding,
    /// The median strength, the lower of two in the middle; 1 to 5.
    pub strength: Option<u8>,
    /// The cause as people state it.
    pub stated_cause: Outcome<Cause>,
    /// What readings of its bridge after the shot add up to.
    pub bridge: BridgeFinding,
    /// For an igniter that failed, by agreement or ruling: why.
    pub blame: Option<Blame>,
}

/// Whether a shot is its unit's trial of the igniter; a unit is counted once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Trial {
    /// It is counted as its finding says.
    Counted,
    /// It failed and the unit was tried again: the later attempt is counted.
    TriedAgain,
    /// The unit's own failure is settled at another attempt, and counted there.
    FailedElsewhere,
}

/// Why a shot is on the live list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LiveReason {
    /// The igniter failed.
    Failed,
    /// The igniter may have failed or may not have been tried: that is in dispute.
    IgnitionDisputed,
    /// The igniter fired, the fuse was not lit.
    Unlit,
    /// The igniter fired; whether the fuse was lit is in dispute.
    TransferDisputed,
    /// The igniter was wired and not tried.
    Skipped,
    /// The igniter was wired, and nobody has said anything of it.
    NothingSeen,
    /// The igniter fired, and nobody could see whether the fuse was lit. Shown apart: in a test this is common.
    Unseen,
}

impl LiveReason {
    /// Tells whether a later attempt of the unit takes the shot off the list: it does only if the igniter may not have
    /// fired. One that fired cannot be fired again, and the fuse that it left is as unlit as before.
    pub(super) const fn is_cleared_by_later_attempt(self) -> bool {
        match self {
            Self::Failed | Self::IgnitionDisputed | Self::Skipped | Self::NothingSeen => true,
            Self::Unlit | Self::TransferDisputed | Self::Unseen => false,
        }
    }

    /// Returns the reason in words.
    #[must_use]
    pub const fn reason(self) -> &'static str {
        match self {
            Self::Failed => "The igniter failed.",
            Self::IgnitionDisputed => "Whether the igniter fired is in dispute.",
            Self::Unlit => "The fuse was not lit.",
            Self::TransferDisputed => "Whether the fuse was lit is in dispute.",
            Self::Skipped => "The igniter was wired and not tried.",
            Self::NothingSeen => "The igniter was wired, and nothing is recorded of it.",
            Self::Unseen => "The igniter fired, and nobody saw whether the fuse was lit.",
        }
    }
}

/// Returns what a sighting says of the igniter: measured where it can be, the observer's word where not.
///
/// With a delay and a limit: wholly above the limit is slow, wholly at or below it fired; across it, the word stands.
pub(super) fn measured(sighting: &Sighting, slow_limit_us: Option<u64>) -> Ignition {
    by_delay(sighting, slow_limit_us).unwrap_or(sighting.ignition)
}

/// Returns what the delay says of an igniter that fired, where it lies wholly on one side of the limit.
fn by_delay(sighting: &Sighting, slow_limit_us: Option<u64>) -> Option<Ignition> {
    if !matches!(sighting.ignition, Ignition::Fired | Ignition::Slow) {
        return None;
    }
    let (delay, limit) = (sighting.delay?.checked_interval().ok()?, slow_limit_us?);
    if u64::from(delay.low_us) > limit {
        return Some(Ignition::Slow);
    }
    (u64::from(delay.high_us) <= limit).then_some(Ignition::Fired)
}

/// Sightings and rulings being added up; the order of adding does not matter.
#[derive(Debug, Default)]
pub(super) struct Scales {
    seen: (Choices<Ignition>, Choices<Transfer>, Choices<Cause>),
    /// What measured delays say; where there are any, mere words on fired or slow yield to them.
    timed: Choices<Ignition>,
    ruled: (Choices<Ignition>, Choices<Transfer>, Choices<Cause>),
    common: Option<DelayInterval>,
    hull: Option<DelayInterval>,
    strengths: Vec<u8>,
}

impl Scales {
    pub(super) fn see(&mut self, sighting: &Sighting, slow_limit_us: Option<u64>) {
        let ignition = measured(sighting, slow_limit_us);
        match by_delay(sighting, slow_limit_us) {
            Some(timed) => self.timed = self.timed.with(timed),
            None => self.seen.0 = self.seen.0.with(ignition),
        }
        self.seen.1 = self.seen.1.with(sighting.transfer);
        if let Some(cause) = sighting.cause.filter(|c| *c != Cause::Unresolved) {
            self.seen.2 = self.seen.2.with(cause);
        }
        self.strengths.extend(sighting.strength);
        let fired = matches!(ignition, Ignition::Fired | Ignition::Slow);
        let delay = sighting.delay.filter(|_| fired).and_then(|d| d.checked_interval().ok());
        if let Some(DelayInterval { low_us, high_us }) = delay {
            let c = self.common.unwrap_or(DelayInterval { low_us, high_us });
            self.common = Some(DelayInterval { low_us: c.low_us.max(low_us), high_us: c.high_us.min(high_us) });
            let h = self.hull.unwrap_or(DelayInterval { low_us, high_us });
            self.hull = Some(DelayInterval { low_us: h.low_us.min(low_us), high_us: h.high_us.max(high_us) });
        }
    }

    pub(super) fn rule(&mut self, ruling: &Ruling) {
        self.ruled.0 = ruling.ignition.map_or(self.ruled.0, |word| self.ruled.0.with(word));
        self.ruled.1 = ruling.transfer.map_or(self.ruled.1, |word| self.ruled.1.with(word));
        self.ruled.2 = ruling.cause.map_or(self.ruled.2, |word| self.ruled.2.with(word));
    }

    /// Returns the finding, its bridge and blame still open, and empties the scales.
    pub(super) fn read(&mut self) -> Finding {
        let saw = self.seen.1.without(Transfer::Unseen);
        let transfer = if saw.is_empty() { self.seen.1 } else { saw };
        let words = if self.timed.is_empty() {
            self.seen.0
        } else {
            self.seen.0.without(Ignition::Fired).without(Ignition::Slow)
        };
        let ignition = self.timed.iter().fold(words, Choices::with);
        self.strengths.sort_unstable();
        let middle = self.strengths.len().saturating_sub(1) / 2;
        let finding = Finding {
            ignition: Outcome::weigh(self.ruled.0, ignition),
            transfer: Outcome::weigh(self.ruled.1, transfer),
            delay: match (self.common, self.hull) {
                (Some(common), _) if common.low_us <= common.high_us => DelayFinding::Agreed(common),
                (Some(_), Some(hull)) => DelayFinding::Disputed(hull),
                _ => DelayFinding::Nothing,
            },
            strength: self.strengths.get(middle).copied(),
            stated_cause: Outcome::weigh(self.ruled.2, self.seen.2),
            bridge: BridgeFinding::Nothing,
            blame: None,
        };
        self.strengths.clear();
        let strengths = std::mem::take(&mut self.strengths);
        *self = Self { strengths, ..Self::default() };
        finding
    }
}

/// Returns why a shot would be live if it had not been made safe or tried again; of a dispute the safer reading.
pub(super) fn live_reason(finding: &Finding, names_fuse: bool) -> Option<LiveReason> {
    let may = finding.ignition.values();
    if may.is_empty() {
        return Some(LiveReason::NothingSeen);
    }
    if may.contains(Ignition::Failed) || may.contains(Ignition::Skipped) {
        return Some(match finding.ignition.settled() {
            Some(Ignition::Failed) => LiveReason::Failed,
            Some(_) => LiveReason::Skipped,
            None => LiveReason::IgnitionDisputed,
        });
    }
    match finding.transfer {
        Outcome::Agreed(Transfer::Unlit) | Outcome::Ruled(Transfer::Unlit) => Some(LiveReason::Unlit),
        Outcome::Disputed(words) if words.contains(Transfer::Unlit) => Some(LiveReason::TransferDisputed),
        Outcome::Agreed(Transfer::Unseen) | Outcome::Ruled(Transfer::Unseen) | Outcome::Nothing if names_fuse => {
            Some(LiveReason::Unseen)
        }
        // Rulings that contradict each other may name `unseen` beside `lit`.
        Outcome::Disputed(words) if names_fuse && words.contains(Transfer::Unseen) => Some(LiveReason::Unseen),
        _ => None,
    }
}
