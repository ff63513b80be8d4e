//! The single sampling plans of MIL-STD-105E (10 May 1989; public domain, cancelled 1995 without a successor of its
//! own): Tables I, II-A, II-B and II-C, for AQLs up to 10 %.
//!
//! Not for AQLs above 10 %, which count defects and not defectives; not for double and multiple plans.

use std::fmt;
use std::str::FromStr;

use super::{AcceptancePlan, SamplingError};

/// The code letters, without I and O; the tightened plans have an S after them.
pub const CODE_LETTERS: [char; 16] = ['A', 'B', 'C', 'D', 'E', 'F', 'G', 'H', 'J', 'K', 'L', 'M', 'N', 'P', 'Q', 'R'];

/// The acceptable quality levels, in percent defective.
pub const AQLS: [f64; 16] =
    [0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0];

/// Table I: the largest lot of a class, then the letters of the levels S-1, S-2, S-3, S-4, I, II, III.
const TABLE_I: [(u64, &str); 15] = [
    (8, "AAAAAAB"),
    (15, "AAAAABC"),
    (25, "AABBBCD"),
    (50, "ABBCCDE"),
    (90, "BBCCCEF"),
    (150, "BBCDDFG"),
    (280, "BCDEEGH"),
    (500, "BCDEFHJ"),
    (1_200, "CCEFGJK"),
    (3_200, "CDEGHKL"),
    (10_000, "CDFGJLM"),
    (35_000, "CDFHKMN"),
    (150_000, "DEGJLNP"),
    (500_000, "DEGJMPQ"),
    (u64::MAX, "DEHKNQR"),
];

/// What a cell of Table II says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cell {
    /// Use the first plan below the arrow.
    Down,
    /// Use the first plan above it.
    Up,
    /// Accept with at most the first, reject from the second on.
    Plan(u64, u64),
}

use Cell::{Down, Plan, Up};

/// One of Tables II-A to II-C.
///
/// All cells on a diagonal (one letter on, one AQL finer) say the same, so a table is its sample sizes and its
/// diagonals, from the one named first; before them all cells point down, after them up.
struct Master {
    sizes: &'static [u64],
    first: usize,
    diagonals: &'static [Cell],
}

const NORMAL: Master = Master {
    sizes: &[2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000],
    first: 14,
    diagonals: &[
        Plan(0, 1),
        Up,
        Down,
        Plan(1, 2),
        Plan(2, 3),
        Plan(3, 4),
        Plan(5, 6),
        Plan(7, 8),
        Plan(10, 11),
        Plan(14, 15),
        Plan(21, 22),
    ],
};

/// The last size is letter S, which only this table has.
const TIGHTENED: Master = Master {
    sizes: &[2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000, 3150],
    first: 15,
    diagonals: &[
        Plan(0, 1),
        Down,
        Down,
        Plan(1, 2),
        Plan(2, 3),
        Plan(3, 4),
        Plan(5, 6),
        Plan(8, 9),
        Plan(12, 13),
        Plan(18, 19),
    ],
};

const REDUCED: Master = Master {
    sizes: &[2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800],
    first: 14,
    diagonals: &[
        Plan(0, 1),
        Up,
        Down,
        Plan(0, 2),
        Plan(1, 3),
        Plan(1, 4),
        Plan(2, 5),
        Plan(3, 6),
        Plan(5, 8),
        Plan(7, 10),
        Plan(10, 13),
    ],
};

/// How severe the inspection is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Inspection {
    /// Table II-A.
    #[default]
    Normal,
    /// Table II-B.
    Tightened,
    /// Table II-C.
    Reduced,
}

/// How much is inspected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum InspectionLevel {
    /// Special level S-1, the smallest samples.
    S1,
    /// Special level S-2.
    S2,
    /// Special level S-3.
    S3,
    /// Special level S-4.
    S4,
    /// General level I.
    I,
    /// General level II, the usual one.
    #[default]
    II,
    /// General level III, the largest samples.
    III,
}

/// A word that the tables do not know.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text:?} is no {what}; use {allowed}")]
pub struct UnknownWord {
    what: &'static str,
    text: String,
    allowed: &'static str,
}

impl Inspection {
    /// Returns its word.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Tightened => "tightened",
            Self::Reduced => "reduced",
        }
    }

    const fn master(self) -> &'static Master {
        match self {
            Self::Normal => &NORMAL,
            Self::Tightened => &TIGHTENED,
            Self::Reduced => &REDUCED,
        }
    }
}

impl InspectionLevel {
    /// All levels, in the order of Table I.
    pub const ALL: [Self; 7] = [Self::S1, Self::S2, Self::S3, Self::S4, Self::I, Self::II, Self::III];

    /// Returns its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::S1 => "S-1",
            Self::S2 => "S-2",
            Self::S3 => "S-3",
            Self::S4 => "S-4",
            Self::I => "I",
            Self::II => "II",
            Self::III => "III",
        }
    }
}

impl fmt::Display for Inspection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl fmt::Display for InspectionLevel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for Inspection {
    type Err = UnknownWord;

    fn from_str(text: &str) -> Result<Self, UnknownWord> {
        let all = [Self::Normal, Self::Tightened, Self::Reduced];
        let found = all.into_iter().find(|i| i.name().eq_ignore_ascii_case(text.trim()));
        found.ok_or_else(|| UnknownWord {
            what: "inspection",
            text: text.to_owned(),
            allowed: "normal, tightened or reduced",
        })
    }
}

impl FromStr for InspectionLevel {
    type Err = UnknownWord;

    fn from_str(text: &str) -> Result<Self, UnknownWord> {
        let found = Self::ALL.into_iter().find(|l| l.name().eq_ignore_ascii_case(text.trim()));
        found.ok_or_else(|| UnknownWord {
            what: "inspection level",
            text: text.to_owned(),
            allowed: "I, II, III, S-1, S-2, S-3 or S-4",
        })
    }
}

/// What the tables say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LookedUp {
    /// The code letter of Table I.
    pub letter: char,
    /// The letter whose plan is used, another one where the table has an arrow.
    pub plan_letter: char,
    /// The plan; none where the sample would be the whole lot or more, which is then inspected whole: with igniters,
    /// none would be left.
    pub plan: Option<AcceptancePlan>,
    /// The sample size of the table.
    pub shots: u64,
    /// The most failures with which the lot is accepted.
    pub accept: u64,
    /// The fewest with which it is rejected. Under reduced inspection there is a gap: between the two the lot is
    /// accepted, and normal inspection comes back for the next.
    pub reject: u64,
}

/// Returns the code letter of Table I.
///
/// # Errors
/// [`SamplingError::LotTooSmall`] below 2.
pub fn code_letter(lot_size: u64, level: InspectionLevel) -> Result<char, SamplingError> {
    let found = TABLE_I.iter().find(|(largest, _)| lot_size <= *largest);
    let letter = found.and_then(|(_, letters)| letters.chars().nth(level as usize));
    letter.filter(|_| lot_size >= 2).ok_or(SamplingError::LotTooSmall { lot_size })
}

/// Returns the single sampling plan of MIL-STD-105E.
///
/// `lot_size` from 2 up; `aql` in percent, one of [`AQLS`]. Where the table has an arrow, the plan that it points to
/// is taken whole, sample size and numbers; where all cells that way are arrows too, the nearest plan the other way.
///
/// # Errors
/// [`SamplingError::LotTooSmall`], [`SamplingError::NoSuchAql`].
///
/// # Source
/// MIL-STD-105E, Tables I, II-A, II-B, II-C; the rows quoted in `tests/published_sampling.rs`.
pub fn mil_std_105e(
    lot_size: u64,
    aql: f64,
    level: InspectionLevel,
    inspection: Inspection,
) -> Result<LookedUp, SamplingError> {
    let letter = code_letter(lot_size, level)?;
    let column = AQLS.iter().position(|a| (a - aql).abs() <= 1e-9 * a).ok_or(SamplingError::NoSuchAql { aql })?;
    let row = CODE_LETTERS.iter().position(|l| *l == letter).unwrap_or(0);
    let (row, shots, (accept, reject)) = inspection.master().plan(row, column);
    Ok(LookedUp {
        letter,
        plan_letter: CODE_LETTERS.get(row).copied().unwrap_or('S'),
        plan: AcceptancePlan::new(shots, reject.saturating_sub(1)).ok().filter(|_| shots < lot_size),
        shots,
        accept,
        reject,
    })
}

impl Master {
    fn cell(&self, row: usize, column: usize) -> Cell {
        // Letter A has no plan of its own at the coarsest AQL: its cell points down in all three tables.
        if row == 0 && column == 15 {
            return Down;
        }
        match (row + column).checked_sub(self.first) {
            None => Down,
            Some(k) => self.diagonals.get(k).copied().unwrap_or(Up),
        }
    }

    /// The row that an arrow leads to, its sample size and its numbers.
    fn plan(&self, row: usize, column: usize) -> (usize, u64, (u64, u64)) {
        let numbers = |row: usize| match self.cell(row, column) {
            Plan(accept, reject) => Some((row, (accept, reject))),
            Up | Down => None,
        };
        let down = || (row..self.sizes.len()).find_map(numbers);
        let up = || (0..=row).rev().find_map(numbers);
        let found = if self.cell(row, column) == Up { up().or_else(down) } else { down().or_else(up) };
        // Every column has a plan.
        let (row, numbers) = found.unwrap_or((0, (0, 1)));
        (row, self.sizes.get(row).copied().unwrap_or(2), numbers)
    }
}
