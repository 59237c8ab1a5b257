//! What the records of one cell come to.

use super::subject::Answer;

/// A resistance counts as known when its 95 % interval is within this part of it.
const KNOWN: f64 = 0.05;

/// Half-widths beyond which an interval that misses the truth is far off.
const FAR: f64 = 3.0;

/// What is true of a cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Truth {
    /// G in siemens.
    pub(super) leak: f64,
    /// Limits of R_iso in ohms, the lower first.
    pub(super) limits_ohm: [f64; 2],
}

/// One record as it goes.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct RecordScore {
    last: Option<Answer>,
    known_at: Option<f64>,
    far: bool,
}

impl RecordScore {
    /// Takes the next answer.
    pub(super) fn take(&mut self, answer: Answer, truth: &Truth) {
        let [least, most] = conductances(&answer);
        let (centre, half) = if least > 0.0 {
            ((least + most) / 2.0, (most - least) / 2.0)
        } else {
            // Bounded on one side only.
            (0.0, most)
        };
        self.far |= (truth.leak - centre).abs() > FAR * half;
        let [low, high] = answer.interval_ohm;
        let clear = |limit: f64| limit < low || limit >= high;
        let known = half <= KNOWN * centre || truth.limits_ohm.into_iter().all(clear);
        if known && self.known_at.is_none() {
            self.known_at = Some(answer.time_s);
        }
        self.last = Some(answer);
    }
}

/// The interval in conductance.
fn conductances(answer: &Answer) -> [f64; 2] {
    let [low, high] = answer.interval_ohm;
    [1.0 / high, 1.0 / low.max(f64::MIN_POSITIVE)]
}

/// All records of a cell.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct CellScore {
    /// Records.
    pub(super) records: u32,
    /// Part of the records that end with an answer, a figure or a bound.
    pub(super) answered: f64,
    /// Part of the records that end with a figure of G.
    pub(super) figured: f64,
    /// Mean squared error of G at the end of a record, in S².
    pub(super) mse: Option<f64>,
    /// Mean error over standard deviation.
    pub(super) bias_over_sd: Option<f64>,
    /// Part of the last intervals that hold the truth.
    pub(super) coverage: Option<f64>,
    /// Part of the records with an interval that is far off.
    pub(super) far_off: f64,
    /// Time to answer: median and 95th percentile, in seconds; none when that
    /// part of the records comes to no answer.
    pub(super) known_s: [Option<f64>; 2],
}

impl CellScore {
    pub(super) fn of(records: &[RecordScore], truth: &Truth) -> Self {
        let errors: Vec<f64> = records
            .iter()
            .filter_map(|record| Some(record.last?.leak? - truth.leak))
            .collect();
        let holds: Vec<bool> = records
            .iter()
            .filter_map(|record| {
                let [least, most] = conductances(&record.last?);
                Some((least..=most).contains(&truth.leak))
            })
            .collect();
        let count = errors.len() as f64;
        let mean = errors.iter().sum::<f64>() / count;
        let mse = errors.iter().map(|error| error * error).sum::<f64>() / count;
        let spread = errors
            .iter()
            .map(|error| (error - mean).powi(2))
            .sum::<f64>();
        let sd = (spread / (count - 1.0)).sqrt();
        let part = |yes: usize, of: usize| yes as f64 / of as f64;
        Self {
            records: records.len() as u32,
            answered: part(holds.len(), records.len()),
            figured: part(errors.len(), records.len()),
            mse: (!errors.is_empty()).then_some(mse),
            bias_over_sd: (errors.len() > 1 && sd > 0.0).then(|| mean / sd),
            coverage: (!holds.is_empty())
                .then(|| part(holds.iter().filter(|&&held| held).count(), holds.len())),
            far_off: part(records.iter().filter(|r| r.far).count(), records.len()),
            known_s: [0.5, 0.95].map(|share| percentile(records, share)),
        }
    }
}

/// The time by which this part of the records had their answer.
fn percentile(records: &[RecordScore], share: f64) -> Option<f64> {
    let never = f64::INFINITY;
    let mut times: Vec<f64> = records
        .iter()
        .map(|r| r.known_at.unwrap_or(never))
        .collect();
    times.sort_by(f64::total_cmp);
    let place = (share * times.len() as f64).ceil() as usize;
    times
        .get(place.saturating_sub(1))
        .copied()
        .filter(|time| time.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    const TRUTH: Truth = Truth {
        leak: 1e-6,
        limits_ohm: [40e3, 200e3],
    };

    fn record(answers: &[(f64, f64, [f64; 2])]) -> RecordScore {
        let mut score = RecordScore::default();
        for &(time_s, leak, interval_ohm) in answers {
            let leak = Some(leak);
            score.take(
                Answer {
                    time_s,
                    leak,
                    interval_ohm,
                },
                &TRUTH,
            );
        }
        score
    }

    #[test]
    fn known_is_within_five_percent_or_clear_of_both_limits() {
        let at = |answers: &[(f64, f64, [f64; 2])]| record(answers).known_at;
        let wide = (1.0, 1e-6, [100e3, f64::INFINITY]);
        assert_eq!(at(&[wide]), None);
        // Above both, between both, below both.
        assert_eq!(at(&[wide, (2.0, 1e-6, [210e3, f64::INFINITY])]), Some(2.0));
        assert_eq!(at(&[(3.0, 1e-5, [50e3, 199e3])]), Some(3.0));
        assert_eq!(at(&[(3.0, 1e-4, [1e3, 39e3])]), Some(3.0));
        // Across a limit: 4 % of it either way, then 6 %.
        assert_eq!(at(&[(3.0, 5e-6, [1.0 / 5.2e-6, 1.0 / 4.8e-6])]), Some(3.0));
        assert_eq!(at(&[(3.0, 5e-6, [1.0 / 5.3e-6, 1.0 / 4.7e-6])]), None);
    }

    #[test]
    fn error_bias_and_coverage_are_those_of_the_last_answers() {
        let [off, on] = [[0.5e6, 0.9e6], [0.9e6, 1.2e6]];
        let records = [
            record(&[(1.0, 9e-6, off), (2.0, 1.1e-6, on)]),
            record(&[(4.0, 1.3e-6, off)]),
            record(&[]),
            record(&[(6.0, 1.1e-6, on)]),
        ];
        let score = CellScore::of(&records, &TRUTH);
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-9;
        assert_eq!((score.records, score.answered), (4, 0.75));
        // Errors 0.1, 0.3 and 0.1 µS: mean 1/6, variance 1/75 (by hand).
        assert!(near(score.mse.expect("errors"), 0.11e-12 / 3.0));
        let bias = score.bias_over_sd.expect("a spread");
        assert!(near(bias, (0.5 / 3.0) / (1.0f64 / 75.0).sqrt()), "{bias}");
        assert_eq!(score.coverage, Some(2.0 / 3.0));
        assert_eq!(score.known_s, [Some(4.0), None]);
    }

    #[test]
    fn an_interval_is_far_off_beyond_three_half_widths() {
        // In conductance 1.2 to 1.4 µS is 3 half-widths from 1 µS.
        let at = |by: f64| record(&[(1.0, 1e-6, [1e6 / (1.4 + by), 1e6 / (1.2 + by)])]).far;
        assert!(!at(-0.01) && at(0.01));
        // Above 4 MΩ misses 1 MΩ by 3 times what it leaves open; above 2.5 MΩ does not.
        assert!(record(&[(1.0, 0.0, [4e6, f64::INFINITY])]).far);
        assert!(!record(&[(1.0, 0.0, [2.5e6, f64::INFINITY])]).far);
    }

    #[test]
    fn a_cell_without_answers_has_no_figures() {
        let score = CellScore::of(&[RecordScore::default(); 3], &TRUTH);
        assert_eq!(
            (score.answered, score.figured, score.far_off),
            (0.0, 0.0, 0.0)
        );
        assert_eq!(
            (score.mse, score.coverage, score.known_s),
            (None, None, [None; 2])
        );
    }
}
