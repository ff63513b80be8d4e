//! Why a shot failed, as far as the facts and the wiring say.
//!
//! Small pure functions over a [`Case`]; what string physics can say beyond this belongs in `crate::circuit`.

use super::bridges::BridgeFinding;
use super::choices::Outcome;
use crate::facts::{Cause, WiringKind};

/// What is known of a failed shot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Case {
    /// The cause that rulings or observers state; `unresolved` said by an observer is no statement.
    pub stated: Outcome<Cause>,
    /// How it was wired.
    pub wiring: WiringKind,
    /// Whether another shot of the same string (of the same volley, where strings are not stated) fired.
    pub has_fired_mate: bool,
    /// Whether another shot of the same volley fired.
    pub has_fired_neighbour: bool,
    /// What its module did besides.
    pub module: ModuleProof,
    /// Whether the same unit fired at a later attempt.
    pub fired_later: bool,
    /// What readings of its bridge after the shot add up to.
    pub bridge: BridgeFinding,
    /// Whether the same unit failed at a later attempt, alone on a module that was proven then.
    pub failed_alone_later: bool,
}

impl Case {
    /// Tells whether a mate in series fired, so that the loop may have been opened before this igniter had its impulse.
    const fn was_opened(self) -> bool {
        matches!(self.wiring, WiringKind::Series | WiringKind::SeriesParallel) && self.has_fired_mate
    }
}

/// Whether the firing module is known to have worked at the outing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ModuleProof {
    /// No module is named.
    Unnamed,
    /// It fired something at the outing.
    Proven,
    /// It is named, and nothing that it fired at the outing is recorded.
    Unproven,
}

/// On what grounds a cause is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Grounds {
    /// A ruling names it.
    Ruling,
    /// All observers who state a cause state this one.
    Observers,
    /// Observers, or rulings, state different causes.
    Contradiction,
    /// The unit fired at a later attempt, and a mate on the same loop had fired.
    FiredLaterAfterMate,
    /// The unit fired at a later attempt.
    FiredLater,
    /// The unit failed at a later attempt, alone on a module that fired others.
    FailedLaterAlone,
    /// Its bridge measures what its type states, and a mate on the same loop had fired.
    BridgeWholeAfterMate,
    /// Its bridge measures what its type states.
    BridgeWhole,
    /// Its bridge is open.
    BridgeOpen,
    /// Its bridge measures neither open nor what its type states.
    BridgeOutside,
    /// Its bridge is not open, and its type states no resistance to compare with.
    BridgeUnstated,
    /// Readings of its bridge contradict each other.
    BridgeDisputed,
    /// It was alone on its channel, and no module is named.
    Alone,
    /// It was alone on its channel, and the module fired others at the outing.
    AloneOnProvenModule,
    /// It was alone on its channel, and the module fired nothing at the outing.
    ModuleUnproven,
    /// Others on its string fired.
    StringOpened,
    /// Nothing on its string fired.
    StringDead,
    /// Nothing on its string fired, and other strings on the same leads did.
    OtherStringsFired,
    /// Others across the same leads fired.
    BranchAlone,
    /// Nothing across the same leads fired.
    LeadsDead,
}

impl Grounds {
    /// Returns the grounds as a sentence.
    #[must_use]
    pub const fn reason(self) -> &'static str {
        match self {
            Self::Ruling => "A ruling names the cause.",
            Self::Observers => "All observers who state a cause state this one.",
            Self::Contradiction => "Different causes are stated, and no ruling settles them.",
            Self::FiredLaterAfterMate => {
                "The same unit fired at a later attempt, so it was sound; the string was opened before it had its impulse."
            }
            Self::FiredLater => {
                "The same unit fired at a later attempt, so it was sound; the fault lay in what was connected to it."
            }
            Self::FailedLaterAlone => {
                "The same unit failed again, alone on a module that fired others: the igniter is at fault."
            }
            Self::BridgeWholeAfterMate => {
                "Its bridge measures what its type states, so it never had its impulse; the string was opened before."
            }
            Self::BridgeWhole => {
                "Its bridge measures what its type states, so it never had its impulse: the fault lay in the circuit."
            }
            Self::BridgeOpen => "Its bridge measures open and it did not fire: the igniter is at fault.",
            Self::BridgeOutside => {
                "Its bridge is not open and does not measure what its type states: neither igniter nor circuit is cleared."
            }
            Self::BridgeUnstated => {
                "Its bridge is not open, and its type states no resistance to compare the reading with."
            }
            Self::BridgeDisputed => "Readings of its bridge contradict each other.",
            Self::AloneOnProvenModule => "It was wired alone, on a module that fired others at this outing.",
            Self::ModuleUnproven => {
                "It was wired alone, and its module fired nothing else at this outing: either may be at fault."
            }
            Self::Alone => "It was wired alone, and nothing points to the circuit.",
            Self::StringOpened => {
                "Others on the string fired: the string may have been opened before this igniter had its impulse."
            }
            Self::StringDead => "Nothing on the string fired: the loop may have been open or starved of current.",
            Self::OtherStringsFired => {
                "Nothing on its string fired while other strings on the same leads did: the string may have been open or \
                 starved of current."
            }
            Self::BranchAlone => "Others on the same leads fired: the fault is its own or its branch's.",
            Self::LeadsDead => "Nothing on the same leads fired: the circuit may be at fault, or any of the igniters.",
        }
    }

    /// Tells whether people settled it, by ruling or by agreeing.
    #[must_use]
    pub const fn is_stated(self) -> bool {
        matches!(self, Self::Ruling | Self::Observers)
    }
}

/// Why a shot failed, and on what grounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Blame {
    /// The cause.
    pub cause: Cause,
    /// The grounds.
    pub grounds: Grounds,
}

/// Returns the cause of a failed shot: what people state, else what a later attempt shows, else what
/// its bridge measures, else what the wiring allows.
#[must_use]
pub fn blame(case: Case) -> Blame {
    by_statement(case.stated)
        .or_else(|| by_later_attempt(case))
        .or_else(|| by_bridge(case))
        .unwrap_or_else(|| by_wiring(case))
}

fn by_statement(stated: Outcome<Cause>) -> Option<Blame> {
    let (cause, grounds) = match stated {
        Outcome::Nothing => return None,
        Outcome::Ruled(cause) => (cause, Grounds::Ruling),
        Outcome::Agreed(cause) => (cause, Grounds::Observers),
        Outcome::Disputed(_) => (Cause::Unresolved, Grounds::Contradiction),
    };
    Some(Blame { cause, grounds })
}

fn by_later_attempt(case: Case) -> Option<Blame> {
    let (cause, grounds) = match case.fired_later {
        true if case.was_opened() => (Cause::BrokenString, Grounds::FiredLaterAfterMate),
        true => (Cause::Wiring, Grounds::FiredLater),
        false if case.failed_alone_later => (Cause::Igniter, Grounds::FailedLaterAlone),
        false => return None,
    };
    Some(Blame { cause, grounds })
}

/// A bridge that carried the firing impulse does not come out of it as it went in (common practice, no source): whole and
/// not fired is the circuit's failure, open and not fired the igniter's.
fn by_bridge(case: Case) -> Option<Blame> {
    let (cause, grounds) = match case.bridge {
        BridgeFinding::Nothing => return None,
        BridgeFinding::AsStated if case.was_opened() => (Cause::BrokenString, Grounds::BridgeWholeAfterMate),
        BridgeFinding::AsStated => (Cause::Wiring, Grounds::BridgeWhole),
        BridgeFinding::Open => (Cause::Igniter, Grounds::BridgeOpen),
        BridgeFinding::Outside => (Cause::Unresolved, Grounds::BridgeOutside),
        BridgeFinding::Unstated => (Cause::Unresolved, Grounds::BridgeUnstated),
        BridgeFinding::Disputed => (Cause::Unresolved, Grounds::BridgeDisputed),
    };
    Some(Blame { cause, grounds })
}

fn by_wiring(case: Case) -> Blame {
    let (cause, grounds) = match (case.wiring, case.has_fired_mate) {
        (WiringKind::Single, _) => match case.module {
            ModuleProof::Unnamed => (Cause::Igniter, Grounds::Alone),
            ModuleProof::Proven => (Cause::Igniter, Grounds::AloneOnProvenModule),
            ModuleProof::Unproven => (Cause::Unresolved, Grounds::ModuleUnproven),
        },
        (WiringKind::SeriesParallel, false) if case.has_fired_neighbour => {
            (Cause::Unresolved, Grounds::OtherStringsFired)
        }
        (WiringKind::Series | WiringKind::SeriesParallel, true) => (Cause::Unresolved, Grounds::StringOpened),
        (WiringKind::Series | WiringKind::SeriesParallel, false) => (Cause::Unresolved, Grounds::StringDead),
        (WiringKind::Parallel, true) => (Cause::Igniter, Grounds::BranchAlone),
        (WiringKind::Parallel, false) => (Cause::Unresolved, Grounds::LeadsDead),
    };
    Blame { cause, grounds }
}

#[cfg(test)]
mod tests {
    use super::super::choices::Choices;
    use super::*;

    const DEAD: Case = Case {
        stated: Outcome::Nothing,
        wiring: WiringKind::Series,
        has_fired_mate: false,
        has_fired_neighbour: false,
        module: ModuleProof::Unnamed,
        fired_later: false,
        bridge: BridgeFinding::Nothing,
        failed_alone_later: false,
    };

    fn because(case: Case) -> (Cause, Grounds) {
        let b = blame(case);
        (b.cause, b.grounds)
    }

    #[test]
    fn wiring_alone_never_blames_an_igniter_of_a_series_string() {
        for wiring in [WiringKind::Series, WiringKind::SeriesParallel] {
            let opened = Case { wiring, has_fired_mate: true, ..DEAD };
            assert_eq!(because(opened), (Cause::Unresolved, Grounds::StringOpened));
            assert_eq!(because(Case { wiring, ..DEAD }), (Cause::Unresolved, Grounds::StringDead));
        }
    }

    #[test]
    fn an_igniter_alone_or_with_fired_neighbours_in_parallel_is_blamed() {
        assert_eq!(because(Case { wiring: WiringKind::Single, ..DEAD }), (Cause::Igniter, Grounds::Alone));
        let parallel = Case { wiring: WiringKind::Parallel, ..DEAD };
        assert_eq!(because(Case { has_fired_mate: true, ..parallel }), (Cause::Igniter, Grounds::BranchAlone));
        assert_eq!(because(parallel), (Cause::Unresolved, Grounds::LeadsDead));
    }

    #[test]
    fn alone_on_a_module_that_fired_nothing_either_may_be_at_fault() {
        let single = Case { wiring: WiringKind::Single, ..DEAD };
        let on = |module| because(Case { module, ..single });
        assert_eq!(on(ModuleProof::Proven), (Cause::Igniter, Grounds::AloneOnProvenModule));
        assert_eq!(on(ModuleProof::Unproven), (Cause::Unresolved, Grounds::ModuleUnproven));
    }

    #[test]
    fn a_dead_string_beside_strings_that_fired_is_not_one_that_was_opened() {
        let beside = Case { wiring: WiringKind::SeriesParallel, has_fired_neighbour: true, ..DEAD };
        assert_eq!(because(beside), (Cause::Unresolved, Grounds::OtherStringsFired));
        let opened = Case { has_fired_mate: true, ..beside };
        assert_eq!(because(opened), (Cause::Unresolved, Grounds::StringOpened));
        let cleared = Case { fired_later: true, ..opened };
        assert_eq!(because(cleared), (Cause::BrokenString, Grounds::FiredLaterAfterMate));
    }

    #[test]
    fn a_unit_that_failed_again_alone_is_to_blame_unless_it_fired_after_all() {
        let again = Case { failed_alone_later: true, has_fired_mate: true, ..DEAD };
        assert_eq!(because(again), (Cause::Igniter, Grounds::FailedLaterAlone));
        let fired = Case { fired_later: true, ..again };
        assert_eq!(because(fired), (Cause::BrokenString, Grounds::FiredLaterAfterMate));
    }

    #[test]
    fn a_unit_that_fired_later_was_sound() {
        let later = Case { fired_later: true, ..DEAD };
        assert_eq!(because(later), (Cause::Wiring, Grounds::FiredLater));
        let opened = Case { has_fired_mate: true, ..later };
        assert_eq!(because(opened), (Cause::BrokenString, Grounds::FiredLaterAfterMate));
        let parallel = Case { wiring: WiringKind::Parallel, ..opened };
        assert_eq!(because(parallel), (Cause::Wiring, Grounds::FiredLater));
    }

    #[test]
    fn a_bridge_speaks_where_neither_people_nor_a_later_attempt_do() {
        let of = |bridge| because(Case { bridge, has_fired_mate: true, ..DEAD });
        assert_eq!(of(BridgeFinding::AsStated), (Cause::BrokenString, Grounds::BridgeWholeAfterMate));
        assert_eq!(of(BridgeFinding::Open), (Cause::Igniter, Grounds::BridgeOpen));
        assert_eq!(of(BridgeFinding::Outside), (Cause::Unresolved, Grounds::BridgeOutside));
        assert_eq!(of(BridgeFinding::Unstated), (Cause::Unresolved, Grounds::BridgeUnstated));
        assert_eq!(of(BridgeFinding::Disputed), (Cause::Unresolved, Grounds::BridgeDisputed));
        let whole = Case { bridge: BridgeFinding::AsStated, wiring: WiringKind::Single, ..DEAD };
        assert_eq!(because(Case { module: ModuleProof::Proven, ..whole }), (Cause::Wiring, Grounds::BridgeWhole));
        let open = Case { bridge: BridgeFinding::Open, ..DEAD };
        assert_eq!(because(Case { fired_later: true, ..open }), (Cause::Wiring, Grounds::FiredLater));
        let ruled = Case { stated: Outcome::Ruled(Cause::Operator), ..open };
        assert_eq!(because(ruled), (Cause::Operator, Grounds::Ruling));
    }

    #[test]
    fn what_people_state_goes_before_what_the_wiring_says() {
        let later = Case { fired_later: true, ..DEAD };
        let ruled = Case { stated: Outcome::Ruled(Cause::Unresolved), ..later };
        assert_eq!(because(ruled), (Cause::Unresolved, Grounds::Ruling));
        let said = Case { stated: Outcome::Agreed(Cause::Igniter), ..later };
        assert_eq!(because(said), (Cause::Igniter, Grounds::Observers));
        let both = Outcome::Disputed(Choices::of(Cause::Igniter).with(Cause::Module));
        assert_eq!(because(Case { stated: both, ..later }), (Cause::Unresolved, Grounds::Contradiction));
    }
}
