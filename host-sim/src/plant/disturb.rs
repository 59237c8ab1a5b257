//! Noise and sinusoids.

use rand::rngs::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::circuit::{Node, Phasor};

/// Samples after which a rotated phasor is set anew, so that rounding does
/// not add up over a long run.
const RESET_EVERY: u64 = 4096;

/// A sinusoid, its phasor rotated from sample to sample. Only the fraction of
/// a turn between two samples enters, so that a frequency far above the
/// sampling rate aliases exactly as point sampling makes it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tone {
    peak: f64,
    hertz: f64,
    /// Turns at 0 s.
    start: f64,
    turns_per_sample: f64,
    rotation: Phasor,
    now: Phasor,
}

impl Tone {
    pub(super) fn new(peak: f64, hertz: f64, sample_rate: f64, start: f64) -> Self {
        let turns_per_sample = (hertz / sample_rate).fract();
        Self {
            peak,
            hertz,
            start,
            turns_per_sample,
            rotation: Phasor::at_turns(turns_per_sample),
            now: Phasor::at_turns(start),
        }
    }

    pub(super) fn is_silent(&self) -> bool {
        self.peak == 0.0
    }

    /// The phasor at the current sample.
    pub(super) fn now(&self) -> Phasor {
        self.now
    }

    /// The phasor at any time.
    pub(super) fn at(&self, seconds: f64) -> Phasor {
        Phasor::at_turns((self.hertz * seconds).fract() + self.start)
    }

    /// How a circuit passes the tone on from the pack to the chassis.
    pub(super) fn response(&self, node: &Node) -> Phasor {
        node.response(self.hertz)
    }

    /// Goes on to a sample, counted from 0 at 0 s.
    pub(super) fn go_to(&mut self, sample: u64) {
        if self.is_silent() {
            return;
        }
        self.now = if sample.is_multiple_of(RESET_EVERY) {
            Phasor::at_turns((sample as f64 * self.turns_per_sample).fract() + self.start)
        } else {
            self.now.times(self.rotation)
        };
    }

    /// Volts of the tone when its phasor is `phasor`.
    pub(super) fn volts(&self, phasor: Phasor) -> f64 {
        self.peak * phasor.im
    }
}

/// White noise.
#[derive(Debug)]
pub(super) struct Noise {
    deviation: f64,
    stream: ChaCha8Rng,
}

impl Noise {
    pub(super) fn new(deviation: f64, stream: ChaCha8Rng) -> Self {
        Self { deviation, stream }
    }

    /// Another deviation from here on.
    pub(super) fn set(&mut self, deviation: f64) {
        self.deviation = deviation;
    }

    /// The next value, in volts.
    pub(super) fn next(&mut self) -> f64 {
        if self.deviation == 0.0 {
            return 0.0;
        }
        let standard: f64 = StandardNormal.sample(&mut self.stream);
        self.deviation * standard
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::random::{Concern, stream};

    #[test]
    fn a_rotated_tone_is_the_point_sampled_sine_far_above_the_sampling_rate() {
        let (rate, hertz, start) = (1000.0, 8013.0, 0.3);
        let mut tone = Tone::new(2.0, hertz, rate, start);
        for sample in 1..=20_000u32 {
            tone.go_to(u64::from(sample));
            // Turns since 0 s are a whole number of millionths.
            let turns = f64::from(sample * 8013 % 1000) / 1000.0 + start;
            let exact = 2.0 * (turns * std::f64::consts::TAU).sin();
            let got = tone.volts(tone.now());
            assert!((got - exact).abs() < 1e-9, "{sample}: {got} {exact}");
            let at = tone.volts(tone.at(f64::from(sample) / rate));
            assert!((at - exact).abs() < 1e-8, "{sample}: {at} {exact}");
        }
    }

    #[test]
    fn noise_has_the_stated_deviation_no_mean_and_normal_tails() {
        let mut noise = Noise::new(0.5, stream(7, Concern::FirstChannelNoise));
        let n = 400_000;
        let (mut sum, mut squares, mut beyond) = (0.0, 0.0, 0);
        for _ in 0..n {
            let value = noise.next();
            sum += value;
            squares += value * value;
            beyond += u32::from(value.abs() > 1.0);
        }
        let n = f64::from(n);
        // Five standard errors each; 4.550 % of a normal law lie beyond two sigma.
        assert!((sum / n).abs() < 5.0 * 0.5 / n.sqrt());
        assert!((squares / n - 0.25).abs() < 5.0 * 0.25 * (2.0 / n).sqrt());
        let share = f64::from(beyond) / n;
        assert!(
            (share - 0.0455).abs() < 5.0 * (0.0455 / n).sqrt(),
            "{share}"
        );
    }
}
