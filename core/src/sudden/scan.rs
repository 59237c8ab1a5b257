//! The best explanation of the record, found a slice at a time.

use super::circuit::Circuit;
use super::fit::{Region, Sums};
use super::frame::{Frame, Leak, T_BITS};
use super::noise::Noise;
use super::record::{ROWS, Record};
use super::row::{Equation, Kind, ODD_BITS, square};
use super::stage::SUSPECT;
use crate::config::Judged;
use crate::num;

/// Windows judged at every block, in equations.
const WINDOWS: [usize; 11] = [3, 4, 5, 6, 8, 11, 15, 21, 30, 43, 62];
/// The longest that is judged at every block, however little the one before
/// showed. Longer ones wait for a fourth: they move little in between.
const SHORT: usize = 15;
/// Equations that the start of a leak may spoil: it starts within a block.
const ONSET: usize = 2;
/// Equations before the onset that must look like its start, or like nothing.
const BEFORE: usize = 8;
/// Windows whose evidence cannot reach this, Q8, are not judged.
const TRIFLE: i64 = 16 << ODD_BITS;
/// Evidence, Q8, of three standard deviations: from here on every window is
/// judged at every block.
const ALERT: i64 = 9 << ODD_BITS;
/// Equations that one slice adds at most.
const SLICE: usize = 8;

/// The best explanation so far, and the equations that it explains; [`ROWS`]
/// of them fit a byte.
#[derive(Debug, Clone, Copy, Default)]
struct Candidate {
    leak: Leak,
    window: u8,
    equations: u8,
    pinned: bool,
}

/// The best explanation of the record.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Best {
    /// Equations since the leak began; none when nothing is to be explained.
    pub(super) window: usize,
    pub(super) leak: Leak,
    /// Its sharpness is that of t over 2^this.
    fine: u32,
    /// The part of it from the positive rail, Q24.
    pub(super) positive: i64,
    pub(super) pinned: bool,
    /// Against the best harmless one, squared standard deviations, Q8.
    pub(super) evidence: i64,
    /// Against the known circuit, the same.
    pub(super) change: i64,
    /// Misfit per equation, Q8.
    pub(super) misfit: i64,
    /// It fits how it began.
    pub(super) credible: bool,
}

/// The search through all windows, from the newest equation back.
#[derive(Debug, Clone)]
pub(super) struct Scan {
    frame: Frame,
    region: Region,
    /// The window that a suspicion calls for.
    since: Option<usize>,
    /// Equations that are summed at most.
    reach: usize,
    sums: Sums,
    /// Equations summed.
    length: usize,
    /// What the known circuit is charged with for them, Q8.
    odd: i64,
    /// Misfits over those of the known circuit, Q8: of the best harmless
    /// explanation, and of the best.
    harmless: i64,
    least: i64,
    best: Candidate,
}

impl Scan {
    /// `None` when the newest equation is worth nothing, when there is too
    /// little pack voltage for a leak to show, or when the known circuit misses
    /// all equations by too little for a suspicion, and none is under way. Long
    /// windows only if `deep`.
    pub(super) fn new(
        record: &Record,
        circuit: &Circuit,
        noise: &Noise,
        judged: Judged,
        since: Option<usize>,
        deep: bool,
    ) -> Option<Self> {
        let reach = if deep { ROWS } else { SHORT };
        let rows = record.rows().take(reach.saturating_add(ONSET));
        let [_, most] = rows.fold([0i64; 2], |[sum, most], row| {
            let sum = sum.saturating_add(i64::from(row.odd));
            [sum, most.max(sum)]
        });
        if since.is_none() && most <= SUSPECT {
            return None;
        }
        let frame = Frame::new(
            &record.newest()?,
            circuit.positive,
            circuit.negative,
            record.mismatch,
            noise.link.stiffness,
        )?;
        Some(Self {
            frame,
            region: Region {
                each: judged == Judged::WeakestRail,
            },
            since,
            reach,
            sums: Sums::default(),
            length: 0,
            odd: 0,
            harmless: 0,
            least: 0,
            best: Candidate::default(),
        })
    }

    /// Adds a few equations, or as many as the next window wants and judges
    /// that; true when all are done.
    #[inline(never)]
    pub(super) fn advance(&mut self, record: &Record, noise: &Noise) -> bool {
        for row in record.rows().skip(self.length).take(SLICE) {
            self.sums.add(&row, &self.frame, noise);
            self.odd = self.odd.saturating_add(i64::from(row.odd));
            self.length = self.length.saturating_add(1);
            let called = |since: usize| since.abs_diff(self.length) <= 1;
            if WINDOWS.contains(&self.length) || self.since.is_some_and(called) {
                self.judge(record, noise);
                break;
            }
        }
        self.length >= self.reach
    }

    /// Judges the equations summed as one window.
    fn judge(&mut self, record: &Record, noise: &Noise) {
        // What the known circuit is charged with instead: the onset too.
        let onset = record.rows().skip(self.length).take(ONSET);
        let instead = onset.fold(self.odd, |sum, row| sum.saturating_add(i64::from(row.odd)));
        if instead < TRIFLE {
            self.harmless = self.harmless.min(instead.saturating_neg());
            return;
        }
        let window = self.sums.judge(&self.frame, self.region, noise.pinned);
        let Some(window) = window else {
            return;
        };
        self.harmless = self.harmless.min(window.harmless.saturating_sub(instead));
        let misfit = window.best.misfit.saturating_sub(instead);
        if misfit < self.least {
            self.least = misfit;
            self.best = Candidate {
                leak: window.best,
                window: self.length as u8,
                pinned: window.pinned,
                equations: window.equations as u8,
            };
        }
    }

    /// The best explanation of all windows, its evidence scaled by how well it fits.
    #[inline(never)]
    pub(super) fn finish(&self, record: &Record, noise: &Noise) -> Best {
        let mut best = Best {
            window: usize::from(self.best.window),
            leak: self.best.leak,
            pinned: self.best.pinned,
            ..Best::default()
        };
        if best.window == 0 {
            return best;
        }
        let freedom = i64::from(self.best.equations).saturating_sub(2).max(1);
        let per_equation = best.leak.misfit.checked_div(freedom).unwrap_or(0);
        best.positive = self.frame.positive(&best.leak);
        best.fine = self.frame.fine;
        let leak = best.leak.t.saturating_mul(1 << (num::FRAC - T_BITS));
        let new = leak.saturating_sub(self.frame.known());
        let growth = noise.growth(new);
        best.misfit = num::ratio_shifted(per_equation, growth, 8);
        // As sure as the leak fits, and as the known circuit did (a half when quiet).
        let unrest = record.unrest.saturating_mul(2);
        let scale = i128::from(best.misfit.max(unrest).max(1 << ODD_BITS));
        let scaled = |x: i64| num::quotient(i128::from(x), scale, ODD_BITS as i32);
        best.evidence = scaled(self.harmless.saturating_sub(self.least).max(0));
        best.change = scaled(self.least.saturating_neg());
        best.credible = self.is_credible(record, noise, &best);
        best
    }

    /// Nothing wild is in it, and the equations around the onset lie between
    /// nothing and all of what the leak adds.
    fn is_credible(&self, record: &Record, noise: &Noise, best: &Best) -> bool {
        let reach = best.window.saturating_add(ONSET + BEFORE);
        let mut all = record.rows().take(reach);
        let onset = record.rows().take(reach).skip(best.window);
        let mut begins = onset.map(|row| {
            let added = self.frame.added(&row, &best.leak);
            begins(&row, added, noise)
        });
        all.all(|row| row.kind != Kind::Wild) && (best.pinned || begins.all(|fits| fits))
    }
}

impl Best {
    /// Nothing that could become a suspicion with the next block.
    pub(super) const fn is_trifle(&self) -> bool {
        self.evidence < ALERT && self.change < ALERT
    }

    /// A rail leaks less than is known, by more than an eighth of all, as far as that is told.
    pub(super) fn lessens(&self, circuit: &Circuit) -> bool {
        let negative = self.leak.t.saturating_sub(self.positive);
        let known = [circuit.positive, circuit.negative].map(|g| g >> (num::FRAC - T_BITS));
        let mut rails = [self.positive, negative].into_iter().zip(known);
        let most = self.leak.t >> 3;
        !self.pinned && rails.any(|(found, known)| known.saturating_sub(found) > most)
    }

    /// Standard uncertainty of the conductance, over the limit, `I32F32`.
    pub(super) fn uncertainty(&self) -> i64 {
        let variance = num::ratio_shifted(
            self.misfit.max(1 << ODD_BITS),
            self.leak.sharpness,
            num::FRAC.saturating_add(self.fine << 1) as i32,
        );
        num::sqrt_wide(u128::from(variance.unsigned_abs()) << num::FRAC)
    }
}

/// An equation lies between nothing and all of what the leak adds.
fn begins(row: &Equation, added: i64, noise: &Noise) -> bool {
    match row.kind {
        Kind::Gap | Kind::Wild => true,
        Kind::Steady | Kind::Edge => {
            let spread = noise
                .base
                .saturating_add(square(i64::from(row.doubt)) << ODD_BITS);
            let spread = i64::from(num::root(spread) >> 4);
            let part = added.saturating_abs().wrapping_div(10).saturating_mul(3);
            let loose = spread.saturating_mul(6).saturating_add(part);
            let current = i64::from(row.current);
            current > added.min(0).saturating_sub(loose)
                && current < added.max(0).saturating_add(loose)
        }
    }
}
