//! Small symmetric positive definite matrices, by Cholesky's decomposition (Golub and Van Loan,
//! Matrix Computations, section 4.2). No unit.

/// The lower triangle L with L L' = matrix; `None` where the matrix is not positive definite.
fn cholesky(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let size = matrix.len();
    let mut lower = vec![vec![0.0; size]; size];
    for row in 0..size {
        for column in 0..=row {
            let sum: f64 = (0..column).map(|k| lower[row][k] * lower[column][k]).sum();
            let rest = matrix[row][column] - sum;
            lower[row][column] = if row == column {
                if rest <= 1e-14 * matrix[row][row].abs() || !rest.is_finite() {
                    return None;
                }
                rest.sqrt()
            } else {
                rest / lower[column][column]
            };
        }
    }
    Some(lower)
}

/// The inverse; `None` where the matrix is not positive definite.
#[must_use]
pub fn inverse(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let lower = cholesky(matrix)?;
    let size = matrix.len();
    // Column by column; the inverse is symmetric, so its columns are its rows.
    let solve = |column: usize| {
        let mut solution = vec![0.0; size];
        for row in 0..size {
            let unit = if row == column { 1.0 } else { 0.0 };
            let sum: f64 = (0..row).map(|k| lower[row][k] * solution[k]).sum();
            solution[row] = (unit - sum) / lower[row][row];
        }
        for row in (0..size).rev() {
            let sum: f64 = (row + 1..size).map(|k| lower[k][row] * solution[k]).sum();
            solution[row] = (solution[row] - sum) / lower[row][row];
        }
        solution
    };
    Some((0..size).map(solve).collect())
}

/// Matrix times vector.
#[must_use]
pub fn multiply(matrix: &[Vec<f64>], vector: &[f64]) -> Vec<f64> {
    matrix.iter().map(|row| row.iter().zip(vector).map(|(a, b)| a * b).sum()).collect()
}

/// The quadratic form of a vector.
#[must_use]
pub fn quadratic(matrix: &[Vec<f64>], vector: &[f64]) -> f64 {
    multiply(matrix, vector).iter().zip(vector).map(|(a, b)| a * b).sum()
}

/// Adds weight times vector vector'.
pub fn add_square(matrix: &mut [Vec<f64>], vector: &[f64], weight: f64) {
    for (row, a) in matrix.iter_mut().zip(vector) {
        for (cell, b) in row.iter_mut().zip(vector) {
            *cell += weight * a * b;
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::stats::curve_fit::symmetric::*;

    /// By hand: the inverse of [[4, 2], [2, 3]] is [[3, -2], [-2, 4]] / 8.
    #[test]
    fn inverse_by_hand() {
        let inverse = inverse(&[vec![4.0, 2.0], vec![2.0, 3.0]]).unwrap();
        for (found, expected) in inverse.concat().iter().zip([0.375, -0.25, -0.25, 0.5]) {
            assert!((found - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn a_singular_matrix_has_none() {
        assert_eq!(inverse(&[vec![1.0, 1.0], vec![1.0, 1.0]]), None);
    }
}
