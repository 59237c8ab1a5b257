//! Least squares with up to four columns: normal equations and their solution.

use crate::num::Saturating as _;
use crate::num::{self, Reciprocal};

/// Most columns.
pub(crate) const COLUMNS: usize = 4;

/// Normal equations `A x = b` of a least-squares fit, `I32F32`. Columns are
/// kept within ±32 and the data within ±4000 over at most 24 rows, so that
/// every sum stays below 2^22.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Normal {
    a: [[i64; COLUMNS]; COLUMNS],
    b: [i64; COLUMNS],
}

impl Normal {
    /// Adds one row: column values and datum. Only the upper triangle is kept.
    pub(crate) fn add(&mut self, columns: &[i64; COLUMNS], datum: i64) {
        let [c0, c1, c2, c3] = *columns;
        let [[a00, a01, a02, a03], [_, a11, a12, a13], rest @ ..] = &mut self.a;
        let [[_, _, a22, a23], [.., a33]] = rest;
        let [b0, b1, b2, b3] = &mut self.b;
        add(b0, c0, datum);
        add(a00, c0, c0);
        add(a01, c0, c1);
        add(b1, c1, datum);
        add(a11, c1, c1);
        if c2 != 0 {
            add(b2, c2, datum);
            add(a02, c0, c2);
            add(a12, c1, c2);
            add(a22, c2, c2);
            add(a23, c2, c3);
        }
        if c3 != 0 {
            add(b3, c3, datum);
            add(a03, c0, c3);
            add(a13, c1, c3);
            add(a33, c3, c3);
        }
    }

    /// One diagonal element of the inverse: the variance of that coefficient
    /// for unit noise.
    pub(crate) fn inverse_at(&mut self, column: usize) -> Option<i64> {
        self.b = [0; COLUMNS];
        *self.b.get_mut(column)? = num::ONE;
        self.solve()?.get(column).copied()
    }

    /// The solution for the data, in their place; `None` when the columns do not
    /// determine it. Elimination without pivoting, as fits a positive definite matrix.
    /// A column of zeros is one that is not in use: its coefficient is zero.
    #[inline(never)]
    pub(crate) fn solve(&mut self) -> Option<[i64; COLUMNS]> {
        let Self { a, b } = self;
        let [[first, ..], [_, second, ..], [_, _, third, _], [.., fourth]] = *a;
        for (step, original) in [first, second, third, fourth].into_iter().enumerate() {
            let pivot_line = *a.get(step)?;
            let pivot = *pivot_line.get(step)?;
            if original == 0 {
                continue;
            }
            // Less than 2^-24 of the column is left: the others explain it.
            if pivot <= original >> 24 || pivot <= 0 {
                return None;
            }
            let reciprocal = Reciprocal::new(i128::from(pivot))?;
            let pivot_b = *b.get(step)?;
            let below = a.iter_mut().zip(b.iter_mut()).zip(&pivot_line).enumerate();
            for (place, ((line, rhs), &beside)) in below.skip(step.saturating_add(1)) {
                if beside == 0 {
                    continue;
                }
                let factor = reciprocal.times(i128::from(beside), num::FRAC as i32);
                for (cell, &above) in line.iter_mut().zip(&pivot_line).skip(place) {
                    *cell = cell.minus(num::mul(factor, above));
                }
                *rhs = rhs.minus(num::mul(factor, pivot_b));
            }
        }
        substitute(a, b)
    }
}

#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
fn add(sum: &mut i64, left: i64, right: i64) {
    *sum = sum.plus(product(left, right));
}

/// Most products are with the column of ones, or with one that is not in use.
pub(super) fn product(left: i64, right: i64) -> i64 {
    if left == num::ONE {
        right
    } else if left == 0 {
        0
    } else {
        num::mul(left, right)
    }
}

fn substitute(a: &[[i64; COLUMNS]; COLUMNS], b: &[i64; COLUMNS]) -> Option<[i64; COLUMNS]> {
    let mut x = [0i64; COLUMNS];
    for step in (0..COLUMNS).rev() {
        let line = a.get(step)?;
        let pivot = *line.get(step)?;
        if pivot == 0 {
            continue;
        }
        let mut rest = *b.get(step)?;
        for (&cell, &known) in line.iter().zip(&x).skip(step.saturating_add(1)) {
            rest = rest.minus(num::mul(cell, known));
        }
        *x.get_mut(step)? = num::ratio(rest, pivot);
    }
    Some(x)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn q(x: f64) -> i64 {
        (x * num::ONE as f64) as i64
    }

    proptest! {
        #[test]
        fn coefficients_of_exact_data_come_back(
            rho in 0.05f64..0.9, y in -100f64..100.0, a in -100f64..100.0, slope in -20f64..20.0,
        ) {
            let mut normal = Normal::default();
            for i in 0..20 {
                let phi = rho.powi(i);
                let ramp = f64::from(i) / 20.0;
                normal.add(&[num::ONE, q(phi), 0, q(ramp)], q(y + a * phi + slope * ramp));
            }
            let x = normal.solve().expect("determined");
            for (got, want) in x.iter().zip([y, a, 0.0, slope]) {
                prop_assert!((*got as f64 / num::ONE as f64 - want).abs() < 2e-5);
            }
        }
    }

    #[test]
    fn equal_columns_are_refused() {
        let mut normal = Normal::default();
        for _ in 0..10 {
            normal.add(&[num::ONE, num::ONE, 0, 0], num::ONE);
        }
        assert_eq!(normal.solve(), None);
    }
}
