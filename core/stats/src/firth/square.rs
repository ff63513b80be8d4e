//! Small symmetric matrices: factor, solve, invert.

/// A symmetric matrix by its lower triangle, row by row, and its Cholesky factor in the same shape.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Square {
    size: usize,
    cells: Vec<f64>,
}

impl Square {
    pub(super) fn zero(size: usize) -> Self {
        Self { size, cells: vec![0.0; size * size] }
    }

    /// Makes one from its cells on and below the diagonal.
    pub(super) fn lower(size: usize, cell: impl Fn(usize, usize) -> f64) -> Self {
        let mut square = Self::zero(size);
        for i in 0..size {
            for j in 0..=i {
                square.set(i, j, cell(i, j));
            }
        }
        square
    }

    pub(super) fn at(&self, row: usize, column: usize) -> f64 {
        self.cells.get(row * self.size + column).copied().unwrap_or(0.0)
    }

    pub(super) fn set(&mut self, row: usize, column: usize, value: f64) {
        if let Some(cell) = self.cells.get_mut(row * self.size + column) {
            *cell = value;
        }
    }

    fn row(&self, row: usize) -> &[f64] {
        self.cells.get(row * self.size..(row + 1) * self.size).unwrap_or_default()
    }

    /// Returns the Cholesky factor; the number of the first row that depends on those before it, if one does.
    pub(super) fn factor(&self) -> Result<Square, usize> {
        let mut factor = Self::zero(self.size);
        for i in 0..self.size {
            for j in 0..=i {
                let dot: f64 = factor.row(i).iter().zip(factor.row(j)).take(j).map(|(a, b)| a * b).sum();
                let rest = self.at(i, j) - dot;
                if i == j {
                    if rest.is_nan() || rest <= 1e-12 * self.at(i, i) {
                        return Err(i);
                    }
                    factor.set(i, i, rest.sqrt());
                } else {
                    factor.set(i, j, rest / factor.at(j, j));
                }
            }
        }
        Ok(factor)
    }

    /// Of a factor L: returns the first row of whose square less than a share is on the diagonal.
    pub(super) fn first_own_share_below(&self, share: f64) -> Option<usize> {
        (0..self.size).find(|i| {
            let whole: f64 = self.row(*i).iter().take(i + 1).map(|c| c * c).sum();
            self.at(*i, *i).powi(2) < share * whole
        })
    }

    /// Of a factor L: returns ½ ln |L Lᵀ|.
    pub(super) fn half_log_determinant(&self) -> f64 {
        (0..self.size).map(|i| self.at(i, i).ln()).sum()
    }

    /// Of a factor L: overwrites v with L⁻¹ v.
    pub(super) fn solve_lower(&self, v: &mut [f64]) {
        for i in 0..self.size {
            let (known, rest) = v.split_at_mut(i);
            let dot: f64 = self.row(i).iter().zip(known.iter()).map(|(a, b)| a * b).sum();
            if let Some(x) = rest.first_mut() {
                *x = (*x - dot) / self.at(i, i);
            }
        }
    }

    /// Of a factor L: returns (L Lᵀ)⁻¹ v.
    pub(super) fn solve(&self, v: &[f64]) -> Vec<f64> {
        let mut x = v.to_vec();
        self.solve_lower(&mut x);
        for i in (0..self.size).rev() {
            let dot: f64 = (i + 1..self.size).map(|k| self.at(k, i) * x.get(k).copied().unwrap_or(0.0)).sum();
            if let Some(cell) = x.get_mut(i) {
                *cell = (*cell - dot) / self.at(i, i);
            }
        }
        x
    }

    /// Of a factor L: returns the whole of (L Lᵀ)⁻¹.
    pub(super) fn inverse(&self) -> Square {
        let mut inverse = Self::zero(self.size);
        for j in 0..self.size {
            let mut unit = vec![0.0; self.size];
            if let Some(one) = unit.get_mut(j) {
                *one = 1.0;
            }
            for (i, value) in self.solve(&unit).into_iter().enumerate() {
                inverse.set(i, j, value);
            }
        }
        inverse
    }

    /// Returns M v of a whole matrix.
    pub(super) fn times(&self, v: &[f64]) -> Vec<f64> {
        (0..self.size).map(|i| dot(self.row(i), v)).collect()
    }
}

pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Adds `weight` · v vᵀ to the lower triangle.
    fn add_outer(to: &mut Square, v: &[f64], weight: f64) {
        for i in 0..v.len() {
            for j in 0..=i {
                to.set(i, j, to.at(i, j) + weight * v[i] * v[j]);
            }
        }
    }

    #[test]
    fn a_matrix_times_its_inverse_is_one() {
        let mut matrix = Square::zero(3);
        for v in [[1.0, 2.0, 0.5], [0.0, 1.0, -1.0], [3.0, 0.0, 1.0]] {
            add_outer(&mut matrix, &v, 2.0);
        }
        let factor = matrix.factor().unwrap();
        let (solved, inverse) = (factor.solve(&[1.0, 2.0, 3.0]), factor.inverse());
        let direct = inverse.times(&[1.0, 2.0, 3.0]);
        assert!(solved.iter().zip(&direct).all(|(a, b)| (a - b).abs() < 1e-12));
        let full = |i: usize, j: usize| matrix.at(i.max(j), i.min(j));
        for i in 0..3 {
            let back: f64 = (0..3).map(|j| full(i, j) * direct[j]).sum();
            assert!((back - [1.0, 2.0, 3.0][i]).abs() < 1e-12);
        }
    }

    #[test]
    fn a_row_that_depends_on_others_is_named() {
        let mut matrix = Square::zero(3);
        for v in [[1.0, 2.0, 3.0], [1.0, 0.0, 1.0], [1.0, 5.0, 6.0]] {
            add_outer(&mut matrix, &v, 1.0);
        }
        assert_eq!(matrix.factor(), Err(2));
    }
}
