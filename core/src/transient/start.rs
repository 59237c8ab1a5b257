//! A starting point from nothing: the pole of the circuit from a scan, all else
//! by linear least squares.
//!
//! With the pole `β = (G + gr)/C` known, the circuit is a first-order low-pass
//! `β/(s + β)` (F) driven by known signals, and v is linear in what is unknown:
//!
//! ```text
//! v = a·F[y] + b·F[Vb] + κ·(Vb − F[Vb]) + c·e^(−βt) + d·t
//! y = i_k + p_k·Vb − (g_k − gr)·v    a = 1/(G + gr)    b = Gp/(G + gr)
//! ```
//!
//! c takes up the state at the start of the record, d a drifting reading. No
//! regressor but the small `(g_k − gr)·v` carries noise, so that even a record
//! in which the noise drowns the drive gives estimates without bias, and the
//! sums of squares of different poles compare. Poles an octave apart, from a
//! quarter of the record's rate to eight per block, leave the search a factor
//! of 1.5 to go. F of a block mean is exact for a signal that is constant
//! within the block, which is good enough for a start.

use super::beliefs::Beliefs;
use super::decay::phi;
use super::groups::Group;
use super::normal::{Normal, System, WIDE};
use super::record::{Entry, View};
use super::scaled::Scaled;
use super::search::decrement;
use super::solve::solution;
use super::theta::{PARAMETERS, Reference, Theta};
use crate::config::Network;
use crate::num::{self, ONE, millionths, mul};

/// Entries taken in one slice of work.
const SLICE: usize = 3;
/// Above this many blocks the rows are summed over five, against hum.
const LONG: u32 = 70;

/// One first-order low-pass.
#[derive(Debug, Clone, Copy)]
struct LowPass(i64);

impl LowPass {
    /// Takes a mean; returns the mean of the output.
    fn pass(&mut self, input: i64, gain: Gain) -> i64 {
        let apart = self.0.saturating_sub(input);
        self.0 = self.0.saturating_sub(mul(apart, gain.lost));
        input.saturating_add(mul(apart, gain.mean))
    }
}

/// What a pole does within one length of entry.
#[derive(Debug, Clone, Copy)]
struct Gain {
    duration_us: u32,
    mean: i64,
    lost: i64,
}

/// The scan under way.
#[derive(Debug, Clone)]
pub(super) struct Start {
    /// β, 1/s.
    pole: i64,
    fastest: i64,
    /// Length of the record.
    total_us: u32,
    block_us: u32,
    /// Weight of the belief in no drift over the length of the record.
    drift: Scaled,
    /// v/Vb at the start, taken off so that little is left to fit.
    ratio: i64,
    filters: Filters,
    normal: Normal,
    next: Next,
    /// The equations of a pole that all entries have passed, and their solution.
    system: System,
    solved: [Scaled; PARAMETERS],
    best: Option<(Scaled, Theta)>,
}

/// What is done next at a pole.
#[derive(Debug, Clone, Copy)]
enum Next {
    Take,
    Solve,
    Conclude,
}

/// The state of the filters at one pole.
#[derive(Debug, Clone)]
struct Filters {
    at: usize,
    elapsed_us: u32,
    known: LowPass,
    pack: LowPass,
    tail: LowPass,
    gain: Option<Gain>,
    /// Sums rows over five blocks.
    group: Option<Group<WIDE>>,
}

/// What a slice came to.
#[derive(Debug, Clone, Copy)]
pub(super) enum Started {
    Busy,
    /// Where to start from.
    At(Theta),
    /// The record is empty.
    Nowhere,
}

impl Start {
    /// A scan of nothing, to begin in its place.
    /// A function: a constant would lie in flash, all of it.
    pub(super) fn none() -> Self {
        Self {
            pole: 0,
            fastest: 0,
            total_us: 0,
            block_us: 0,
            drift: Scaled::ZERO,
            ratio: 0,
            filters: Filters::new(0, 0),
            normal: Normal::new(),
            next: Next::Take,
            system: System::NONE,
            solved: [Scaled::ZERO; PARAMETERS],
            best: None,
        }
    }

    #[inline(never)]
    pub(super) fn begin(
        &mut self,
        record: View<'_>,
        total_us: u32,
        block_us: u32,
        beliefs: &Beliefs,
    ) {
        let first = record.get(0).unwrap_or_default();
        self.pole = num::ratio(ONE / 4, millionths(total_us));
        self.fastest = num::ratio(8 * ONE, millionths(block_us));
        self.total_us = total_us;
        self.block_us = block_us;
        self.drift = beliefs.weight(beliefs.drift_u().times(Scaled::of(millionths(total_us))));
        self.ratio = num::ratio(first.chassis(), first.pack()).clamp(-ONE, 2 * ONE);
        self.filters = Filters::new(total_us, block_us);
    }

    /// One slice of work.
    #[inline(never)]
    pub(super) fn step(
        &mut self,
        record: View<'_>,
        network: &Network,
        reference: Reference,
    ) -> Started {
        match self.next {
            Next::Take if self.filters.at < record.len() => {
                for _ in 0..SLICE {
                    let Some(entry) = record.get(self.filters.at) else {
                        break;
                    };
                    self.take(&entry, network, reference);
                }
            }
            Next::Take => self.write(),
            Next::Solve => {
                self.solved = solution(&self.system, Scaled::ZERO);
                self.next = Next::Conclude;
            }
            Next::Conclude => return self.conclude(record, reference),
        }
        Started::Busy
    }

    #[inline(never)]
    fn take(&mut self, entry: &Entry, network: &Network, reference: Reference) {
        let row = network.row(entry.drive);
        let (v, pack) = (entry.chassis(), entry.pack());
        let feedback = mul(row.g.to_bits().saturating_sub(reference.g), v);
        let known = row
            .i
            .to_bits()
            .saturating_add(mul(row.p.to_bits(), pack))
            .saturating_sub(feedback);
        // Nothing was read in a gap: as if all had stood where it was.
        let known = (entry.weight > 0).then_some(known);
        let [low, low_pack, tail] = self.filters.take(entry, known, pack, self.pole);
        let elapsed = i64::from(self.filters.elapsed_us);
        let when = num::ratio(elapsed, i64::from(self.total_us)).saturating_sub(ONE / 2);
        let row: [i64; WIDE] = [
            low,
            low_pack,
            pack.saturating_sub(low_pack),
            tail,
            when,
            0,
            0,
            v.saturating_sub(mul(self.ratio, low_pack)),
        ];
        let weight = u32::from(entry.weight);
        if weight == 0 {
            return;
        }
        match &mut self.filters.group {
            None => self.normal.add(&row, weight),
            Some(group) => {
                if group.add(row.iter(), weight, entry.duration_us, self.block_us) {
                    group.average();
                    self.normal.add(&group.sums, group.weight);
                    group.reset();
                }
            }
        }
    }

    /// Writes the equations of a pole.
    #[inline(never)]
    fn write(&mut self) {
        self.normal.write(&mut self.system);
        for row in 0..PARAMETERS {
            // A whisper of (1 mV)² a block keeps idle columns at zero; κ, which
            // only a moving pack shows, is held back by 1 V².
            let weight = match row {
                2 => Scaled::int(16),
                4 => self.drift,
                _ => Scaled::new(1, -16),
            };
            self.system.prior(row, Scaled::ZERO, weight);
        }
        self.next = Next::Solve;
    }

    /// Ends one pole and goes to the next.
    #[inline(never)]
    fn conclude(&mut self, record: View<'_>, reference: Reference) -> Started {
        let Some(first) = record.get(0) else {
            return Started::Nowhere;
        };
        let (system, step) = (&self.system, self.solved);
        let gained = decrement(system, &step);
        let left = system.squares().minus(gained);
        let [resistance, positive, ..] = step;
        let least = num::ratio(reference.g, 32 * ONE).max(ONE >> 10);
        let total = Scaled::ONE.over(resistance).bits();
        let total = if resistance.positive() {
            total.max(least)
        } else {
            reference.g
        };
        let positive = positive.plus(Scaled::of(self.ratio)).bits();
        let ratio = positive.saturating_add(num::ratio(reference.p, total));
        let better = self.best.is_none_or(|(least, _)| left.less(least));
        if better {
            let theta = Theta {
                total,
                ratio: ratio.clamp(-(ONE / 2), ONE + ONE / 2),
                capacitance: num::ratio(total, self.pole).max(1 << 12),
                coupling: ONE / 2,
                start: first.chassis(),
                drift: 0,
                lag: 0,
            };
            self.best = Some((left, theta));
        }
        self.pole = self.pole.saturating_mul(2).max(1);
        self.filters = Filters::new(self.total_us, self.block_us);
        self.normal = Normal::new();
        self.next = Next::Take;
        match self.best {
            Some((_, theta)) if self.pole > self.fastest => Started::At(theta),
            _ => Started::Busy,
        }
    }
}

impl Filters {
    const fn new(total_us: u32, block_us: u32) -> Self {
        let long = total_us > block_us.saturating_mul(LONG);
        Self {
            at: 0,
            elapsed_us: 0,
            known: LowPass(0),
            pack: LowPass(0),
            tail: LowPass(ONE),
            gain: None,
            group: if long { Some(Group::NONE) } else { None },
        }
    }

    /// Means of F\[y\], F\[Vb\] and e^(−βt) in an entry.
    fn take(&mut self, entry: &Entry, known: Option<i64>, pack: i64, pole: i64) -> [i64; 3] {
        let known = known.unwrap_or(self.known.0);
        if self.at == 0 {
            self.known = LowPass(known);
            self.pack = LowPass(pack);
        }
        self.at = self.at.wrapping_add(1);
        self.elapsed_us = self.elapsed_us.saturating_add(entry.duration_us);
        let gain = match self.gain {
            Some(gain) if gain.duration_us == entry.duration_us => gain,
            _ => {
                let z = mul(pole, millionths(entry.duration_us));
                let mean = phi(z);
                let lost = mul(z, mean).min(ONE);
                *self.gain.insert(Gain {
                    duration_us: entry.duration_us,
                    mean,
                    lost,
                })
            }
        };
        [
            self.known.pass(known, gain),
            self.pack.pass(pack, gain),
            self.tail.pass(0, gain),
        ]
    }
}
