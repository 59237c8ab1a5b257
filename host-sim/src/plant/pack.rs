//! Pack voltage over time: straight pieces and jumps.

use crate::scenario::PackProfile;

/// A time at which the pack voltage jumps or changes its slope.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Knot {
    at: f64,
    before: f64,
    after: f64,
}

/// One straight piece of the pack voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Piece {
    from: f64,
    volts: f64,
    slope: f64,
}

/// The pack voltage, walked forward in time.
#[derive(Debug, Clone)]
pub(super) struct Pack {
    knots: Vec<Knot>,
    /// The knot that ends the current piece.
    next: usize,
    piece: Piece,
}

impl Pack {
    /// From a profile; `working` volts where it gives no voltage.
    pub(super) fn new(profile: &PackProfile, working: f64) -> Self {
        let start = profile.start_v.unwrap_or(working);
        let mut times: Vec<f64> = profile
            .point
            .iter()
            .map(|point| point.time_s)
            .chain(profile.step.iter().map(|step| step.time_s))
            .chain(
                profile
                    .ramp
                    .iter()
                    .flat_map(|ramp| [ramp.from_s, ramp.to_s]),
            )
            .collect();
        times.sort_by(f64::total_cmp);
        times.dedup();
        let knots = times
            .into_iter()
            .map(|at| {
                let smooth = points(profile, start, at) + ramps(profile, at);
                Knot {
                    at,
                    before: smooth + steps(profile, |time| time < at),
                    after: smooth + steps(profile, |time| time <= at),
                }
            })
            .collect();
        let mut pack = Self {
            knots,
            next: 0,
            piece: Piece {
                from: 0.0,
                volts: points(profile, start, 0.0) + ramps(profile, 0.0),
                slope: 0.0,
            },
        };
        pack.piece.slope = pack.slope_from(0.0, pack.piece.volts);
        while pack.next_change() <= 0.0 {
            pack.pass();
        }
        pack
    }

    /// The next time at which the voltage jumps or changes its slope.
    pub(super) fn next_change(&self) -> f64 {
        self.knots.get(self.next).map_or(f64::INFINITY, |k| k.at)
    }

    /// The voltage at a time within the current piece.
    pub(super) fn volts(&self, at: f64) -> f64 {
        self.piece.volts + self.piece.slope * (at - self.piece.from)
    }

    /// The voltage just before the next change.
    pub(super) fn volts_before_change(&self) -> f64 {
        self.knots
            .get(self.next)
            .map_or(self.piece.volts, |knot| knot.before)
    }

    /// Goes on to the piece behind the next change.
    pub(super) fn pass(&mut self) {
        let Some(&knot) = self.knots.get(self.next) else {
            return;
        };
        self.next += 1;
        self.piece = Piece {
            from: knot.at,
            volts: knot.after,
            slope: self.slope_from(knot.at, knot.after),
        };
    }

    fn slope_from(&self, at: f64, volts: f64) -> f64 {
        self.knots.get(self.next).map_or(0.0, |next| {
            let span = next.at - at;
            if span > 0.0 {
                (next.before - volts) / span
            } else {
                0.0
            }
        })
    }
}

/// Linear between the points, constant outside; the start voltage without points.
fn points(profile: &PackProfile, start: f64, at: f64) -> f64 {
    let behind = profile.point.partition_point(|point| point.time_s <= at);
    match (
        behind.checked_sub(1).and_then(|n| profile.point.get(n)),
        profile.point.get(behind),
    ) {
        (Some(a), Some(b)) => {
            let part = (at - a.time_s) / (b.time_s - a.time_s);
            a.voltage_v + (b.voltage_v - a.voltage_v) * part
        }
        (Some(only), None) | (None, Some(only)) => only.voltage_v,
        (None, None) => start,
    }
}

fn ramps(profile: &PackProfile, at: f64) -> f64 {
    profile
        .ramp
        .iter()
        .map(|ramp| {
            ramp.change_v * ((at - ramp.from_s) / (ramp.to_s - ramp.from_s)).clamp(0.0, 1.0)
        })
        .sum()
}

fn steps(profile: &PackProfile, counts: impl Fn(f64) -> bool) -> f64 {
    let done = profile.step.iter().filter(|step| counts(step.time_s));
    done.map(|step| step.change_v).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::{PackPoint, PackRamp, PackStep};

    fn walk_to(pack: &mut Pack, at: f64) -> f64 {
        while pack.next_change() <= at {
            pack.pass();
        }
        pack.volts(at)
    }

    #[test]
    fn a_constant_pack_is_at_its_start_or_at_the_working_voltage() {
        let mut pack = Pack::new(&PackProfile::default(), 400.0);
        assert_eq!(walk_to(&mut pack, 1e6), 400.0);
        let started = PackProfile {
            start_v: Some(390.0),
            ..PackProfile::default()
        };
        assert_eq!(walk_to(&mut Pack::new(&started, 400.0), 7.0), 390.0);
    }

    #[test]
    fn points_ramps_and_steps_add_up() {
        let point = |time_s, voltage_v| PackPoint { time_s, voltage_v };
        let profile = PackProfile {
            start_v: None,
            point: vec![point(1.0, 400.0), point(3.0, 420.0)],
            step: vec![
                PackStep {
                    time_s: 0.0,
                    change_v: 1.0,
                },
                PackStep {
                    time_s: 2.0,
                    change_v: -30.0,
                },
            ],
            ramp: vec![PackRamp {
                from_s: 2.0,
                to_s: 4.0,
                change_v: 8.0,
            }],
        };
        let mut pack = Pack::new(&profile, 0.0);
        for (at, volts) in [
            (0.0, 401.0),
            (0.5, 401.0),
            (1.5, 406.0),
            (2.0, 381.0),
            (2.5, 388.0),
            (3.0, 395.0),
            (3.5, 397.0),
            (4.0, 399.0),
            (9.0, 399.0),
        ] {
            let got = walk_to(&mut pack, at);
            assert!((got - volts).abs() < 1e-12, "{at}: {got} {volts}");
        }
    }

    #[test]
    fn the_voltage_before_a_jump_is_that_of_the_piece_that_it_ends() {
        let profile = PackProfile {
            step: vec![PackStep {
                time_s: 2.0,
                change_v: -30.0,
            }],
            ..PackProfile::default()
        };
        let mut pack = Pack::new(&profile, 400.0);
        assert_eq!(
            (pack.next_change(), pack.volts_before_change()),
            (2.0, 400.0)
        );
        pack.pass();
        assert_eq!(
            (pack.next_change(), pack.volts(2.0)),
            (f64::INFINITY, 370.0)
        );
    }
}
