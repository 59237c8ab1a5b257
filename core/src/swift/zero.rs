//! The zero of v: how far it has gone by what fits see of its drift.
//!
//! A zero that is off by δ is off in all drive states alike: it moves Gp by (G + g)·δ/Vb and x by
//! that over G, and passes unseen while it stands still. Where fits see it drift beyond doubt, it
//! has gone as far as these drifts add up to. Where what they see may be noise, it may have gone
//! as far as that would have moved it within the record.

use crate::estimate::Zero;
use crate::num::{self, mul};
use crate::transient::Fit;
use crate::units::{Measured, Microsiemens, Seconds, Volts};

/// Standard uncertainties of a drift from which on it is beyond doubt.
const CERTAIN: i64 = 4;

/// Longest that an unseen drift is taken to have lasted before it was seen, s.
const LONGEST: i64 = 60 * num::ONE;

/// Halves of a record for which the drift that it shows is taken to go on, while no other is fitted.
const STALE: i64 = 8;

/// Share of the working voltage that it goes at most, as a power of two: what seems to go on is a leak that grows.
const FARTHEST: u32 = 6;

/// How far the zero has gone, and where it goes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stray {
    /// Blocks so far, and those up to which drifts are known.
    elapsed: u32,
    known: u32,
    /// How far it had gone by then, in volts, by drifts beyond doubt.
    gone: i64,
    /// How far the drift that the newest fit sees moves it within half of the record.
    slide: i64,
    /// What it is for a reading of now.
    pub(super) now: Zero,
    /// G where it had not gone yet.
    before: Measured<Microsiemens>,
}

impl Stray {
    pub(super) const NONE: Self = Self {
        elapsed: 0,
        known: 0,
        gone: 0,
        slide: 0,
        now: Zero::STILL,
        before: Measured {
            value: Microsiemens::ZERO,
            u: Microsiemens::MAX,
        },
    };

    /// A block has come; `working` is the working voltage.
    pub(super) fn tick(&mut self, block: Seconds, working: Volts) {
        self.elapsed = self.elapsed.saturating_add(1);
        let moved = mul(self.now.drift, block.to_bits());
        let off = self.now.off.saturating_add(moved);
        let unseen = self.slide.saturating_mul(STALE);
        let most = self.gone.saturating_abs().saturating_add(unseen);
        if off <= most.min(farthest(working)) {
            self.now.off = off;
        } else {
            self.now.drift = 0;
        }
    }

    /// Learns from a fit of a record that has just ended.
    #[inline(never)]
    pub(super) fn learn(&mut self, fit: &Fit, block: Seconds, working: Volts) {
        let half = fit.span.to_bits() >> 1;
        let blocks = half.checked_div(block.to_bits()).unwrap_or(0);
        let middle = self.elapsed.saturating_sub(blocks as u32);
        let unknown = i64::from(middle.saturating_sub(self.known));
        let since = unknown.saturating_mul(block.to_bits()).min(LONGEST);
        let (drift, u) = (fit.drift.value.to_bits(), fit.drift.u.to_bits());
        let certain = drift.saturating_abs() > u.saturating_mul(CERTAIN);
        let most = farthest(working);
        if certain {
            let gone = self.gone.saturating_add(mul(drift, since));
            self.gone = gone.min(most).max(most.saturating_neg());
        }
        // What it may have gone since then without being seen is less than the noise of a block.
        let hidden = mul(u, since).saturating_mul(CERTAIN) < fit.noise.to_bits();
        if certain || hidden {
            self.known = self.known.max(middle);
        }
        self.slide = fit.slide.to_bits().min(most);
        let off = self.gone.saturating_abs().saturating_add(self.slide);
        self.now = Zero {
            off: off.min(most),
            drift: num::ratio(self.slide, half),
        };
    }

    /// A leak that grows moves v as a zero that drifts does. Where G is not what it was, that is what has
    /// moved v.
    #[inline(never)]
    pub(super) fn compare(&mut self, conductance: &Measured<Microsiemens>) {
        let apart = conductance.value.saturating_sub(self.before.value).abs();
        let u = conductance.u.saturating_add(self.before.u).to_bits();
        if self.gone == 0 || apart.to_bits() > u.saturating_mul(CERTAIN) {
            self.gone = 0;
            self.before = *conductance;
        }
    }

    /// Standard uncertainty of the zero in the middle of the record of the newest fit.
    pub(super) fn in_record(&self) -> Volts {
        Volts::from_bits(self.gone.saturating_abs().max(self.slide))
    }
}

/// How far it goes at most.
fn farthest(working: Volts) -> i64 {
    working.to_bits() >> FARTHEST
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::ONE;
    use crate::swift::unexplained_tests;

    const BLOCK: f64 = 1.0 / 64.0;
    const WORKING: Volts = Volts::from_int(400);

    fn bits(x: f64) -> i64 {
        (x * ONE as f64).round() as i64
    }

    fn real(bits: i64) -> f64 {
        bits as f64 / ONE as f64
    }

    /// A fit of a record of such a length that shows a drift, in V/s, beside blocks that scatter by 10 mV.
    fn fit(drift: f64, u: f64, span: f64) -> Fit {
        let volts = |x: f64| Volts::from_bits(bits(x));
        Fit {
            drift: Measured {
                value: volts(drift),
                u: volts(u),
            },
            slide: volts(drift.abs() * span / 2.0),
            span: Seconds::from_bits(bits(span)),
            ..unexplained_tests::fit(2.0, Some(0.5), 0.01, 0.01)
        }
    }

    fn wait(stray: &mut Stray, seconds: f64) {
        let blocks = (seconds / BLOCK).round() as u32;
        (0..blocks).for_each(|_| stray.tick(Seconds::from_bits(bits(BLOCK)), WORKING));
    }

    fn learn(stray: &mut Stray, fit: &Fit) {
        stray.learn(fit, Seconds::from_bits(bits(BLOCK)), WORKING);
    }

    #[track_caller]
    fn near(told: i64, due: f64) {
        assert!(
            (real(told) - due).abs() < 1e-5,
            "{} is not {due}",
            real(told)
        );
    }

    /// 0.1 V/s that may be noise move the zero by 50 mV within half a second, and on from there; a record that shows
    /// none of it takes that back.
    #[test]
    fn a_drift_that_may_be_noise_slides_within_the_record() {
        let mut stray = Stray::NONE;
        wait(&mut stray, 1.0);
        learn(&mut stray, &fit(-0.1, 0.03, 1.0));
        near(stray.in_record().to_bits(), 0.05);
        near(stray.now.off, 0.05);
        near(stray.now.drift, 0.1);
        wait(&mut stray, 2.0);
        near(stray.now.off, 0.25);
        near(stray.in_record().to_bits(), 0.05);
        // Not for ever: for eight halves of the record.
        wait(&mut stray, 10.0);
        near(stray.now.off, 0.4);
        near(stray.now.drift, 0.0);
        learn(&mut stray, &fit(0.0, 0.03, 1.0));
        near(stray.now.off, 0.0);
        near(stray.now.drift, 0.0);
    }

    /// A drift beyond four standard uncertainties adds up from one record to the next, whatever lies between them, and
    /// what it has moved stays when it ends.
    #[test]
    fn a_drift_beyond_doubt_adds_up() {
        let mut stray = Stray::NONE;
        wait(&mut stray, 4.0);
        learn(&mut stray, &fit(-0.1, 0.02, 4.0));
        near(stray.in_record().to_bits(), 0.2);
        near(stray.now.off, 0.4);
        wait(&mut stray, 6.0);
        // In the middle of the last second.
        learn(&mut stray, &fit(-0.1, 0.02, 1.0));
        near(stray.in_record().to_bits(), 0.95);
        wait(&mut stray, 1.0);
        learn(&mut stray, &fit(0.0, 0.02, 1.0));
        near(stray.in_record().to_bits(), 0.95);
        // And back.
        wait(&mut stray, 1.0);
        learn(&mut stray, &fit(0.1, 0.02, 1.0));
        near(stray.in_record().to_bits(), 0.75);
    }

    /// What began at a time until which nothing was seen of it has begun then; where no record would have shown it, a
    /// minute ago at most.
    #[test]
    fn a_drift_began_when_it_was_not_yet_seen() {
        for (u, gone) in [(0.0005, 0.2), (0.02, 0.5), (0.5, 0.5)] {
            let mut stray = Stray::NONE;
            wait(&mut stray, 4.0);
            // 4·0.5 mV/s hide 6 mV in 3 s, less than the 10 mV of a block.
            learn(&mut stray, &fit(0.0, u, 2.0));
            wait(&mut stray, 2.0);
            learn(&mut stray, &fit(0.1, 0.01, 2.0));
            // From the middle of the one record, at 3 s, or from the start, to that of the other, at 5 s.
            near(stray.in_record().to_bits(), gone);
        }
        let mut stray = Stray::NONE;
        wait(&mut stray, 600.0);
        learn(&mut stray, &fit(0.1, 0.01, 2.0));
        near(stray.in_record().to_bits(), 6.0);
    }

    /// A 64th of 400 V at most, to either side.
    #[test]
    fn the_zero_goes_no_farther_than_a_part_of_the_working_voltage() {
        for sign in [-1.0, 1.0] {
            let mut stray = Stray::NONE;
            for _ in 0..4 {
                wait(&mut stray, 50.0);
                learn(&mut stray, &fit(0.2 * sign, 0.01, 2.0));
            }
            near(stray.in_record().to_bits(), 6.25);
            near(stray.now.off, 6.25);
        }
    }

    /// A short record of readings that nothing can be made of shows a drift of 100 V/s.
    #[test]
    fn a_drift_that_is_none_leaves_little_doubt() {
        let mut stray = Stray::NONE;
        wait(&mut stray, 4.0);
        learn(&mut stray, &fit(100.0, 60.0, 1.0));
        wait(&mut stray, 1.0);
        near(stray.in_record().to_bits(), 6.25);
        near(stray.now.off, 6.25);
        near(stray.now.drift, 0.0);
    }

    /// Where G has changed by more than four standard uncertainties of both, a leak has moved v; what follows is held
    /// against that.
    #[test]
    fn a_leak_that_grows_is_no_drift() {
        let siemens = |value: f64, u: f64| Measured {
            value: Microsiemens::from_bits(bits(value)),
            u: Microsiemens::from_bits(bits(u)),
        };
        let mut stray = Stray::NONE;
        stray.compare(&siemens(2.0, 0.01));
        wait(&mut stray, 4.0);
        for (conductance, gone) in [
            (2.0, 0.2),
            (2.119, 0.4),
            (1.881, 0.6),
            (2.121, 0.0),
            (2.0, 0.2),
        ] {
            learn(&mut stray, &fit(0.1, 0.01, 4.0));
            stray.compare(&siemens(conductance, 0.02));
            near(stray.gone, gone);
            wait(&mut stray, 2.0);
        }
    }
}
