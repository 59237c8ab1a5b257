//! What came of a dwell.

/// A figure that there is none of: an open circuit has no position, a circuit
/// that settles at once shows no capacitance, a refused estimate has no figure.
pub const OHMSPLIT_ABSENT: i64 = i64::MIN;
/// A figure without an upper bound: the resistance of no leak, the touch
/// current of a hard short.
pub const OHMSPLIT_UNBOUNDED: i64 = i64::MAX;

/// Bytes of ohmsplit_report_t.
pub const OHMSPLIT_REPORT_SIZE: usize = 312;

/// The judgement.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_verdict_t {
    /// It cannot be judged; an ohmsplit_reason_t says why.
    OHMSPLIT_VERDICT_UNDETERMINED = 0,
    /// The lower end of the judged interval is above the warning limit.
    OHMSPLIT_VERDICT_HEALTHY = 1,
    /// It is at or below the warning limit.
    OHMSPLIT_VERDICT_WARNING = 2,
    /// It is at or below the alarm limit.
    OHMSPLIT_VERDICT_ALARM = 3,
}

/// What kind of answer an estimate is.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_kind_t {
    /// There is no estimate.
    OHMSPLIT_KIND_NONE = 0,
    /// A resistance with its uncertainty.
    OHMSPLIT_KIND_FIGURE = 1,
    /// A hard short: the resistance is only bounded above; the position is sound.
    OHMSPLIT_KIND_SHORT = 2,
    /// No leak resolvable: the resistance is only bounded below.
    OHMSPLIT_KIND_OPEN = 3,
}

/// What an estimate rests on.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_basis_t {
    /// Readings of one drive cycle, each proved to have settled.
    OHMSPLIT_BASIS_SETTLED = 1,
    /// A fit of the running record, settled or not.
    OHMSPLIT_BASIS_TRANSIENT = 2,
    /// A sudden leak, verified while the circuit moves.
    OHMSPLIT_BASIS_SUDDEN = 3,
}

/// Why there is no figure or no verdict. The numbers are stable: what was
/// stored or sent stays readable.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_reason_t {
    /// There is a figure.
    OHMSPLIT_REASON_NONE = 0,
    /// No drive cycle has completed since start-up.
    OHMSPLIT_REASON_NOT_YET_MEASURED = 1,
    /// The dwell ended before the voltage was shown to have settled.
    OHMSPLIT_REASON_NOT_SETTLED = 2,
    /// Drive changes move the voltage too little to tell.
    OHMSPLIT_REASON_STIMULUS_TOO_WEAK = 3,
    /// Fewer samples arrived in the dwell than a settling proof needs.
    OHMSPLIT_REASON_RECORD_TOO_SHORT = 4,
    /// A converter reading was at its limit.
    OHMSPLIT_REASON_SATURATED = 5,
    /// Samples were missing for a whole averaging block or longer.
    OHMSPLIT_REASON_SAMPLES_MISSING = 6,
    /// The pack voltage moved in a way that the readings do not follow.
    OHMSPLIT_REASON_PACK_VOLTAGE_MOVING = 7,
    /// The pack voltage is too low to judge a leak to either rail.
    OHMSPLIT_REASON_PACK_VOLTAGE_TOO_LOW = 8,
    /// The network description or the wiring is wrong.
    OHMSPLIT_REASON_IMPLAUSIBLE = 9,
    /// The interval of the judged figure is too wide to decide.
    OHMSPLIT_REASON_TOO_UNCERTAIN = 10,
    /// The circuit changed between the readings of the cycle: they do not
    /// describe one circuit.
    OHMSPLIT_REASON_CIRCUIT_CHANGED = 11,
    /// The self-diagnosis has found a fault: see the findings.
    OHMSPLIT_REASON_DIAGNOSED = 12,
    /// Something moves the chassis that neither circuit nor drive explains.
    OHMSPLIT_REASON_INTERFERENCE = 13,
    /// The bus is left to another monitor, on request.
    OHMSPLIT_REASON_BUS_YIELDED = 14,
}

/// What the self-diagnosis can find: the places of the bits in the findings of
/// a report. All but the stored energy withhold a healthy verdict.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_finding_t {
    /// A converter gives one and the same code.
    OHMSPLIT_FINDING_CONVERTER_STUCK = 1,
    /// A converter stays at its limit.
    OHMSPLIT_FINDING_CONVERTER_SATURATED = 2,
    /// A bit of a converter never changes.
    OHMSPLIT_FINDING_CONVERTER_BITS = 3,
    /// The chassis reads as a rail whatever is driven: a sense line, or a hard
    /// short to that rail.
    OHMSPLIT_FINDING_SENSE_LINE = 4,
    /// No drive change moves the chassis: no stimulus, or a hard short.
    OHMSPLIT_FINDING_NO_RESPONSE = 5,
    /// A drive state does the same as no drive.
    OHMSPLIT_FINDING_SWITCH_STUCK = 6,
    /// No circuit has these settled voltages: drifted parts, or a leak that
    /// depends on voltage.
    OHMSPLIT_FINDING_STATES_CONTRADICT = 7,
    /// The chassis moves against the drive, or the pack reads negative.
    OHMSPLIT_FINDING_POLARITY = 8,
    /// The chassis reads as outside of what pack and drive can do.
    OHMSPLIT_FINDING_PACK_IMPLAUSIBLE = 9,
    /// The number of samples in a block has changed.
    OHMSPLIT_FINDING_TIME_BASE = 10,
    /// The capacitance is larger than the design expects.
    OHMSPLIT_FINDING_CAPACITANCE = 11,
    /// The capacitance holds more than 0.2 J.
    OHMSPLIT_FINDING_STORED_ENERGY = 12,
    /// Another monitor, an alias of hum or ripple, or a leak that comes and goes.
    OHMSPLIT_FINDING_INTERFERENCE = 13,
    /// Noise and resolution are too high for the stimulus that arrives.
    OHMSPLIT_FINDING_STIMULUS_WEAK = 14,
}

/// A figure and its standard uncertainty (k = 1), in the unit of the field's name.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ohmsplit_measured_t {
    /// Best estimate.
    pub value: i64,
    /// Standard uncertainty.
    pub uncertainty: i64,
}

/// A resistance and its 95 % interval.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ohmsplit_resistance_t {
    /// Best estimate.
    pub value_milliohm: i64,
    /// Lower end: the figure that is judged.
    pub low_milliohm: i64,
    /// Upper end.
    pub high_milliohm: i64,
}

/// What came of one dwell, or is known before it is over. Figures are rounded to nearest; OHMSPLIT_ABSENT and
/// OHMSPLIT_UNBOUNDED are no figures.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ohmsplit_report_t {
    /// Dwells completed before this one, wrapping at 2^32.
    pub sequence: u32,
    /// Drive state of the dwell, one of ohmsplit_drive_t.
    pub drive: i32,
    /// The judgement after this dwell, one of ohmsplit_verdict_t.
    pub verdict: i32,
    /// One of ohmsplit_reason_t: why the verdict is undetermined; 0 when it is not.
    pub verdict_reason: i32,
    /// Which figure is judged, one of ohmsplit_judged_t.
    pub judged: i32,
    /// Kind of the estimate, one of ohmsplit_kind_t.
    pub kind: i32,
    /// One of ohmsplit_reason_t: why there is no settled reading, whose
    /// figures are then absent; 0 when there is one.
    pub reading_reason: i32,
    /// One of ohmsplit_reason_t: why there is no estimate, whose figures are
    /// then absent; 0 when there is one.
    pub estimate_reason: i32,
    /// What the estimate rests on, one of ohmsplit_basis_t.
    pub basis: i32,
    /// 1 when the dwell is over; 0 in a report of ohmsplit_swift_t that came before.
    pub dwell_over: i32,
    /// What the self-diagnosis finds: bit n is ohmsplit_finding_t n.
    pub findings: u32,
    /// Zero.
    pub reserved: u32,

    /// Reading: settled voltage of the chassis against N.
    pub chassis_microvolt: ohmsplit_measured_t,
    /// Reading: pack voltage that belongs to it.
    pub pack_microvolt: ohmsplit_measured_t,
    /// Reading: time constant, absent when the transient showed none.
    pub time_constant_microsecond: ohmsplit_measured_t,
    /// Reading: how far the chassis may trail behind a moving pack voltage,
    /// time constant times its slope.
    pub lag_microvolt: i64,
    /// Reading: length of the dwell.
    pub dwell_microsecond: i64,

    /// Estimate: both rails in parallel.
    pub isolation: ohmsplit_resistance_t,
    /// Estimate: Rp, from the positive rail to the chassis.
    pub positive: ohmsplit_resistance_t,
    /// Estimate: Rn, from the negative rail to the chassis.
    pub negative: ohmsplit_resistance_t,
    /// Estimate: min(Rp, Rn).
    pub weakest: ohmsplit_resistance_t,
    /// Estimate: 1/R of both rails in parallel (1e9 femtosiemens is 1 Mohm);
    /// its lower bound when the kind is short.
    pub conductance_femtosiemens: ohmsplit_measured_t,
    /// Estimate: 1/Rp.
    pub positive_femtosiemens: ohmsplit_measured_t,
    /// Estimate: 1/Rn.
    pub negative_femtosiemens: ohmsplit_measured_t,
    /// Estimate: where in the stack the leak would sit were it a single one, 0
    /// at N and 1,000,000 at P; absent when no leak is resolved.
    pub position_ppm: ohmsplit_measured_t,
    /// Estimate: prospective touch current Vb/min(Rp, Rn).
    pub touch_current_nanoampere: ohmsplit_measured_t,
    /// Estimate: capacitance of the battery to the chassis, absent when no
    /// transient showed it.
    pub capacitance_picofarad: ohmsplit_measured_t,
    /// Estimate: pack voltage of the newest reading.
    pub estimate_pack_microvolt: i64,
}

const _: () = assert!(size_of::<ohmsplit_report_t>() == OHMSPLIT_REPORT_SIZE);
