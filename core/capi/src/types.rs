//! What C sees: plain integers with the unit in the name.

/// Number of this interface: it changes whenever a type or a function of this
/// header does. The library refuses settings of another number.
pub const OHMSPLIT_INTERFACE: u32 = 2;

/// Most parts in ohmsplit_settings_t.
pub const OHMSPLIT_PARTS_MAX: usize = 6;
/// Most drive states in one cycle.
pub const OHMSPLIT_CYCLE_MAX: usize = 4;

/// A figure that there is none of: an open circuit has no position, a circuit
/// that settles at once shows no capacitance, a refused estimate has no figure.
pub const OHMSPLIT_ABSENT: i64 = i64::MIN;
/// A figure without an upper bound: the resistance of no leak, the touch
/// current of a hard short.
pub const OHMSPLIT_UNBOUNDED: i64 = i64::MAX;

/// Alignment of the types that hold a handle.
pub const OHMSPLIT_ALIGNMENT: usize = 16;
/// Bytes of ohmsplit_config_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_CONFIG_SIZE: usize = 816;
/// Bytes of ohmsplit_sampler_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_SAMPLER_SIZE: usize = 112;
/// Bytes of ohmsplit_block_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_BLOCK_SIZE: usize = 80;
/// Bytes of ohmsplit_monitor_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_MONITOR_SIZE: usize = 1200;
/// Bytes of ohmsplit_swift_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_SWIFT_SIZE: usize = 8944;
/// Bytes of ohmsplit_config_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_CONFIG_SIZE: usize = 1024;
/// Bytes of ohmsplit_sampler_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_SAMPLER_SIZE: usize = 256;
/// Bytes of ohmsplit_block_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_BLOCK_SIZE: usize = 128;
/// Bytes of ohmsplit_monitor_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_MONITOR_SIZE: usize = 8192;
/// Bytes of ohmsplit_swift_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_SWIFT_SIZE: usize = 16384;
/// Bytes of ohmsplit_sample_t.
pub const OHMSPLIT_SAMPLE_SIZE: usize = 16;
/// Bytes of ohmsplit_settings_t.
pub const OHMSPLIT_SETTINGS_SIZE: usize = 464;
/// Bytes of ohmsplit_report_t.
pub const OHMSPLIT_REPORT_SIZE: usize = 304;

/// What a call came to: zero and more when it did its work, less than zero
/// when it was misused. A call that was misused has changed nothing, but for
/// OHMSPLIT_ERROR_BLOCK_LOST.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_status_t {
    /// Done; nothing to fetch.
    OHMSPLIT_OK = 0,
    /// The block given was filled: hand it to the monitor.
    OHMSPLIT_BLOCK_READY = 1,
    /// More work is waiting: call step again.
    OHMSPLIT_BUSY = 2,
    /// The report given was filled.
    OHMSPLIT_REPORT_READY = 3,

    /// A pointer is null.
    OHMSPLIT_ERROR_NULL = -1,
    /// A pointer is not aligned for its type.
    OHMSPLIT_ERROR_MISALIGNED = -2,
    /// The memory is smaller than the handle: header and library differ.
    OHMSPLIT_ERROR_SIZE = -3,
    /// The memory holds no such handle or block: its init call is missing or
    /// failed, or it was given for another kind.
    OHMSPLIT_ERROR_NOT_INITIALISED = -4,
    /// The handle is in a call already: one that this call has interrupted, or
    /// one on another core.
    OHMSPLIT_ERROR_IN_USE = -5,
    /// Not OHMSPLIT_INTERFACE: header and library differ.
    OHMSPLIT_ERROR_INTERFACE = -6,
    /// Not one of ohmsplit_drive_t.
    OHMSPLIT_ERROR_DRIVE = -7,
    /// The block does not follow the one before: one was lost, doubled,
    /// swapped or came from another sampler. The monitor has started anew, as
    /// after its init call: figures over a gap could be wrong.
    OHMSPLIT_ERROR_BLOCK_LOST = -8,
    /// The sampler or monitor was finished: make it anew.
    OHMSPLIT_ERROR_FINISHED = -9,

    /// `front_end` is not one of ohmsplit_front_end_t.
    OHMSPLIT_ERROR_FRONT_END = -20,
    /// `kind` of a part is not one of ohmsplit_part_kind_t.
    OHMSPLIT_ERROR_PART_KIND = -21,
    /// `judged` is not one of ohmsplit_judged_t.
    OHMSPLIT_ERROR_JUDGED = -22,
    /// A figure of the settings is outside the range stated at its field.
    OHMSPLIT_ERROR_OUT_OF_RANGE = -23,
    /// More than OHMSPLIT_CYCLE_MAX drive states.
    OHMSPLIT_ERROR_CYCLE_TOO_LONG = -24,
    /// More than OHMSPLIT_PARTS_MAX parts, dividers that load the chassis included.
    OHMSPLIT_ERROR_TOO_MANY_PARTS = -25,
    /// A resistance is not positive.
    OHMSPLIT_ERROR_RESISTANCE_NOT_POSITIVE = -26,
    /// A converter has fewer than 1 or more than 32 bits, or no span.
    OHMSPLIT_ERROR_CHANNEL_WITHOUT_RANGE = -27,
    /// A channel's limits leave no valid code.
    OHMSPLIT_ERROR_CHANNEL_LIMITS_CROSSED = -28,
    /// The averaging block is shorter than 100 us or longer than 10 s.
    OHMSPLIT_ERROR_BLOCK_OUT_OF_RANGE = -29,
    /// The shortest dwell is shorter than eight blocks, or the longest is
    /// shorter than the shortest.
    OHMSPLIT_ERROR_DWELL_OUT_OF_RANGE = -30,
    /// The cycle has fewer than two drive states, or all its states push alike.
    OHMSPLIT_ERROR_CYCLE_WITHOUT_STIMULUS = -31,
    /// The largest capacitance expected is not positive.
    OHMSPLIT_ERROR_CAPACITANCE_NOT_POSITIVE = -32,
    /// The working voltage is not positive.
    OHMSPLIT_ERROR_WORKING_VOLTAGE_NOT_POSITIVE = -33,
    /// The alarm limit is zero, or above the warning limit.
    OHMSPLIT_ERROR_LIMITS_CROSSED = -34,
    /// An uncertainty is negative.
    OHMSPLIT_ERROR_NEGATIVE_UNCERTAINTY = -35,
}

/// Drive state: the perturbation of the chassis-to-battery voltage.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_drive_t {
    /// Nothing pushed: sources and switches open; a logic source is at its low level.
    OHMSPLIT_DRIVE_REST = 0,
    /// Pushes the chassis up, towards the positive rail.
    OHMSPLIT_DRIVE_RAISE = 1,
    /// Pushes the chassis down, towards the negative rail.
    OHMSPLIT_DRIVE_LOWER = 2,
}

/// Which voltages the two channels measure. P and N are the rails, E the chassis.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_front_end_t {
    /// First E to N; its divider loads the chassis towards N. Second P to N.
    OHMSPLIT_FRONT_END_CHASSIS_AND_PACK = 1,
    /// First P to E, second E to N; their dividers load the chassis.
    OHMSPLIT_FRONT_END_RAIL_PAIR = 2,
}

/// A part that the monitor hangs on the chassis.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_part_kind_t {
    /// A source of +U (raise) or -U (lower), U = `high_microvolt`, through the
    /// resistance to N; open at rest.
    OHMSPLIT_PART_SOURCE_TO_NEGATIVE = 1,
    /// The same source through the resistance to each rail.
    OHMSPLIT_PART_SOURCE_TO_BOTH_RAILS = 2,
    /// The resistance switched from P to E in raise.
    OHMSPLIT_PART_SWITCHED_TO_POSITIVE = 3,
    /// The resistance switched from N to E in lower.
    OHMSPLIT_PART_SWITCHED_TO_NEGATIVE = 4,
    /// A logic output through the resistance to N: `high_microvolt` in raise,
    /// `low_microvolt` otherwise.
    OHMSPLIT_PART_LOGIC_SOURCE = 5,
    /// A bleed that stays connected from P to E.
    OHMSPLIT_PART_PERMANENT_TO_POSITIVE = 6,
    /// A bleed or divider that stays connected from N to E.
    OHMSPLIT_PART_PERMANENT_TO_NEGATIVE = 7,
}

/// Which figure is held against the limits. They can disagree: for a symmetric
/// leak the parallel figure is half the weaker rail.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_judged_t {
    /// min(Rp, Rn): what the in-situ test of UN R100 and 49 CFR 571.305 yields.
    OHMSPLIT_JUDGED_WEAKEST_RAIL = 1,
    /// Rp and Rn in parallel: the total to earth of IEC 61557-8.
    OHMSPLIT_JUDGED_BOTH_IN_PARALLEL = 2,
}

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
}

/// One measuring channel:
/// volts at the terminals = (code - zero_code) * span / 2^bits + offset.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ohmsplit_channel_t {
    /// Resolution of the converter, 1 to 32.
    pub bits: u32,
    /// Code at zero volts.
    pub zero_code: i32,
    /// Codes at or below are saturated.
    pub lowest_code: i32,
    /// Codes at or above are saturated.
    pub highest_code: i32,
    /// Volts that 2^bits codes span at the pin of the converter, calibration
    /// included; multiplied by (top + bottom)/bottom of the divider, if any.
    /// More than 0, with the divider at most 2147 MV.
    pub span_microvolt: i64,
    /// Volts at the terminals at zero_code (calibration), within +-2147 MV.
    pub offset_microvolt: i64,
    /// Divider from the measured terminal to the pin; zero with divider_bottom
    /// when there is none. At most 1e14 ohm.
    pub divider_top_milliohm: i64,
    /// Divider from the pin to the reference terminal. At most 1e14 ohm.
    pub divider_bottom_milliohm: i64,
    /// Standard uncertainty of the offset at the terminals; a limit of error
    /// divided by the root of three. At most 2147 MV.
    pub offset_uncertainty_microvolt: i64,
    /// Relative standard uncertainty of the gain.
    pub gain_uncertainty_ppm: u32,
    /// Zero.
    pub reserved: u32,
}

/// One part on the chassis.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ohmsplit_part_t {
    /// One of ohmsplit_part_kind_t.
    pub kind: i32,
    /// Relative standard uncertainty of the resistance.
    pub resistance_uncertainty_ppm: u32,
    /// Resistance, more than 0, at most 1e14 ohm.
    pub resistance_milliohm: i64,
    /// U of a source, or the high level of a logic source, within +-2147 MV;
    /// not looked at in other kinds.
    pub high_microvolt: i64,
    /// Low level of a logic source; not looked at in other kinds.
    pub low_microvolt: i64,
    /// Relative standard uncertainty of the source voltage.
    pub emf_uncertainty_ppm: u32,
    /// Zero.
    pub reserved: u32,
}

/// What the designer declares.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ohmsplit_settings_t {
    /// OHMSPLIT_INTERFACE.
    pub interface: u32,
    /// One of ohmsplit_front_end_t.
    pub front_end: i32,
    /// The channels in the order of ohmsplit_front_end_t.
    pub channels: [ohmsplit_channel_t; 2],
    /// The parts on the chassis but for the dividers of the channels, which
    /// are added: their loading is never ignored.
    pub parts: [ohmsplit_part_t; OHMSPLIT_PARTS_MAX],
    /// How many parts are given.
    pub part_count: u32,
    /// Averaging block, 100 to 10,000,000; a whole number of mains periods
    /// makes hum vanish. Default 20,000.
    pub block_microsecond: u32,
    /// Shortest dwell in a drive state, at least eight blocks. Default 500,000.
    pub dwell_min_microsecond: u32,
    /// Longest dwell before settling is given up. Default 60,000,000.
    pub dwell_max_microsecond: u32,
    /// Largest capacitance of the battery to the chassis that the design
    /// expects, more than 0, at most 2147 F. Default 50,000,000 (50 uF).
    pub capacitance_max_picofarad: i64,
    /// How far a reading lags behind the circuit at its time stamp: the time
    /// constant of an input filter, plus half of the time that the converter
    /// averages over, plus by how much the drive changes later than right after
    /// a sample. OHMSPLIT_ABSENT when it is not known: anything from zero to a
    /// sampling period, which costs ohmsplit_swift_t accuracy in slow circuits.
    /// Default 0.
    pub reading_lag_nanosecond: i64,
    /// Its standard uncertainty, 0 or more. Default 1000.
    pub reading_lag_uncertainty_nanosecond: i64,
    /// The drive states of a cycle in their order, of ohmsplit_drive_t.
    /// Default raise, lower.
    pub cycle: [i32; OHMSPLIT_CYCLE_MAX],
    /// How many drive states are given, 2 to OHMSPLIT_CYCLE_MAX. Default 2.
    pub cycle_count: u32,
    /// One of ohmsplit_judged_t. No default: the designer's choice.
    pub judged: i32,
    /// Working voltage that ohms per volt refer to, more than 0, at most 2147 MV.
    pub working_voltage_microvolt: i64,
    /// Alarm at or below. Default 100, the DC limit of UN R100.
    pub alarm_ohm_per_volt: u32,
    /// Warning at or below. Default 500, the AC limit of UN R100.
    pub warning_ohm_per_volt: u32,
    /// A limit, once passed downwards, counts as higher by this part on the
    /// way up. Default 100,000.
    pub hysteresis_ppm: u32,
    /// Consecutive estimates that must agree before the verdict changes, 1 to
    /// 255. Default 2.
    pub confirmations: u32,
}

/// One pair of converter readings, taken together.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ohmsplit_sample_t {
    /// Time of a free-running counter that wraps at 2^32.
    pub at_microsecond: u32,
    /// One of ohmsplit_drive_t: the state in force since the sample before.
    pub drive: i32,
    /// Codes in the order of the channels.
    pub codes: [i32; 2],
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
    /// Drive state of the dwell.
    pub drive: ohmsplit_drive_t,
    /// The judgement after this dwell.
    pub verdict: ohmsplit_verdict_t,
    /// One of ohmsplit_reason_t: why the verdict is undetermined; 0 when it is not.
    pub verdict_reason: i32,
    /// Which figure is judged.
    pub judged: ohmsplit_judged_t,
    /// Kind of the estimate.
    pub kind: ohmsplit_kind_t,
    /// One of ohmsplit_reason_t: why there is no settled reading, whose
    /// figures are then absent; 0 when there is one.
    pub reading_reason: i32,
    /// One of ohmsplit_reason_t: why there is no estimate, whose figures are
    /// then absent; 0 when there is one.
    pub estimate_reason: i32,
    /// What the estimate rests on.
    pub basis: ohmsplit_basis_t,
    /// 1 when the dwell is over; 0 in a report of ohmsplit_swift_t that came before.
    pub dwell_over: i32,

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

/// A checked configuration. Written by ohmsplit_config_init, then only read.
#[repr(C, align(16))]
pub struct ohmsplit_config_t {
    opaque: [u8; OHMSPLIT_CONFIG_SIZE],
}

/// The interrupt's handle.
#[repr(C, align(16))]
pub struct ohmsplit_sampler_t {
    opaque: [u8; OHMSPLIT_SAMPLER_SIZE],
}

/// The background task's handle: waits for settled readings.
#[repr(C, align(16))]
pub struct ohmsplit_monitor_t {
    opaque: [u8; OHMSPLIT_MONITOR_SIZE],
}

/// The background task's handle: reports before the circuit has settled.
#[repr(C, align(16))]
pub struct ohmsplit_swift_t {
    opaque: [u8; OHMSPLIT_SWIFT_SIZE],
}

/// A block of summed samples on its way from the interrupt to the background
/// task. It may be copied.
#[repr(C, align(16))]
pub struct ohmsplit_block_t {
    opaque: [u8; OHMSPLIT_BLOCK_SIZE],
}

const _: () = {
    assert!(size_of::<ohmsplit_sample_t>() == OHMSPLIT_SAMPLE_SIZE);
    assert!(size_of::<ohmsplit_settings_t>() == OHMSPLIT_SETTINGS_SIZE);
    assert!(size_of::<ohmsplit_report_t>() == OHMSPLIT_REPORT_SIZE);
};
