//! How far raters agree beyond chance, on categories without an order.
//!
//! Not for ordered categories (that would take weights), nor for measured values.

use thiserror::Error;

/// Says why a table of ratings has no kappa.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum AgreementError {
    /// The table has no row, no column or no rating.
    #[error("there is nothing rated")]
    NothingRated,
    /// A row has another length than it must have.
    #[error("row {row} has {found} categories and should have {wanted}")]
    WrongLength {
        /// The row, counted from 0.
        row: usize,
        /// The categories it has.
        found: usize,
        /// The categories it should have.
        wanted: usize,
    },
    /// A subject was rated by another number of raters than the first one.
    #[error("subject {subject} has {found} ratings and should have {wanted}")]
    UnequalRaters {
        /// The subject, counted from 0.
        subject: usize,
        /// The ratings it has.
        found: u128,
        /// The ratings the first subject has.
        wanted: u128,
    },
    /// Each subject was rated only once, so nobody can agree.
    #[error("one rater alone cannot agree")]
    OneRater,
    /// Every rating is the same category: agreement by chance is certain, so kappa is 0/0.
    #[error("every rating is the same category, so agreement beyond chance is undefined")]
    OneCategory,
}

/// Holds Cohen's kappa of two raters and its standard errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CohenKappa {
    /// Agreement beyond chance: 1 for full agreement, 0 for what chance gives, below 0 for less.
    pub kappa: f64,
    /// The large-sample standard error if there were no agreement beyond chance; for the test.
    pub standard_error_by_chance: f64,
    /// The large-sample standard error at the kappa found; for an interval.
    pub standard_error: f64,
    /// `kappa` over `standard_error_by_chance`; none where one rater used one category only, because then
    /// chance leaves no room for error.
    pub z: Option<f64>,
}

/// Returns Cohen's kappa of a square table: `table[i][j]` subjects were put into category `i` by the first
/// rater and `j` by the second.
///
/// # Errors
/// [`AgreementError::NothingRated`], [`AgreementError::WrongLength`], and [`AgreementError::OneCategory`]
/// where both raters used one and the same category only.
///
/// # Source
/// Cohen, Educ. Psychol. Meas. 20 (1960) 37–46; the standard errors from Fleiss, Cohen & Everitt,
/// Psychol. Bull. 72 (1969) 323–327.
///
/// ```
/// use embertally_stats::cohen_kappa;
///
/// let agreement = cohen_kappa(&[[20, 5], [10, 15]])?;
/// assert!((agreement.kappa - 0.40).abs() < 1e-12);
/// # Ok::<(), embertally_stats::AgreementError>(())
/// ```
pub fn cohen_kappa<Row: AsRef<[u64]>>(table: &[Row]) -> Result<CohenKappa, AgreementError> {
    let shares = square_shares(table)?;
    let size = shares.len();
    let rows: Vec<f64> = shares.iter().map(|row| row.iter().sum()).collect();
    let columns: Vec<f64> = (0..size).map(|j| shares.iter().map(|row| row[j]).sum()).collect();
    let total = table.iter().flat_map(|row| row.as_ref()).map(|&n| n as f64).sum::<f64>();

    let rows_used = table.iter().filter(|row| row.as_ref().iter().any(|&n| n > 0)).count();
    let columns_used = (0..size).filter(|&j| table.iter().any(|row| row.as_ref()[j] > 0)).count();
    let agreed: f64 = (0..size).map(|i| shares[i][i]).sum();
    if rows_used == 1 && columns_used == 1 && agreed > 0.0 {
        return Err(AgreementError::OneCategory);
    }

    let by_chance: f64 = rows.iter().zip(&columns).map(|(r, c)| r * c).sum();
    let room = 1.0 - by_chance;
    let kappa = (agreed - by_chance) / room;
    let scale = room * total.sqrt();

    let skew: f64 = rows.iter().zip(&columns).map(|(r, c)| r * c * (r + c)).sum();
    let one_sided = rows_used == 1 || columns_used == 1;
    let standard_error_by_chance = if one_sided { 0.0 } else { root(by_chance + by_chance * by_chance - skew) / scale };

    let mut variance = -(kappa - by_chance * (1.0 - kappa)).powi(2);
    for (i, row) in shares.iter().enumerate() {
        for (j, share) in row.iter().enumerate() {
            variance += if i == j {
                share * (1.0 - (rows[i] + columns[i]) * (1.0 - kappa)).powi(2)
            } else {
                share * ((1.0 - kappa) * (columns[i] + rows[j])).powi(2)
            };
        }
    }
    Ok(CohenKappa {
        kappa,
        standard_error_by_chance,
        standard_error: root(variance) / scale,
        z: (standard_error_by_chance > 0.0).then(|| kappa / standard_error_by_chance),
    })
}

/// Holds Fleiss' kappa of any number of raters and its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FleissKappa {
    /// Agreement beyond chance: 1 for full agreement, 0 for what chance gives, below 0 for less.
    pub kappa: f64,
    /// The large-sample standard error if there were no agreement beyond chance; for the test only.
    pub standard_error_by_chance: f64,
    /// `kappa` over `standard_error_by_chance`.
    pub z: f64,
}

/// Returns Fleiss' kappa: `counts[i][j]` raters put subject `i` into category `j`.
///
/// Every subject has the same number of ratings, two or more; the raters need not be the same people.
///
/// # Errors
/// [`AgreementError::NothingRated`], [`AgreementError::WrongLength`], [`AgreementError::UnequalRaters`],
/// [`AgreementError::OneRater`], [`AgreementError::OneCategory`].
///
/// # Source
/// Fleiss, Psychol. Bull. 76 (1971) 378–382; the standard error from Fleiss, Nee & Landis,
/// Psychol. Bull. 86 (1979) 974–977, which corrects the one of 1971.
pub fn fleiss_kappa<Row: AsRef<[u64]>>(counts: &[Row]) -> Result<FleissKappa, AgreementError> {
    let first = counts.first().ok_or(AgreementError::NothingRated)?.as_ref();
    let raters = ratings(first);
    if raters == 0 {
        return Err(AgreementError::NothingRated);
    }
    let mut columns = vec![0.0; first.len()];
    let mut pairs = 0.0;
    for (subject, row) in counts.iter().enumerate() {
        let row = row.as_ref();
        check_length(subject, row, first.len())?;
        let found = ratings(row);
        if found != raters {
            return Err(AgreementError::UnequalRaters { subject, found, wanted: raters });
        }
        for (column, &count) in columns.iter_mut().zip(row) {
            *column += count as f64;
            // Pairs of raters that agree, in either order.
            pairs += count as f64 * (count as f64 - 1.0);
        }
    }
    if raters == 1 {
        return Err(AgreementError::OneRater);
    }
    if columns.iter().filter(|&&column| column > 0.0).count() == 1 {
        return Err(AgreementError::OneCategory);
    }

    let subjects = counts.len() as f64;
    let raters = raters as f64;
    let all_pairs = subjects * raters * (raters - 1.0);
    let shares = columns.iter().map(|column| column / (subjects * raters));
    let by_chance: f64 = shares.clone().map(|p| p * p).sum();
    let room: f64 = shares.clone().map(|p| p * (1.0 - p)).sum();
    let skew: f64 = shares.map(|p| p * (1.0 - p) * (1.0 - 2.0 * p)).sum();
    let kappa = (pairs / all_pairs - by_chance) / room;
    let standard_error_by_chance = root(2.0 * (room * room - skew)) / (room * all_pairs.sqrt());
    Ok(FleissKappa { kappa, standard_error_by_chance, z: kappa / standard_error_by_chance })
}

/// The table as shares of its total.
fn square_shares<Row: AsRef<[u64]>>(table: &[Row]) -> Result<Vec<Vec<f64>>, AgreementError> {
    for (row, counts) in table.iter().enumerate() {
        check_length(row, counts.as_ref(), table.len())?;
    }
    let total: u128 = table.iter().map(|row| ratings(row.as_ref())).sum();
    if total == 0 {
        return Err(AgreementError::NothingRated);
    }
    let share = |&count: &u64| count as f64 / total as f64;
    Ok(table.iter().map(|row| row.as_ref().iter().map(share).collect()).collect())
}

fn check_length(row: usize, counts: &[u64], wanted: usize) -> Result<(), AgreementError> {
    if counts.len() == wanted {
        return Ok(());
    }
    Err(AgreementError::WrongLength { row, found: counts.len(), wanted })
}

fn ratings(counts: &[u64]) -> u128 {
    counts.iter().map(|&count| u128::from(count)).sum()
}

/// The root of a variance, which rounding may leave a hair below zero.
fn root(variance: f64) -> f64 {
    variance.max(0.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn full_agreement_is_one() {
        let two = cohen_kappa(&[[7, 0], [0, 3]]).unwrap();
        assert_eq!((two.kappa, two.standard_error), (1.0, 0.0));
        let many = fleiss_kappa(&[[4, 0], [0, 4], [4, 0]]).unwrap();
        assert!((many.kappa - 1.0).abs() < 1e-15);
    }

    #[test]
    fn one_category_only_has_no_kappa() {
        assert_eq!(cohen_kappa(&[[5, 0], [0, 0]]), Err(AgreementError::OneCategory));
        assert_eq!(fleiss_kappa(&[[3, 0], [3, 0]]), Err(AgreementError::OneCategory));
    }

    #[test]
    fn rater_with_one_category_has_kappa_zero_and_no_z() {
        let table = cohen_kappa(&[[9, 2], [0, 0]]).unwrap();
        assert!(table.kappa.abs() < 1e-15);
        assert_eq!(table.z, None);
        // Shares that do not add up evenly leave rounding where there should be nothing.
        let uneven = cohen_kappa(&[[7, 3, 1], [0, 0, 0], [0, 0, 0]]).unwrap();
        assert_eq!((uneven.standard_error_by_chance, uneven.z), (0.0, None));
        // Two raters who each use one category, but not the same one, never agree and never could.
        let never = cohen_kappa(&[[0, 5], [0, 0]]).unwrap();
        assert_eq!((never.kappa, never.z), (0.0, None));
    }

    #[test]
    fn tables_of_wrong_shape_are_refused_by_name() {
        let none: [[u64; 2]; 0] = [];
        assert_eq!(cohen_kappa(&none), Err(AgreementError::NothingRated));
        assert_eq!(cohen_kappa(&[[0, 0], [0, 0]]), Err(AgreementError::NothingRated));
        assert_eq!(
            cohen_kappa(&[vec![1, 2], vec![3]]),
            Err(AgreementError::WrongLength { row: 1, found: 1, wanted: 2 })
        );
        assert_eq!(fleiss_kappa(&none), Err(AgreementError::NothingRated));
        assert_eq!(fleiss_kappa(&[[0, 0]]), Err(AgreementError::NothingRated));
        assert_eq!(fleiss_kappa(&[[1, 0], [0, 1]]), Err(AgreementError::OneRater));
        assert_eq!(
            fleiss_kappa(&[[2, 1], [2, 2]]),
            Err(AgreementError::UnequalRaters { subject: 1, found: 4, wanted: 3 })
        );
    }
}
