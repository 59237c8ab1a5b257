//! Solution of the normal equations by LDLᵀ.

use super::normal::System;
use super::scaled::Scaled;
use super::theta::PARAMETERS;

type Vector = [Scaled; PARAMETERS];

/// A pivot that keeps less than 2⁻²⁵ of its diagonal is rounding, not
/// information.
pub(super) const WORTHLESS: i32 = -25;

/// Elements below the diagonal.
const BELOW: usize = PARAMETERS * (PARAMETERS - 1) / 2;

/// `A = L·D·Lᵀ`.
#[derive(Debug, Clone)]
pub(super) struct Factors {
    /// Strictly lower part, row after row.
    lower: [Scaled; BELOW],
    /// 1/D.
    inverse: Vector,
    /// Every parameter is determined.
    pub(super) regular: bool,
}

impl Factors {
    /// Of no matrix yet.
    pub(super) const NONE: Self = Self {
        lower: [Scaled::ZERO; BELOW],
        inverse: [Scaled::ZERO; PARAMETERS],
        regular: true,
    };

    /// Factors a matrix with its diagonal raised by the share `damping`.
    #[inline(never)]
    pub(super) fn factor(&mut self, system: &System, damping: Scaled) {
        for row in 0..PARAMETERS {
            self.factor_row(system, damping, row);
        }
    }

    fn factor_row(&mut self, system: &System, damping: Scaled, row: usize) {
        // raw[j] = A[row][j] − Σ raw[k]·L[j][k] = L[row][j]·D[j].
        let mut raw = [Scaled::ZERO; PARAMETERS];
        let diagonal = system.at(row, row);
        let diagonal = diagonal.plus_product(diagonal, damping);
        let mut pivot = diagonal;
        for column in 0..row {
            let value = less(system.at(row, column), &raw, self.line(column));
            let factor = value.times(at(&self.inverse, column));
            pivot = pivot.minus_product(value, factor);
            put(&mut raw, column, value);
            put(&mut self.lower, before(row).wrapping_add(column), factor);
        }
        let worth = !pivot.less(diagonal.shifted(WORTHLESS)) && pivot.positive();
        self.regular &= worth;
        if worth {
            put(&mut self.inverse, row, Scaled::ONE.over(pivot));
        }
    }

    /// A row of L, up to the diagonal.
    fn line(&self, row: usize) -> &[Scaled] {
        let from = before(row);
        let line = self.lower.get(from..from.wrapping_add(row));
        line.unwrap_or_default()
    }

    /// The step to the solution.
    #[inline(never)]
    fn step(&self, system: &System) -> Vector {
        let mut x = [Scaled::ZERO; PARAMETERS];
        for row in 0..PARAMETERS {
            let value = less(system.side(row), self.line(row), &x);
            put(&mut x, row, value);
        }
        self.backward(x)
    }

    /// A column of the inverse.
    #[inline(never)]
    pub(super) fn column(&self, place: usize) -> Vector {
        self.backward(self.forward(place))
    }

    /// `L⁻ᵀ·D⁻¹` times a vector.
    #[inline(never)]
    fn backward(&self, mut x: Vector) -> Vector {
        for (value, by) in x.iter_mut().zip(&self.inverse) {
            *value = value.times(*by);
        }
        for row in (0..PARAMETERS).rev() {
            let known = at(&x, row);
            for (value, factor) in x.iter_mut().zip(self.line(row)) {
                *value = value.minus_product(*factor, known);
            }
        }
        x
    }

    /// `L⁻¹` times a unit vector: zero before its place.
    #[inline(never)]
    fn forward(&self, place: usize) -> Vector {
        let mut x = [Scaled::ZERO; PARAMETERS];
        put(&mut x, place, Scaled::ONE);
        for row in place.saturating_add(1)..PARAMETERS {
            let value = less(Scaled::ZERO, self.line(row), &x);
            put(&mut x, row, value);
        }
        x
    }

    /// Elements of the inverse, `(L⁻¹e_a)ᵀ·D⁻¹·(L⁻¹e_b)`: (a, a), (a, b), (b, b).
    pub(super) fn block(&self, a: usize, b: usize) -> [Scaled; 3] {
        let (from, to) = (self.forward(a), self.forward(b));
        let mut out = [Scaled::ZERO; 3];
        for ((a, b), by) in from.iter().zip(&to).zip(&self.inverse) {
            let by_a = a.times(*by);
            let products = [(by_a, *a), (by_a, *b), (b.times(*by), *b)];
            for (sum, (x, y)) in out.iter_mut().zip(products) {
                *sum = sum.plus_product(x, y);
            }
        }
        out
    }

    /// A diagonal element of the inverse.
    pub(super) fn variance(&self, place: usize) -> Scaled {
        let column = self.forward(place);
        let places = column.iter().zip(&self.inverse).skip(place);
        places.fold(Scaled::ZERO, |sum, (value, by)| {
            sum.plus_product(value.times(*by), *value)
        })
    }
}

/// The step to the solution, with the diagonal raised by the share `damping`.
#[inline(never)]
pub(super) fn solution(system: &System, damping: Scaled) -> Vector {
    let mut factors = Factors::NONE;
    factors.factor(system, damping);
    factors.step(system)
}

/// Elements of L before a row.
const fn before(row: usize) -> usize {
    row.wrapping_mul(row.wrapping_sub(1)) >> 1
}

fn at(vector: &Vector, place: usize) -> Scaled {
    vector.get(place).copied().unwrap_or_default()
}

fn put(vector: &mut [Scaled], at: usize, value: Scaled) {
    if let Some(slot) = vector.get_mut(at) {
        *slot = value;
    }
}

/// `value` less the products of what both have.
fn less(value: Scaled, a: &[Scaled], b: &[Scaled]) -> Scaled {
    let pairs = a.iter().zip(b);
    pairs.fold(value, |sum, (a, b)| sum.minus_product(*a, *b))
}

#[cfg(test)]
mod tests {
    use super::super::normal::{Normal, WIDE};
    use super::*;
    use proptest::prelude::*;

    const ONE: f64 = 4_294_967_296.0;

    proptest! {
        /// Columns from millivolts to kilovolts with exact data: every
        /// parameter comes back, to the quantum of its own column.
        #[test]
        fn a_linear_problem_is_solved(
            rows in prop::collection::vec(prop::array::uniform7(-1.0f64..1.0), 40..80),
            truth in prop::array::uniform7(-1.0f64..1.0),
        ) {
            let sizes = [1000.0, 1.0, 1e-3, 300.0, 0.02, 5.0, 1500.0];
            let mut normal = Normal::new();
            for row in &rows {
                let mut wide = [0i64; WIDE];
                let mut side = 0.0;
                for i in 0..PARAMETERS {
                    wide[i] = (row[i] * sizes[i] * ONE) as i64;
                    side += row[i] * truth[i];
                }
                wide[PARAMETERS] = (side * ONE) as i64;
                normal.add(&wide, 16);
            }
            let mut system = System::NONE;
            normal.write(&mut system);
            let mut factors = Factors::NONE;
            factors.factor(&system, Scaled::ZERO);
            prop_assert!(factors.regular);
            let step = factors.step(&system);
            for i in 0..PARAMETERS {
                let got = step[i].fixed(32) as f64 / ONE * sizes[i];
                prop_assert!((got - truth[i]).abs() < 1e-5, "{i}: {got} {}", truth[i]);
            }
        }
    }

    #[test]
    fn a_parameter_without_information_is_noticed() {
        let mut normal = Normal::new();
        for k in 0..20i64 {
            let mut row = [0i64; WIDE];
            for (i, value) in row.iter_mut().enumerate() {
                *value = (k * 7919 * (i as i64 + 3) % 1009) << 32;
            }
            row[4] = 0;
            normal.add(&row, 16);
        }
        let mut system = System::NONE;
        normal.write(&mut system);
        let mut factors = Factors::NONE;
        factors.factor(&system, Scaled::ZERO);
        assert!(!factors.regular);
    }
}
