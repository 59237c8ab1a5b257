//! The transient estimator's inner loop in plain floating point, as one would write it first: the yardstick for
//! what fixed point costs or saves. Same model (`ohmsplit::transient`, whose module page has the equations), same
//! seven parameters, same bound on residuals, same three tallies of them, same normal equations, solved by Cholesky's
//! method; a pack voltage that stands still within an entry, and rows that no hum makes to be summed. It is written once
//! for `f32` and `f64`. Nothing is judged with it.

macro_rules! yardstick {
    ($module:ident, $float:ident, $exp:path, $sqrt:path) => {
        /// In this precision.
        pub mod $module {
            type Float = $float;

            /// Parameters: ln(G + gr), w, ln C, κ, v at the start, drift, λ.
            pub const PARAMETERS: usize = 7;
            const WIDE: usize = PARAMETERS + 1;

            /// Sums of one channel over a block of samples.
            #[derive(Debug, Clone, Copy, Default)]
            pub struct Sums {
                first: Float,
                last: Float,
                sum: Float,
                squares: Float,
                count: u32,
            }

            impl Sums {
                /// Takes one code.
                pub fn push(&mut self, code: i32) {
                    let code = code as Float;
                    if self.count == 0 {
                        self.first = code;
                        self.last = code;
                    }
                    self.sum += code - self.first;
                    let step = code - self.last;
                    self.squares += step * step;
                    self.last = code;
                    self.count += 1;
                }

                /// The mean of the block, in codes.
                pub fn mean(&self) -> Float {
                    self.first + self.sum / self.count as Float
                }
            }

            /// A block mean: volts, seconds, samples, row of the drive table.
            #[derive(Debug, Clone, Copy)]
            pub struct Entry {
                /// v.
                pub chassis: Float,
                /// Vb.
                pub pack: Float,
                /// Length.
                pub seconds: Float,
                /// Weight; zero where nothing was read.
                pub weight: Float,
                /// Which row.
                pub row: usize,
                /// Begins at a drive change.
                pub first: bool,
            }

            /// (g, p, i) of a drive state, in µS and µA.
            pub type Row = [Float; 3];

            /// A point in parameter space, not in logarithms: G + gr, w, C, κ, v, drift, λ.
            pub type Theta = [Float; PARAMETERS];

            /// What depends on drive state and length alone.
            #[derive(Clone, Copy)]
            struct Span {
                row: usize,
                seconds: Float,
                by_total: Float,
                pushed: Float,
                positive: Float,
                share: Float,
                lost: Float,
                slope: Float,
                mean: Float,
                mean_slope: Float,
                mean_rate: Float,
            }

            fn phi(x: Float) -> Float {
                if x < 1e-4 {
                    1.0 - x / 2.0
                } else {
                    (1.0 - $exp(-x)) / x
                }
            }

            impl Span {
                fn new(theta: &Theta, known: &Known, row: usize, seconds: Float) -> Self {
                    let [g, p, i] = known.rows[row];
                    let [total, ratio, capacitance, .., lag] = *theta;
                    let gt = total - known.reference[0] + g;
                    let rate = gt / capacitance;
                    let (z, delta) = (rate * seconds, rate * known.tick);
                    let (whole, part) = (phi(z), phi(delta));
                    let stays = $exp(-z);
                    let offset = delta / 2.0 - lag * rate;
                    let mean = whole * $exp(-offset) / part;
                    let mean_slope =
                        mean * ((1.0 - stays / whole) + offset - (1.0 - $exp(-delta) / part));
                    Self {
                        row,
                        seconds,
                        by_total: 1.0 / gt,
                        pushed: i,
                        positive: ratio * total - known.reference[1] + p,
                        share: total / gt,
                        lost: 1.0 - stays,
                        slope: z * stays,
                        mean,
                        mean_slope,
                        mean_rate: mean * rate,
                    }
                }
            }

            /// Residuals beyond six standard deviations are left out.
            const REJECT: Float = 36.0;
            /// Sums over five blocks that make a batch.
            const BATCH: u32 = 4;

            /// Squares of the residuals over spans of one length.
            #[derive(Debug, Clone, Copy, Default)]
            pub struct Tally {
                /// Σ (Σ w·r)²/Σw.
                pub sum: Float,
                /// How many.
                pub count: u32,
            }

            impl Tally {
                fn add(&mut self, square: Float) {
                    self.sum += square;
                    self.count += 1;
                }
            }

            /// A weighted sum of residuals.
            #[derive(Debug, Clone, Copy, Default)]
            struct Group {
                sum: Float,
                weight: Float,
                count: u32,
            }

            impl Group {
                fn add(&mut self, weighted: Float, weight: Float) {
                    self.sum += weighted;
                    self.weight += weight;
                    self.count += 1;
                }

                fn square(&self) -> Float {
                    self.sum * self.sum / self.weight
                }
            }

            /// What the residuals look like.
            #[derive(Debug, Clone, Copy, Default)]
            pub struct Residuals {
                five: Group,
                five_seconds: Float,
                batch: Group,
                /// Of entries.
                pub single: Tally,
                /// Of five blocks.
                pub fives: Tally,
                /// Of four times as many.
                pub batches: Tally,
                /// Those within the bound.
                pub used: u32,
                /// Those beyond it.
                pub rejected: u32,
                /// The newest of these without a break, and for how long.
                trailing: u32,
                trailing_seconds: Float,
            }

            impl Residuals {
                /// A drive change spoils the sums that it cuts.
                fn cut(&mut self) {
                    self.five = Group::default();
                    self.five_seconds = 0.0;
                    self.close_batch();
                }

                /// Ends the last batch.
                pub fn close_batch(&mut self) {
                    if self.batch.count > 1 {
                        self.batches.add(self.batch.square());
                    }
                    self.batch = Group::default();
                }

                /// Takes the residual of an entry; false where it is beyond the bound.
                fn take(&mut self, residual: Float, entry: &Entry, known: &Known) -> bool {
                    let square = residual * residual * entry.weight;
                    if known
                        .variance
                        .is_some_and(|variance| square > variance * REJECT)
                    {
                        self.rejected += 1;
                        self.trailing += 1;
                        self.trailing_seconds += entry.seconds;
                        return false;
                    }
                    self.trailing = 0;
                    self.trailing_seconds = 0.0;
                    self.single.add(square);
                    self.five.add(residual * entry.weight, entry.weight);
                    self.five_seconds += entry.seconds;
                    // Five blocks, less a sampling period's worth of slack.
                    if self.five_seconds >= known.block * 4.75 {
                        let five = core::mem::take(&mut self.five);
                        self.five_seconds = 0.0;
                        self.fives.add(five.square());
                        self.batch.add(five.sum, five.weight);
                        if self.batch.count >= BATCH {
                            self.close_batch();
                        }
                    }
                    self.used += 1;
                    true
                }
            }

            /// What the walk needs to know.
            pub struct Known<'a> {
                /// Mean g and p of the drive cycle.
                pub reference: [Float; 2],
                /// The drive table.
                pub rows: &'a [Row],
                /// Length of a block, s.
                pub block: Float,
                /// Time between samples, s.
                pub tick: Float,
                /// Noise variance of the fit before, V² times weight; bounds residuals.
                pub variance: Option<Float>,
            }

            /// A walk through the record: v, its derivatives, the normal equations.
            pub struct Walk {
                v: Float,
                by: [Float; 5],
                pack: Float,
                elapsed: Float,
                span: [Option<Span>; 3],
                next: usize,
                /// Of the entries so far.
                pub residuals: Residuals,
                /// Upper triangle of the normal equations and the residual's column.
                pub normal: [[Float; WIDE]; WIDE],
            }

            impl Walk {
                /// At the start of the record.
                pub fn new(theta: &Theta, pack: Float) -> Self {
                    Self {
                        v: theta[4],
                        by: [0.0, 0.0, 0.0, 0.0, 1.0],
                        pack,
                        elapsed: 0.0,
                        span: [None; 3],
                        next: 0,
                        residuals: Residuals::default(),
                        normal: [[0.0; WIDE]; WIDE],
                    }
                }

                /// Takes one entry.
                pub fn take(&mut self, theta: &Theta, known: &Known, entry: &Entry) {
                    let mut columns = self.predict(theta, known, entry);
                    if entry.first {
                        self.residuals.cut();
                    }
                    if entry.weight == 0.0 {
                        return;
                    }
                    let residual = entry.chassis - columns[7];
                    columns[7] = residual;
                    if self.residuals.take(residual, entry, known) {
                        self.add(&columns, entry.weight);
                    }
                }

                /// The coefficients of a span, worked out if they are not known.
                fn span(&mut self, theta: &Theta, known: &Known, entry: &Entry) -> Span {
                    let spans = self.span.iter().flatten();
                    let found = spans
                        .copied()
                        .find(|s| s.row == entry.row && s.seconds == entry.seconds);
                    found.unwrap_or_else(|| {
                        let span = Span::new(theta, known, entry.row, entry.seconds);
                        self.span[self.next] = Some(span);
                        self.next = (self.next + 1) % self.span.len();
                        span
                    })
                }

                /// Columns of an entry, and what is predicted for it.
                fn predict(
                    &mut self,
                    theta: &Theta,
                    known: &Known,
                    entry: &Entry,
                ) -> [Float; WIDE] {
                    let span = self.span(theta, known, entry);
                    let moved = entry.pack - self.pack;
                    self.pack = entry.pack;
                    self.v += theta[3] * moved;
                    self.by[3] += moved;
                    let settled = (span.pushed + span.positive * entry.pack) * span.by_total;
                    let towards = [
                        span.share * (theta[1] * entry.pack - settled),
                        span.share * entry.pack,
                        0.0,
                        0.0,
                        0.0,
                    ];
                    let away = self.v - settled;
                    let mut columns = [0.0; WIDE];
                    for ((column, by), to) in columns.iter_mut().zip(&mut self.by).zip(towards) {
                        let apart = *by - to;
                        *column = to + apart * span.mean;
                        *by -= apart * span.lost;
                    }
                    columns[0] -= away * span.mean_slope * span.share;
                    columns[2] += away * span.mean_slope;
                    self.by[0] -= away * span.slope * span.share;
                    self.by[2] += away * span.slope;
                    let middle = self.elapsed + entry.seconds / 2.0;
                    self.elapsed += entry.seconds;
                    columns[5] = middle;
                    columns[6] = away * span.mean_rate;
                    columns[7] = settled + away * span.mean + theta[5] * middle;
                    self.v -= away * span.lost;
                    columns
                }

                /// Adds a row to the normal equations.
                fn add(&mut self, columns: &[Float; WIDE], weight: Float) {
                    for (at, row) in self.normal.iter_mut().enumerate() {
                        let weighted = columns[at] * weight;
                        for (sum, column) in row[at..].iter_mut().zip(&columns[at..]) {
                            *sum += weighted * column;
                        }
                    }
                }
            }

            /// The step that the normal equations ask for, with a belief (an inverse variance) for each parameter.
            #[allow(clippy::needless_range_loop, reason = "as the textbook has it")]
            pub fn solve(
                normal: &[[Float; WIDE]; WIDE],
                belief: &[Float; PARAMETERS],
            ) -> [Float; PARAMETERS] {
                let mut l = [[0.0 as Float; PARAMETERS]; PARAMETERS];
                for i in 0..PARAMETERS {
                    for j in 0..=i {
                        let mut sum = normal[j][i] + if i == j { belief[i] } else { 0.0 };
                        for k in 0..j {
                            sum -= l[i][k] * l[j][k];
                        }
                        l[i][j] = if i == j { $sqrt(sum) } else { sum / l[j][j] };
                    }
                }
                let mut x = [0.0; PARAMETERS];
                for i in 0..PARAMETERS {
                    let mut sum = normal[i][PARAMETERS];
                    for k in 0..i {
                        sum -= l[i][k] * x[k];
                    }
                    x[i] = sum / l[i][i];
                }
                for i in (0..PARAMETERS).rev() {
                    let mut sum = x[i];
                    for k in i + 1..PARAMETERS {
                        sum -= l[k][i] * x[k];
                    }
                    x[i] = sum / l[i][i];
                }
                x
            }
        }
    };
}
yardstick!(single, f32, libm::expf, libm::sqrtf);
yardstick!(double, f64, libm::exp, libm::sqrt);

#[cfg(test)]
mod tests {
    use super::double::{Entry, Known, Row, Theta, Walk, solve};
    use std::vec::Vec;

    const ROWS: [Row; 2] = [[1.0, 0.0, 40.0], [1.0, 0.0, -40.0]];
    const TICK: f64 = 1e-3;

    /// A record without noise: 2 MΩ, x 0.3, 1 µF, dwells of a second in entries of 20 ms.
    fn record() -> Vec<Entry> {
        let (g, gp, c, pack) = (0.5, 0.15, 1.0, 400.0);
        let mut v = 100.0;
        (0..200)
            .map(|k| {
                let row = k / 50 % 2;
                let gt = g + 1.0;
                let settled = (gp * pack + ROWS[row][2]) / gt;
                let mut sum = 0.0;
                for _ in 0..20 {
                    v = settled + (v - settled) * (-gt * TICK / c).exp();
                    sum += v;
                }
                Entry {
                    chassis: sum / 20.0,
                    pack,
                    seconds: 0.02,
                    weight: 1.0,
                    row,
                    first: k % 50 == 0,
                }
            })
            .collect()
    }

    /// Gauss-Newton from a start that is off by a third finds the circuit: the yardstick is the estimator's inner loop
    /// and not something like it.
    #[test]
    fn the_yardstick_finds_the_circuit() {
        let record = record();
        // gr = 1, so that G + gr = 1.5; readings at the end of their periods lag by minus half of one.
        let mut theta: Theta = [2.0, 0.15, 1.4, 0.25, 90.0, 0.0, -TICK / 2.0];
        let belief = [0.0, 0.0, 0.0, 1e6, 0.0, 1e9, 1e12];
        let known = Known {
            reference: [1.0, 0.0],
            rows: &ROWS,
            block: 0.02,
            tick: TICK,
            variance: None,
        };
        for _ in 0..12 {
            let mut walk = Walk::new(&theta, 400.0);
            for entry in &record {
                walk.take(&theta, &known, entry);
            }
            let step = solve(&walk.normal, &belief);
            theta[0] *= step[0].exp();
            theta[2] *= step[2].exp();
            for at in [1, 3, 4, 5, 6] {
                theta[at] += step[at];
            }
        }
        for (at, exact) in [(0, 1.5), (1, 0.15 / 1.5), (2, 1.0), (4, 100.0)] {
            assert!((theta[at] / exact - 1.0).abs() < 1e-6, "{at}: {theta:?}");
        }
    }

    /// Residuals of a known size are tallied alone, in fives and in batches of four fives; what a drive change cuts is
    /// left out, and what lies beyond the bound.
    #[test]
    fn residuals_are_bounded_and_tallied() {
        let theta: Theta = [1.5, 0.1, 1.0, 0.25, 100.0, 0.0, -TICK / 2.0];
        let mut record = record();
        for entry in &mut record {
            entry.chassis += 0.5;
            entry.weight = 4.0;
        }
        record[7].chassis += 10.0;
        let known = Known {
            reference: [1.0, 0.0],
            rows: &ROWS,
            block: 0.02,
            tick: TICK,
            variance: Some(1.0),
        };
        let mut walk = Walk::new(&theta, 400.0);
        for entry in &record {
            walk.take(&theta, &known, entry);
        }
        walk.residuals.close_batch();
        let told = walk.residuals;
        assert_eq!((told.used, told.rejected), (199, 1));
        // 50 entries a dwell; the one that is left out costs the first a five, and so half a batch.
        let counts = [told.single, told.fives, told.batches].map(|tally| tally.count);
        assert_eq!(counts, [199, 39, 11]);
        // A sum of n such residuals: (4n/2)²/4n = n.
        assert!((told.single.sum - 199.0).abs() < 1e-6, "{told:?}");
        assert!((told.fives.sum - 39.0 * 5.0).abs() < 1e-6, "{told:?}");
    }
}
