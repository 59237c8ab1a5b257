//! The waveform, thinned as it comes so that any length of run fits a picture.

use ohmsplit::config::{Channel, Config, FrontEnd};

/// Most bins kept, several for each dot of a picture, so that it can be
/// zoomed; two are merged into one when there are more.
const BINS: usize = 6000;

/// A stretch of the waveform.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bin {
    /// Time of its first and last sample, in seconds.
    pub time_s: [f64; 2],
    /// Lowest and highest v, in volts.
    pub chassis_v: [f64; 2],
    /// Lowest and highest Vb, in volts.
    pub pack_v: [f64; 2],
}

impl Bin {
    /// The middle of its stretch of time, in seconds.
    #[must_use]
    pub const fn middle_s(&self) -> f64 {
        f64::midpoint(self.time_s[0], self.time_s[1])
    }

    fn merge(&mut self, other: &Self) {
        let wider = |a: [f64; 2], b: [f64; 2]| [a[0].min(b[0]), a[1].max(b[1])];
        self.time_s = wider(self.time_s, other.time_s);
        self.chassis_v = wider(self.chassis_v, other.chassis_v);
        self.pack_v = wider(self.pack_v, other.pack_v);
    }
}

/// Codes to volts, for drawing only.
#[derive(Debug, Clone, Copy)]
struct Scale {
    volts: f64,
    zero: f64,
    offset: f64,
}

impl Scale {
    fn of(channel: &Channel) -> Self {
        Self {
            volts: channel.span.get().to_num::<f64>() / 2f64.powi(i32::from(channel.bits)),
            zero: f64::from(channel.zero_code),
            offset: channel.offset.get().to_num::<f64>(),
        }
    }

    fn volts(&self, code: i32) -> f64 {
        (f64::from(code) - self.zero) * self.volts + self.offset
    }
}

/// The waveform of a run.
#[derive(Debug, Clone)]
pub struct Trace {
    scales: [Scale; 2],
    rail_pair: bool,
    bins: Vec<Bin>,
    /// Samples a bin.
    size: u64,
    /// Samples in the last bin.
    filled: u64,
}

impl Trace {
    /// A trace of codes that this configuration describes.
    #[must_use]
    pub fn new(config: &Config) -> Self {
        Self {
            scales: config.front_end().channels().map(Scale::of),
            rail_pair: matches!(config.front_end(), FrontEnd::RailPair { .. }),
            bins: Vec::with_capacity(BINS),
            size: 1,
            filled: 1,
        }
    }

    /// Takes a sample.
    pub fn push(&mut self, time_s: f64, codes: [i32; 2]) {
        let [first, second] = [0, 1].map(|place| self.scales[place].volts(codes[place]));
        let (chassis, pack) = if self.rail_pair {
            (second, first + second)
        } else {
            (first, second)
        };
        let sample = Bin {
            time_s: [time_s; 2],
            chassis_v: [chassis; 2],
            pack_v: [pack; 2],
        };
        match self.bins.last_mut() {
            Some(bin) if self.filled < self.size => {
                bin.merge(&sample);
                self.filled += 1;
            }
            _ => {
                if self.bins.len() == BINS {
                    self.halve();
                }
                self.bins.push(sample);
                self.filled = 1;
            }
        }
    }

    fn halve(&mut self) {
        let half = BINS / 2;
        for place in 0..half {
            let mut bin = self.bins[2 * place];
            bin.merge(&self.bins[2 * place + 1]);
            self.bins[place] = bin;
        }
        self.bins.truncate(half);
        self.size *= 2;
    }

    /// Samples in a bin.
    #[must_use]
    pub const fn samples_per_bin(&self) -> u64 {
        self.size
    }

    /// The bins in order of time, in stretches without a gap. A bin that a gap
    /// runs through belongs to none.
    pub fn stretches(&self) -> impl Iterator<Item = &[Bin]> {
        let mut steps: Vec<f64> = self
            .bins
            .windows(2)
            .map(|pair| pair[1].middle_s() - pair[0].middle_s())
            .collect();
        steps.sort_by(f64::total_cmp);
        let usual = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
        let [start, end] = self.span_s();
        // Longer than usual, and long enough to be seen.
        let gap = (4.0 * usual).max((end - start) / 200.0);
        self.bins
            .chunk_by(move |a, b| b.middle_s() - a.middle_s() <= gap)
            .filter(|stretch| stretch.len() > 1)
    }

    /// Start and end, in seconds.
    #[must_use]
    pub fn span_s(&self) -> [f64; 2] {
        match (self.bins.first(), self.bins.last()) {
            (Some(first), Some(last)) => [first.time_s[0], last.time_s[1]],
            _ => [0.0, 1.0],
        }
    }

    /// Lowest and highest voltage of v and Vb.
    #[must_use]
    pub fn range_v(&self) -> [f64; 2] {
        self.bins.iter().fold([0.0, 1.0], |[low, high], bin| {
            [
                bin.chassis_v[0].min(bin.pack_v[0]).min(low),
                bin.chassis_v[1].max(bin.pack_v[1]).max(high),
            ]
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_run_keeps_its_extremes_and_its_gaps() {
        let config = crate::test_car::config();
        let mut trace = Trace::new(&config);
        for n in 0..100_000 {
            let spike = if n == 77_777 { 300_000_000 } else { 0 };
            let gap = if n < 50_000 { 0.0 } else { 10.0 };
            trace.push(
                f64::from(n) * 1e-3 + gap,
                [100_000_000 + spike, 400_000_000],
            );
        }
        assert!(trace.bins.len() <= BINS && trace.bins.len() > BINS / 2);
        let highest = trace
            .bins
            .iter()
            .map(|bin| bin.chassis_v[1])
            .fold(0.0, f64::max);
        assert!((highest - 400.0).abs() < 1e-6, "{highest}");
        assert_eq!(trace.stretches().count(), 2);
        assert_eq!(trace.span_s(), [0.0, 109.999]);
    }
}
