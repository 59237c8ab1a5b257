//! May the contactors close?

/// Bytes of ohmsplit_answer_t.
pub const OHMSPLIT_ANSWER_SIZE: usize = 20;
/// Bytes of ohmsplit_rules_t.
pub const OHMSPLIT_RULES_SIZE: usize = 12;
/// What it takes to be granted.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ohmsplit_rules_t {
    /// Evidence older than this withdraws the permission. Default 60.
    pub age_max_second: u32,
    /// Dwells in a row whose reports must allow closing, 1 to 255. Default 2.
    pub dwells: u32,
    /// 1 when a warning allows closing, 0 when not. Default 0.
    pub on_warning: i32,
}

/// Why closing is not permitted. The numbers are stable.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_withheld_t {
    /// It is permitted.
    OHMSPLIT_WITHHELD_NONE = 0,
    /// Nothing has been reported since the start.
    OHMSPLIT_WITHHELD_NOTHING_KNOWN = 1,
    /// The verdict is an alarm.
    OHMSPLIT_WITHHELD_ALARM = 2,
    /// The verdict is a warning, and the rules do not allow closing on it.
    OHMSPLIT_WITHHELD_WARNING = 3,
    /// It cannot be judged; `reason` says why.
    OHMSPLIT_WITHHELD_UNDETERMINED = 4,
    /// The newest evidence is too old.
    OHMSPLIT_WITHHELD_TOO_OLD = 5,
    /// The time went back: the age of the evidence is not known.
    OHMSPLIT_WITHHELD_CLOCK_RAN_BACK = 6,
    /// Contactors have moved since the evidence.
    OHMSPLIT_WITHHELD_NETWORK_CHANGED = 7,
    /// There was a reset; nothing has been measured since.
    OHMSPLIT_WITHHELD_RESTARTED = 8,
    /// There is evidence, but an earlier alarm was not acknowledged.
    OHMSPLIT_WITHHELD_NOT_ACKNOWLEDGED = 9,
    /// An alarm was acknowledged; evidence since then is still missing.
    OHMSPLIT_WITHHELD_TO_BE_CONFIRMED = 10,
}

/// The answer to "may the contactors close?".
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ohmsplit_answer_t {
    /// 1 when it is permitted, 0 when not.
    pub granted: i32,
    /// One of ohmsplit_withheld_t.
    pub cause: i32,
    /// One of ohmsplit_reason_t: why it cannot be judged, 0 for other causes.
    pub reason: i32,
    /// 1 when an alarm waits to be acknowledged, 0 when not.
    pub latched: i32,
    /// Seconds since the newest evidence when granted, and since it was
    /// withheld for this cause when not.
    pub age_second: u32,
}

const _: () = assert!(size_of::<ohmsplit_rules_t>() == OHMSPLIT_RULES_SIZE);

const _: () = assert!(size_of::<ohmsplit_answer_t>() == OHMSPLIT_ANSWER_SIZE);
