//! The words that files, commands and screens use for the choices that people make, in one place.

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

/// A word that is not one of those allowed.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{text:?} is not a known {what}; use one of: {allowed}")]
pub struct WordError {
    /// What the word should have named.
    pub what: &'static str,
    /// The text.
    pub text: String,
    /// The words allowed, with commas.
    pub allowed: String,
}

macro_rules! words {
    ($(#[$doc:meta])* $name:ident, $what:literal { $($(#[$vdoc:meta])* $variant:ident = $code:literal $word:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $($(#[$vdoc])* $variant),+ }

        impl $name {
            /// All choices, in the order of their numbers.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Returns the number that stands for it in an entry; numbers are never used again.
            #[must_use]
            pub const fn number(self) -> u8 {
                match self { $(Self::$variant => $code),+ }
            }

            /// Returns the choice that a number stands for.
            #[must_use]
            pub const fn from_number(number: u64) -> Option<Self> {
                match number { $($code => Some(Self::$variant),)+ _ => None }
            }

            /// Returns its word.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(self.word())
            }
        }

        impl FromStr for $name {
            type Err = WordError;

            /// Reads the word, in any case, outer white space cut.
            fn from_str(text: &str) -> Result<Self, WordError> {
                let word = text.trim();
                Self::ALL.iter().copied().find(|c| c.word().eq_ignore_ascii_case(word)).ok_or_else(|| WordError {
                    what: $what,
                    text: text.to_owned(),
                    allowed: [$($word),+].join(", "),
                })
            }
        }
    };
}

words!(
    /// What kind of outing it is.
    OutingKind, "kind of outing" {
        /// A session that fires a few of each lot to learn about it.
        Test = 0 "test",
        /// A show before an audience.
        Show = 1 "show",
    }
);

words!(
    /// What was seen of the igniter.
    Ignition, "ignition" {
        /// It fired.
        Fired = 0 "fired",
        /// It fired late: a hang fire, by the outing's limit or the observer's word.
        Slow = 1 "slow",
        /// It did not fire.
        Failed = 2 "failed",
        /// It was not tried.
        Skipped = 3 "skipped",
    }
);

words!(
    /// What was seen of the fuse that the igniter had to light.
    Transfer, "transfer" {
        /// The fuse was lit.
        Lit = 0 "lit",
        /// The fuse was not lit.
        Unlit = 1 "unlit",
        /// There was no fuse.
        NoFuse = 2 "none",
        /// Nobody could see.
        Unseen = 3 "unseen",
    }
);

words!(
    /// Why a shot failed.
    Cause, "cause" {
        /// The igniter's own failure.
        Igniter = 0 "igniter",
        /// The series string was opened before this igniter had its firing impulse.
        BrokenString = 1 "broken-string",
        /// Too little current reached it.
        LowCurrent = 2 "low-current",
        /// A fault in the wiring.
        Wiring = 3 "wiring",
        /// A fault of the firing module.
        Module = 4 "module",
        /// A slip of the operator.
        Operator = 5 "operator",
        /// Not settled.
        Unresolved = 6 "unresolved",
    }
);

words!(
    /// How the igniters of a volley were wired.
    WiringKind, "wiring" {
        /// One igniter alone.
        Single = 0 "single",
        /// All in one loop.
        Series = 1 "series",
        /// Each across the same two leads.
        Parallel = 2 "parallel",
        /// Several strings in series, set in parallel.
        SeriesParallel = 3 "series-parallel",
    }
);

words!(
    /// What falls from the sky.
    Precipitation, "precipitation" {
        /// Nothing.
        Dry = 0 "none",
        /// Drizzle.
        Drizzle = 1 "drizzle",
        /// Rain.
        Rain = 2 "rain",
        /// Snow.
        Snow = 3 "snow",
    }
);

words!(
    /// What kind of fuse the igniter has to light.
    FuseKind, "kind of fuse" {
        /// Black match in a paper pipe.
        Quickmatch = 0 "quickmatch",
        /// Coated cord of even burning speed.
        Visco = 1 "visco",
        /// Cord of stated burning time.
        TimeFuse = 2 "time-fuse",
        /// Cotton with black powder, bare.
        BlackMatch = 3 "black-match",
        /// The lift charge itself.
        LiftCharge = 4 "lift-charge",
        /// Nothing to light: the igniter alone.
        NoFuse = 5 "none",
        /// Any other, named in words.
        Other = 6 "other",
    }
);

words!(
    /// A member's part in the crew.
    Role, "role" {
        /// Leads the crew.
        Chief = 0 "chief",
        /// Writes in the log.
        Recorder = 1 "recorder",
        /// Reads the log.
        Reader = 2 "reader",
    }
);

words!(
    /// What drives a firing module's pulse.
    SourceKind, "kind of source" {
        /// A supply of steady voltage, such as a battery.
        ConstantVoltage = 0 "constant-voltage",
        /// A charged capacitor.
        Capacitor = 1 "capacitor",
    }
);

impl Cause {
    /// Tells whether this cause lies outside the igniter: such a shot says nothing about the igniter.
    #[must_use]
    pub const fn is_outside_igniter(self) -> bool {
        !matches!(self, Self::Igniter | Self::Unresolved)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_and_numbers_lead_back_to_their_choice() {
        for c in Cause::ALL {
            assert_eq!(c.word().to_uppercase().parse(), Ok(*c));
            assert_eq!(Cause::from_number(c.number().into()), Some(*c));
        }
        assert_eq!(Cause::from_number(99), None);
    }

    #[test]
    fn a_wrong_word_is_answered_with_the_right_ones() {
        let said = "fird".parse::<Ignition>().unwrap_err().to_string();
        assert_eq!(said, r#""fird" is not a known ignition; use one of: fired, slow, failed, skipped"#);
    }
}
