//! What the designer declares, and a sample.

/// Most parts in ohmsplit_settings_t.
pub const OHMSPLIT_PARTS_MAX: usize = 6;
/// Most drive states in one cycle.
pub const OHMSPLIT_CYCLE_MAX: usize = 4;
/// The measuring circuit is not checked with a third drive state.
pub const OHMSPLIT_CHECK_NEVER: u32 = 0;
/// It is checked after the first answer, and again only while something is found.
pub const OHMSPLIT_CHECK_AT_START: u32 = 0xffff_ffff;

/// Bytes of ohmsplit_sample_t.
pub const OHMSPLIT_SAMPLE_SIZE: usize = 16;
/// Bytes of ohmsplit_settings_t.
pub const OHMSPLIT_SETTINGS_SIZE: usize = 480;

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
    /// As at rest, and the check resistor connected; asked for only where the
    /// settings have one.
    OHMSPLIT_DRIVE_CHECK = 3,
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
    /// The check resistor, switched from P to E in the drive state CHECK alone.
    OHMSPLIT_PART_CHECK_TO_POSITIVE = 8,
    /// The same from N to E.
    OHMSPLIT_PART_CHECK_TO_NEGATIVE = 9,
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
    /// Largest share of the capacitance that the insulation takes up slowly
    /// (dielectric absorption); 0 is an ideal dielectric. Default 0.
    pub absorption_ppm: u32,
    /// How much later the second channel is read than the first, less than a
    /// block; negative when it is read before. It is interpolated to the time
    /// of the first. Default 0.
    pub sampling_skew_nanosecond: i32,
    /// The drive states of a cycle in their order, of ohmsplit_drive_t.
    /// Default raise, lower.
    pub cycle: [i32; OHMSPLIT_CYCLE_MAX],
    /// How many drive states are given, 2 to OHMSPLIT_CYCLE_MAX. Default 2.
    pub cycle_count: u32,
    /// When a dwell at rest, or with the check resistor where the parts have one,
    /// between drive cycles checks the measuring circuit, in a cycle of two driven states: 1 to 255, at the start and then with so many
    /// cycles between; OHMSPLIT_CHECK_AT_START, then only; OHMSPLIT_CHECK_NEVER,
    /// where the drive keeps to its cycle. Default OHMSPLIT_CHECK_NEVER.
    pub check_cycles: u32,
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

const _: () = {
    assert!(size_of::<ohmsplit_sample_t>() == OHMSPLIT_SAMPLE_SIZE);
    assert!(size_of::<ohmsplit_settings_t>() == OHMSPLIT_SETTINGS_SIZE);
};
