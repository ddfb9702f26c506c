//! Small symmetric systems: as many unknowns as a channel has covariates.

use crate::plan::MOST_COVARIATES;

pub(super) type Square = [[f64; MOST_COVARIATES]; MOST_COVARIATES];

pub(super) fn get(matrix: &Square, i: usize, j: usize) -> f64 {
    matrix.get(i).and_then(|row| row.get(j)).copied().unwrap_or(0.0)
}

pub(super) fn set(matrix: &mut Square, i: usize, j: usize, value: f64) {
    if let Some(slot) = matrix.get_mut(i).and_then(|row| row.get_mut(j)) {
        *slot = value;
    }
}

/// Solves a symmetric positive definite system by elimination; the ridge keeps every pivot above nought.
#[expect(clippy::indexing_slicing, clippy::needless_range_loop, reason = "indices run over a fixed square")]
pub(super) fn solve(mut a: Square, mut b: [f64; MOST_COVARIATES]) -> [f64; MOST_COVARIATES] {
    for i in 0..MOST_COVARIATES {
        for k in i + 1..MOST_COVARIATES {
            let share = a[k][i] / a[i][i];
            for j in i..MOST_COVARIATES {
                a[k][j] -= share * a[i][j];
            }
            b[k] -= share * b[i];
        }
    }
    for i in (0..MOST_COVARIATES).rev() {
        for j in i + 1..MOST_COVARIATES {
            b[i] -= a[i][j] * b[j];
        }
        b[i] /= a[i][i];
    }
    b
}
