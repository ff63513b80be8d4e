//! Newton's method on the masses that Turnbull's estimate is left with: few steps where EM takes thousands.

use super::turnbull::{Cover, rise};

/// The most masses it is tried on: the work rises with their cube.
const MOST: usize = 600;

/// Returns masses at least as likely, by one Newton step on those above 0, shortened so that none falls below 0.
pub(super) fn climb(cover: &Cover, masses: &[f64]) -> Vec<f64> {
    let held: Vec<usize> = masses.iter().enumerate().filter(|(_, m)| **m > 0.0).map(|(k, _)| k).collect();
    if held.len() < 2 || held.len() > MOST {
        return masses.to_vec();
    }
    // Where each inner interval stands among those held.
    let place = Cover::cumulated(&masses.iter().map(|m| if *m > 0.0 { 1.0 } else { 0.0 }).collect::<Vec<_>>());
    let sums = Cover::cumulated(masses);
    let size = held.len();
    // Each time adds a square block of one value to the Hessian; the corners are noted, then summed up.
    let mut corner = Square::new(size + 1);
    let mut slope = vec![0.0; size + 1];
    for (from, end, count) in &cover.rows {
        let (a, b) = (place[*from] as usize, place[*end] as usize);
        let p = sums[*end] - sums[*from];
        let value = count / (p * p);
        *corner.at(a, a) += value;
        *corner.at(b, b) += value;
        *corner.at(a, b) -= value;
        *corner.at(b, a) -= value;
        slope[a] += count / p;
        slope[b] -= count / p;
    }
    corner.sum_up();
    let mut sum = 0.0;
    for value in &mut slope {
        sum += *value;
        *value = sum;
    }
    slope.truncate(size);
    let Some(step) = constrained_step(&mut corner, &slope) else { return masses.to_vec() };
    // Up to the wall, and a mass that would pass it stays out.
    let reach = held.iter().zip(&step).filter(|(_, s)| **s < 0.0).map(|(k, s)| -masses[*k] / s).fold(1.0, f64::min);
    let mut target = masses.to_vec();
    for (k, s) in held.iter().zip(&step) {
        target[*k] = (masses[*k] + reach * s).max(0.0);
        if target[*k] < 1e-14 {
            target[*k] = 0.0;
        }
    }
    rise(cover, masses, &target)
}

/// Solves H s = g − λ 1 with Σ s = 0, where H is the negative Hessian; nothing where H is not sound.
fn constrained_step(matrix: &mut Square, slope: &[f64]) -> Option<Vec<f64>> {
    let size = slope.len();
    // Masses that only together matter make H singular; a hair on the diagonal settles on one of the many answers.
    let largest = (0..size).map(|k| *matrix.at(k, k)).fold(0.0, f64::max);
    for k in 0..size {
        *matrix.at(k, k) += 1e-13 * largest;
    }
    matrix.cholesky(size)?;
    let first = matrix.solve(slope, size);
    let ones = matrix.solve(&vec![1.0; size], size);
    let lambda = first.iter().sum::<f64>() / ones.iter().sum::<f64>();
    let step: Vec<f64> = first.iter().zip(&ones).map(|(a, b)| a - lambda * b).collect();
    step.iter().all(|s| s.is_finite()).then_some(step)
}

/// A square matrix.
struct Square {
    size: usize,
    cells: Vec<f64>,
}

impl Square {
    fn new(size: usize) -> Self {
        Self { size, cells: vec![0.0; size * size] }
    }

    fn at(&mut self, row: usize, column: usize) -> &mut f64 {
        &mut self.cells[row * self.size + column]
    }

    /// Each cell becomes the sum of all above and left of it.
    fn sum_up(&mut self) {
        for row in self.cells.chunks_mut(self.size) {
            let mut sum = 0.0;
            for cell in row {
                sum += *cell;
                *cell = sum;
            }
        }
        for k in self.size..self.cells.len() {
            self.cells[k] += self.cells[k - self.size];
        }
    }

    /// Puts the Cholesky factor into the lower half of the first `size` rows.
    fn cholesky(&mut self, size: usize) -> Option<()> {
        for row in 0..size {
            let (above, this) = self.cells.split_at_mut(row * self.size);
            for column in 0..=row {
                let other = if column == row { &this[..column] } else { &above[column * self.size..][..column] };
                let dot: f64 = this[..column].iter().zip(other).map(|(a, b)| a * b).sum();
                let rest = this[column] - dot;
                if column == row {
                    if rest <= 0.0 || !rest.is_finite() {
                        return None;
                    }
                    this[column] = rest.sqrt();
                } else {
                    this[column] = rest / above[column * self.size + column];
                }
            }
        }
        Some(())
    }

    fn solve(&self, right: &[f64], size: usize) -> Vec<f64> {
        let mut x = right.to_vec();
        for row in 0..size {
            let factor = &self.cells[row * self.size..][..=row];
            let dot: f64 = factor.iter().take(row).zip(&x).map(|(a, b)| a * b).sum();
            x[row] = (x[row] - dot) / factor[row];
        }
        for row in (0..size).rev() {
            let factor = &self.cells[row * self.size..][..=row];
            x[row] /= factor[row];
            let value = x[row];
            for (target, f) in x.iter_mut().zip(factor).take(row) {
                *target -= f * value;
            }
        }
        x
    }
}
