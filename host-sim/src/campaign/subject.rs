//! What a campaign puts to the test. The only file that knows which estimator
//! that is.

use ohmsplit::config::Config;
use ohmsplit::{Estimate, Kind, Sample};

use crate::output::Figures;
use crate::rig::{MonitorKind, Rig};

/// An answer of the estimator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// When it came, in seconds.
    pub time_s: f64,
    /// G in siemens; none when only bounded.
    pub leak: Option<f64>,
    /// 95 % interval of R_iso in ohms; an upper end that is not known is infinite.
    pub interval_ohm: [f64; 2],
}

impl Answer {
    fn of(time_s: f64, estimate: &Estimate) -> Self {
        let isolation = Figures::of(estimate).isolation;
        let leak = estimate.conductance.value.get().to_num::<f64>() * 1e-6;
        Self {
            time_s,
            leak: (estimate.kind != Kind::Short).then_some(leak),
            interval_ohm: [isolation.low, isolation.high.unwrap_or(f64::INFINITY)],
        }
    }
}

/// The samples of a record, each with its time in seconds.
pub type Samples<'a> = dyn Iterator<Item = (f64, Sample)> + 'a;

/// An estimator: it is given the monitor's configuration and the samples of a
/// record, and tells every answer as it comes.
#[derive(Debug, Clone, Copy)]
pub struct Subject {
    /// The word in tables.
    pub name: &'static str,
    /// Runs one record.
    pub run: fn(&Config, &mut Samples<'_>, &mut dyn FnMut(Answer)),
}

/// The monitor that does not wait, fed as firmware feeds it.
pub const SWIFT: Subject = Subject {
    name: "swift",
    run: |config, samples, on_answer| {
        let mut rig = Rig::new(config, MonitorKind::Swift);
        let mut on_event = |event: &crate::rig::Event| {
            if let Ok(estimate) = &event.report.estimate {
                on_answer(Answer::of(event.time_s, estimate));
            }
        };
        for (time_s, sample) in samples {
            rig.push(time_s, &sample, &mut on_event);
        }
        rig.finish(&mut on_event);
    },
};
