//! The choices that people make, as enums of every language.

use embertally_core::{facts, ledger, rates};

macro_rules! mirror {
    ($(#[$doc:meta])* $name:ident of $core:ty { $($(#[$vdoc:meta])* $variant:ident),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, uniffi::Enum)]
        pub enum $name { $($(#[$vdoc])* $variant),+ }

        impl From<$core> for $name {
            fn from(word: $core) -> Self {
                match word { $(<$core>::$variant => Self::$variant),+ }
            }
        }

        impl From<$name> for $core {
            fn from(word: $name) -> Self {
                match word { $($name::$variant => Self::$variant),+ }
            }
        }
    };
}

mirror!(
    /// What was seen of the igniter.
    Ignition of facts::Ignition {
        /// It fired.
        Fired,
        /// It fired late: a hang fire, by the outing's limit or the observer's word.
        Slow,
        /// It did not fire.
        Failed,
        /// It was not tried.
        Skipped,
    }
);
mirror!(
    /// What was seen of the fuse that the igniter had to light.
    Transfer of facts::Transfer {
        /// The fuse was lit.
        Lit,
        /// The fuse was not lit.
        Unlit,
        /// There was no fuse.
        NoFuse,
        /// Nobody could see.
        Unseen,
    }
);
mirror!(
    /// Why a shot failed.
    Cause of facts::Cause {
        /// The igniter's own failure.
        Igniter,
        /// The series string was opened before this igniter had its firing impulse.
        BrokenString,
        /// Too little current reached it.
        LowCurrent,
        /// A fault in the wiring.
        Wiring,
        /// A fault of the firing module.
        Module,
        /// A mistake at the controls.
        Operator,
        /// Nobody knows.
        Unresolved,
    }
);
mirror!(
    /// How the igniters of a volley were wired.
    Wiring of facts::WiringKind {
        /// One igniter alone.
        Single,
        /// One after another.
        Series,
        /// Side by side.
        Parallel,
        /// Series strings side by side.
        SeriesParallel,
    }
);
mirror!(
    /// What fell from the sky.
    Precipitation of facts::Precipitation {
        /// Nothing.
        Dry,
        /// Drizzle.
        Drizzle,
        /// Rain.
        Rain,
        /// Snow.
        Snow,
    }
);
mirror!(
    /// What kind of fuse it is.
    FuseKind of facts::FuseKind {
        /// Quickmatch.
        Quickmatch,
        /// Visco.
        Visco,
        /// Time fuse.
        TimeFuse,
        /// Bare black match.
        BlackMatch,
        /// A lift charge, directly.
        LiftCharge,
        /// None: the igniter was fired alone.
        NoFuse,
        /// Another.
        Other,
    }
);
mirror!(
    /// What kind of outing it is.
    OutingKind of facts::OutingKind {
        /// A session that fires a few of each lot to learn about it.
        Test,
        /// A show before an audience.
        Show,
    }
);
mirror!(
    /// What a person or a device of the crew may do.
    Role of facts::Role {
        /// All, and let others in.
        Chief,
        /// Record.
        Recorder,
        /// Read.
        Reader,
    }
);
mirror!(
    /// Which failure is measured; the measures are never added together.
    Measure of ledger::Measure {
        /// Igniters that failed.
        Ignition,
        /// Of those that fired, igniters that were slow.
        Slow,
        /// Of those that fired at a fuse, fuses that were not lit.
        Transfer,
        /// Of shots at a fuse, those that did not light it.
        EndToEnd,
        /// Pulses that did not fire the igniter, whatever the cause.
        Raw,
    }
);
mirror!(
    /// Why a shot is on the live list.
    LiveReason of ledger::LiveReason {
        /// The igniter failed.
        Failed,
        /// Whether the igniter fired is in dispute.
        IgnitionDisputed,
        /// The igniter fired, the fuse was not lit.
        Unlit,
        /// The igniter fired; whether the fuse was lit is in dispute.
        TransferDisputed,
        /// The igniter was wired and not tried.
        Skipped,
        /// The igniter was wired, and nothing is recorded of it.
        NothingSeen,
        /// The igniter fired, and nobody saw whether the fuse was lit. Shown apart.
        Unseen,
    }
);
mirror!(
    /// What the evidence supports. It is no permission.
    Verdict of rates::Verdict {
        /// Using it.
        Use,
        /// Nothing yet: too little is known.
        TestMore,
        /// Restricting it: more likely than not worse than is tolerable.
        Restrict,
        /// Setting it aside: very likely worse than is tolerable.
        SetAside,
    }
);
mirror!(
    /// What a comparison shows, in every reading of what is unresolved.
    Shown of rates::Shown {
        /// A difference, whoever is to blame for the unresolved shots.
        Difference,
        /// No difference; that is not the same as no difference being there.
        NoDifference,
        /// A difference, but only if shots of one volley are taken as independent.
        DependsOnVolleys,
        /// It depends on what is unresolved.
        DependsOnUnresolved,
        /// Nothing: one of them was not tried.
        Nothing,
    }
);

/// By what rates are grouped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, uniffi::Enum)]
pub enum Group {
    /// By lot.
    Lot,
    /// By fuse.
    Fuse,
    /// By igniter type.
    IgniterType,
    /// By firing module.
    Module,
    /// By outing.
    Outing,
    /// By wiring.
    Wiring,
    /// By wet or dry, and temperature.
    Weather,
    /// By wet or dry.
    Wet,
    /// By temperature.
    Temperature,
    /// By humidity.
    Humidity,
    /// By wind.
    Wind,
}

impl From<Group> for rates::Group {
    fn from(group: Group) -> Self {
        use ledger::WeatherField;
        match group {
            Group::Lot => Self::Lot,
            Group::Fuse => Self::Fuse,
            Group::IgniterType => Self::Type,
            Group::Module => Self::Module,
            Group::Outing => Self::Outing,
            Group::Wiring => Self::Wiring,
            Group::Weather => Self::Weather,
            Group::Wet => Self::Part(WeatherField::Wet),
            Group::Temperature => Self::Part(WeatherField::Temperature),
            Group::Humidity => Self::Part(WeatherField::Humidity),
            Group::Wind => Self::Part(WeatherField::Wind),
        }
    }
}
