//! What a circuit must be warned of, and its margins.

use super::{CircuitError, positive};

/// The currents that a type's maker states, A.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct StatedCurrents {
    /// The largest at which it must not fire.
    pub no_fire: Option<f64>,
    /// The smallest at which it must fire.
    pub all_fire: Option<f64>,
    /// The smallest at which a series string fires together.
    pub series: Option<f64>,
}

/// One thing to be warned of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Advice {
    /// More than one type in one series string.
    MixedTypes,
    /// The current is below that stated for series strings.
    BelowSeries {
        /// The current, A.
        ampere: f64,
        /// The one stated.
        stated: f64,
    },
    /// The current is below the all-fire current.
    BelowAllFire {
        /// The current, A.
        ampere: f64,
        /// The one stated.
        stated: f64,
    },
    /// The current is at or below the no-fire current.
    BelowNoFire {
        /// The current, A.
        ampere: f64,
        /// The one stated.
        stated: f64,
    },
    /// The string is longer than what the log has proved.
    LongerThanProven {
        /// Its length.
        length: u32,
        /// The longest that is proved; none if no length is.
        proven: Option<u32>,
    },
    /// The continuity current is above the no-fire current.
    ContinuityAboveNoFire {
        /// The continuity current, A.
        ampere: f64,
        /// The no-fire current.
        stated: f64,
    },
}

impl Advice {
    /// Returns a word for programs.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::MixedTypes => "mixed-types",
            Self::BelowSeries { .. } => "below-series-current",
            Self::BelowAllFire { .. } => "below-all-fire-current",
            Self::BelowNoFire { .. } => "below-no-fire-current",
            Self::LongerThanProven { .. } => "longer-than-proven",
            Self::ContinuityAboveNoFire { .. } => "continuity-above-no-fire",
        }
    }

    /// Returns it as a sentence or two.
    #[must_use]
    pub fn sentence(&self) -> String {
        match self {
            Self::MixedTypes => {
                "Types are mixed in one series string: the quicker ones open the loop before the slower \
                                 ones have their impulse. Do not mix types in a string."
                    .to_owned()
            }
            Self::BelowSeries { ampere, stated } => format!(
                "The current, {ampere:.3} A, is below the {stated:.3} A stated for series strings of this type: that the \
                 string fires together is not vouched for."
            ),
            Self::BelowAllFire { ampere, stated } => format!(
                "The current, {ampere:.3} A, is below the all-fire current of {stated:.3} A: heat lost while the bridge \
                 warms matters, and what is worked out here is too hopeful."
            ),
            Self::BelowNoFire { ampere, stated } => format!(
                "The current, {ampere:.3} A, is not above the no-fire current of {stated:.3} A: this must be expected not \
                 to fire, and is live all the same."
            ),
            Self::LongerThanProven { length, proven: Some(proven) } => {
                format!("{length} in a string is longer than the {proven} that this log has proved on this module.")
            }
            Self::LongerThanProven { length, proven: None } => {
                format!("{length} in a string: this log has proved no length for this module, type and wiring.")
            }
            Self::ContinuityAboveNoFire { ampere, stated } => format!(
                "The continuity current, {ampere:.3} A, is above the no-fire current of {stated:.3} A: it may fire an \
                 igniter. Test live circuits only with an instrument made for it."
            ),
        }
    }
}

/// Returns what to be warned of for one type of igniter with the least current that any of them has at the beginning.
#[must_use]
pub fn advise(stated: &StatedCurrents, ampere: f64, is_series: bool, continuity_ampere: Option<f64>) -> Vec<Advice> {
    let mut all = Vec::new();
    if let Some(stated) = stated.no_fire.filter(|s| ampere <= *s) {
        all.push(Advice::BelowNoFire { ampere, stated });
    } else if let Some(stated) = stated.all_fire.filter(|s| ampere < *s) {
        all.push(Advice::BelowAllFire { ampere, stated });
    }
    if let Some(stated) = stated.series.filter(|s| is_series && ampere < *s) {
        all.push(Advice::BelowSeries { ampere, stated });
    }
    if let (Some(ampere), Some(stated)) = (continuity_ampere, stated.no_fire)
        && ampere > stated
    {
        all.push(Advice::ContinuityAboveNoFire { ampere, stated });
    }
    all
}

/// How far a current stands from those stated: as multiples of each.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Margins {
    /// Times the no-fire current.
    pub over_no_fire: Option<f64>,
    /// Times the all-fire current.
    pub over_all_fire: Option<f64>,
    /// Times the series current.
    pub over_series: Option<f64>,
}

/// Returns the margins of a current.
///
/// # Errors
/// [`CircuitError::OutOfRange`] for a stated current that is not above 0.
pub fn margins(stated: &StatedCurrents, ampere: f64) -> Result<Margins, CircuitError> {
    let over =
        |stated: Option<f64>| stated.map(|s| positive("a stated current", s, "A").map(|s| ampere / s)).transpose();
    Ok(Margins {
        over_no_fire: over(stated.no_fire)?,
        over_all_fire: over(stated.all_fire)?,
        over_series: over(stated.series)?,
    })
}
