//! The text that `ctest/replay.c` reads and writes, made from the network
//! document and from the core's reports. The codes are written out a second
//! time here, and so is the conversion to whole units.

use std::fmt::Write;

use ohmsplit::config::{Drive, Judged};
use ohmsplit::units::{
    Measured, Microamps, Microfarads, Microsiemens, Ohms, Ratio, Seconds, Volts,
};
use ohmsplit::{Basis, Estimate, Interval, Kind, Reading, Reason, Report, Sample, Verdict};
use ohmsplit_host::network::{ChannelPart, DriveKind, FrontEndKind, NetworkFile, Rail};

pub(crate) const ABSENT: i64 = i64::MIN;
pub(crate) const UNBOUNDED: i64 = i64::MAX;

fn micro(value: f64) -> i64 {
    (value * 1e6).round() as i64
}

fn milli(value: f64) -> i64 {
    (value * 1e3).round() as i64
}

fn put(text: &mut String, numbers: &[i64]) {
    let words: Vec<String> = numbers.iter().map(ToString::to_string).collect();
    writeln!(text, "{}", words.join(" ")).expect("a string takes all");
}

/// The settings; timing but for the lag of the readings, limits and tolerances are
/// left to their defaults.
pub(crate) fn settings(network: &NetworkFile) -> String {
    let front_end = &network.front_end;
    let (kind, names) = match front_end.kind {
        FrontEndKind::ChassisAndPack => (1, ["chassis", "pack"]),
        FrontEndKind::RailPair => (2, ["positive", "negative"]),
    };
    let mut text = String::new();
    put(&mut text, &[kind]);
    for (channel, name) in front_end.channels().iter().zip(names) {
        put_channel(&mut text, channel, name);
    }
    let mut parts = drive_parts(network);
    if let Some(part) = &network.drive.check_resistor {
        let kind = match part.to {
            Rail::Positive => 8,
            Rail::Negative => 9,
        };
        parts.push([kind, milli(part.resistance_ohm), 0, 0, 0, 0]);
    }
    for part in &network.permanent {
        let kind = match part.to {
            Rail::Positive => 6,
            Rail::Negative => 7,
        };
        parts.push([kind, milli(part.resistance_ohm), 0, 0, 0, 0]);
    }
    put(&mut text, &[parts.len() as i64]);
    for part in parts {
        put(&mut text, &part);
    }
    put(&mut text, &[micro(network.pack.working_voltage_v), 1]);
    assert_eq!(
        network.timing.reading_lag_us, None,
        "a capture says nothing of its lag"
    );
    put(&mut text, &[ABSENT]);
    text
}

fn put_channel(text: &mut String, channel: &ChannelPart, name: &str) {
    let converter = channel.converter(name).expect("a converter");
    let codes = converter.codes();
    let (top, bottom) = channel.divider_ohm().unwrap_or((0.0, 0.0));
    assert_eq!(
        (channel.gain_tolerance_percent, channel.offset_tolerance_v),
        (0.0, 0.0),
        "a tolerance is not a whole number of parts per million"
    );
    let numbers = [
        i64::from(converter.bits),
        i64::from(converter.zero_code),
        channel.lowest_valid_code.map_or(*codes.start(), i64::from),
        channel.highest_valid_code.map_or(*codes.end(), i64::from),
        micro(converter.full_scale_v * channel.calibration_gain),
        micro(channel.calibration_offset_v),
        milli(top),
        milli(bottom),
        0,
        0,
    ];
    put(text, &numbers);
}

fn drive_parts(network: &NetworkFile) -> Vec<[i64; 6]> {
    let drive = &network.drive;
    let volts = |v: Option<f64>| micro(v.expect("a voltage of the drive"));
    let ohms = |r: Option<f64>| milli(r.expect("a resistance of the drive"));
    let source = |kind| {
        let series = ohms(drive.series_resistance_ohm);
        vec![[kind, series, volts(drive.amplitude_v), 0, 0, 0]]
    };
    match drive.kind {
        DriveKind::SourceToNegative => source(1),
        DriveKind::SourceToBothRails => source(2),
        DriveKind::SwitchedResistors => vec![
            [3, ohms(drive.positive_resistance_ohm), 0, 0, 0, 0],
            [4, ohms(drive.negative_resistance_ohm), 0, 0, 0, 0],
        ],
        DriveKind::LogicSource => {
            let series = ohms(drive.series_resistance_ohm);
            let levels = [volts(drive.high_v), volts(drive.low_v)];
            vec![[5, series, levels[0], levels[1], 0, 0]]
        }
    }
}

pub(crate) fn put_sample(text: &mut String, sample: &Sample) {
    let [first, second] = sample.codes.map(i64::from);
    put(
        text,
        &[
            i64::from(sample.at_us),
            drive_code(sample.drive),
            first,
            second,
        ],
    );
}

/// Fields of a report, one a line.
pub(crate) struct Fields<'t>(pub(crate) &'t mut String);

impl Fields<'_> {
    pub(crate) fn put(&mut self, name: &str, value: i64) {
        writeln!(self.0, "{name} {value}").expect("a string takes all");
    }

    pub(crate) fn measured<T>(
        &mut self,
        name: &str,
        from: Option<Measured<T>>,
        unit: impl Fn(T) -> i64,
    ) {
        let (value, u) = from.map_or((ABSENT, ABSENT), |from| (unit(from.value), unit(from.u)));
        self.put(name, value);
        self.put("  uncertainty", u);
    }

    pub(crate) fn resistance(&mut self, name: &str, from: Option<(Ohms, Interval<Ohms>)>) {
        let milliohms = |r: Ohms| parts(r.to_bits(), 16, 1000);
        let [value, low, high] = from.map_or([ABSENT; 3], |(value, interval)| {
            [value, interval.low, interval.high].map(milliohms)
        });
        self.put(name, value);
        self.put("  low", low);
        self.put("  high", high);
    }

    fn reading(&mut self, from: Option<Reading>) {
        let microvolts = |v: Volts| parts(v.to_bits(), 32, 1_000_000);
        let microseconds = |t: Seconds| parts(t.to_bits(), 32, 1_000_000);
        self.measured("chassis_microvolt", from.map(|r| r.chassis), microvolts);
        self.measured("pack_microvolt", from.map(|r| r.pack), microvolts);
        let time_constant = from.and_then(|r| r.time_constant);
        self.measured("time_constant_microsecond", time_constant, microseconds);
        self.put("lag_microvolt", from.map_or(ABSENT, |r| microvolts(r.lag)));
        let dwell = from.map_or(ABSENT, |r| i64::from(r.dwell_us));
        self.put("dwell_microsecond", dwell);
    }

    fn estimate(&mut self, from: Option<Estimate>) {
        let femtosiemens = |g: Microsiemens| parts(g.to_bits(), 32, 1_000_000_000);
        self.resistance(
            "isolation",
            from.map(|e| (e.isolation, e.isolation_interval)),
        );
        self.resistance("positive", from.map(|e| (e.positive, e.positive_interval)));
        self.resistance("negative", from.map(|e| (e.negative, e.negative_interval)));
        self.resistance("weakest", from.map(|e| (e.weakest, e.weakest_interval)));
        for (name, conductance) in [
            ("conductance_femtosiemens", from.map(|e| e.conductance)),
            (
                "positive_femtosiemens",
                from.map(|e| e.positive_conductance),
            ),
            (
                "negative_femtosiemens",
                from.map(|e| e.negative_conductance),
            ),
        ] {
            self.measured(name, conductance, femtosiemens);
        }
        self.measured("position_ppm", from.and_then(|e| e.position), |x: Ratio| {
            parts(x.to_bits(), 32, 1_000_000)
        });
        self.measured(
            "touch_current_nanoampere",
            from.map(|e| e.touch_current),
            |i: Microamps| parts(i.to_bits(), 32, 1000),
        );
        self.measured(
            "capacitance_picofarad",
            from.and_then(|e| e.capacitance),
            |c: Microfarads| parts(c.to_bits(), 32, 1_000_000),
        );
        self.put(
            "estimate_pack_microvolt",
            from.map_or(ABSENT, |e| parts(e.pack.to_bits(), 32, 1_000_000)),
        );
    }
}

pub(crate) fn put_report(text: &mut String, report: &Report) {
    if let Ok(reading) = report.reading {
        assert_eq!(reading.drive, report.drive, "C has one drive for both");
    }
    let mut fields = Fields(text);
    fields.put("sequence", i64::from(report.sequence));
    fields.put("drive", drive_code(report.drive));
    let [verdict, verdict_reason] = verdict_codes(report.verdict);
    fields.put("verdict", verdict);
    fields.put("verdict_reason", verdict_reason);
    let judged = match report.judged {
        Judged::WeakestRail => 1,
        Judged::BothInParallel => 2,
    };
    fields.put("judged", judged);
    let kind = match report.estimate.map(|e| e.kind) {
        Err(_) => 0,
        Ok(Kind::Figure) => 1,
        Ok(Kind::Short) => 2,
        Ok(Kind::Open) => 3,
    };
    fields.put("kind", kind);
    fields.put("reading_reason", reason_code(report.reading.err()));
    fields.put("estimate_reason", reason_code(report.estimate.err()));
    let basis = match report.basis {
        Basis::Settled => 1,
        Basis::Transient => 2,
        Basis::Sudden => 3,
    };
    fields.put("basis", basis);
    fields.put("dwell_over", i64::from(report.dwell_over));
    fields.put("findings", i64::from(report.findings.bits()));
    fields.reading(report.reading.ok());
    fields.estimate(report.estimate.ok());
}

/// What the program says after the last report.
pub(crate) fn put_end(text: &mut String, wanted: Drive, verdict: Verdict) {
    let mut fields = Fields(text);
    fields.put("wanted_drive", drive_code(wanted));
    let [verdict, reason] = verdict_codes(verdict);
    fields.put("last_verdict", verdict);
    fields.put("last_reason", reason);
}

const fn drive_code(drive: Drive) -> i64 {
    match drive {
        Drive::Rest => 0,
        Drive::Raise => 1,
        Drive::Lower => 2,
        Drive::Check => 3,
    }
}

pub(crate) fn verdict_codes(verdict: Verdict) -> [i64; 2] {
    match verdict {
        Verdict::Undetermined(reason) => [0, reason_code(Some(reason))],
        Verdict::Healthy => [1, 0],
        Verdict::Warning => [2, 0],
        Verdict::Alarm => [3, 0],
    }
}

pub(crate) fn reason_code(reason: Option<Reason>) -> i64 {
    reason.map_or(0, |reason| i64::from(reason.code()))
}

/// A fixed-point number in whole parts of its unit: ⌊bits·scale/2^fraction + ½⌋.
pub(crate) fn parts(bits: i64, fraction: u32, scale: i64) -> i64 {
    if bits == i64::MAX {
        return UNBOUNDED;
    }
    let half = 1i128 << (fraction - 1);
    let rounded = (i128::from(bits) * i128::from(scale) + half).div_euclid(1 << fraction);
    i64::try_from(rounded).expect("the unit is chosen to fit")
}
