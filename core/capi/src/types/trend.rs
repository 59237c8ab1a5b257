//! Slow decline of isolation.

/// Bytes of ohmsplit_course_t.
pub const OHMSPLIT_COURSE_SIZE: usize = 56;
/// Bytes of ohmsplit_point_t.
pub const OHMSPLIT_POINT_SIZE: usize = 8;
/// The middle of what one span of time held.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ohmsplit_point_t {
    /// Number of the span: its start in seconds over its length.
    pub span: u32,
    /// ln(R/Mohm) of the judged figure, times 2^24.
    pub ln_r: i32,
}

/// How isolation develops.
#[repr(i32)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ohmsplit_course_kind_t {
    /// Too few spans had an estimate that counts, or steps are not done.
    OHMSPLIT_COURSE_TOO_FEW_SPANS = 0,
    /// No trend: the interval of the slope holds zero.
    OHMSPLIT_COURSE_NO_TREND = 1,
    /// Isolation gets better.
    OHMSPLIT_COURSE_RISING = 2,
    /// Isolation declines.
    OHMSPLIT_COURSE_FALLING = 3,
}

/// A figure and its 95 % interval, in the unit of the field's name.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ohmsplit_bounded_t {
    /// Best estimate.
    pub value: i64,
    /// Lower end.
    pub low: i64,
    /// Upper end.
    pub high: i64,
}

/// How isolation develops, with figures.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ohmsplit_course_t {
    /// One of ohmsplit_course_kind_t.
    pub kind: i32,
    /// Points that are known, at most 32.
    pub points: u32,
    /// Slope of ln R in parts of 1e9 a day, less than zero when isolation
    /// declines; absent when the spans are too few.
    pub slope_ppb_per_day: ohmsplit_bounded_t,
    /// Time until the warning limit is reached if it goes on so, 0 when it is
    /// reached already; absent unless isolation declines.
    pub reach_second: ohmsplit_bounded_t,
}

const _: () = assert!(size_of::<ohmsplit_point_t>() == OHMSPLIT_POINT_SIZE);

const _: () = assert!(size_of::<ohmsplit_course_t>() == OHMSPLIT_COURSE_SIZE);
