//! The number of the interface, and what a call came to.

/// Number of this interface: it changes whenever a type or a function of this
/// header does. The library refuses settings of another number.
pub const OHMSPLIT_INTERFACE: u32 = 7;

/// What a call came to: zero and more when it did its work, less than zero
/// when it was misused or memory refused. A call that was misused has changed
/// nothing, but for OHMSPLIT_ERROR_BLOCK_LOST.
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
    /// The contactors may close, as far as isolation goes. Nothing else is a yes.
    OHMSPLIT_GRANTED = 4,
    /// They may not; the answer says why.
    OHMSPLIT_WITHHELD = 5,
    /// A span of the trend is over: the point given was filled, keep it.
    OHMSPLIT_POINT_READY = 6,
    /// A record was written.
    OHMSPLIT_RECORDED = 7,

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
    /// swapped or came from another sampler. The monitor has begun anew with
    /// this one, and its verdict is undetermined, samples missing: figures over
    /// a gap could be wrong.
    OHMSPLIT_ERROR_BLOCK_LOST = -8,
    /// The sampler or monitor was finished: make it anew.
    OHMSPLIT_ERROR_FINISHED = -9,
    /// A report or answer that this library cannot have made:
    /// a code in it is none of its list, as when it was never filled.
    OHMSPLIT_ERROR_NOT_FILLED = -10,
    /// A function of the pages returned that the memory refused.
    OHMSPLIT_ERROR_MEMORY = -11,
    /// What was written does not read back: the memory is worn.
    OHMSPLIT_ERROR_MEMORY_WORN = -12,
    /// Four thousand million records have been written.
    OHMSPLIT_ERROR_MEMORY_EXHAUSTED = -13,
    /// Fewer than two pages, or no slots in a page.
    OHMSPLIT_ERROR_MEMORY_TOO_SMALL = -14,

    /// `front_end` is not one of ohmsplit_front_end_t.
    OHMSPLIT_ERROR_FRONT_END = -20,
    /// `kind` of a part is not one of ohmsplit_part_kind_t.
    OHMSPLIT_ERROR_PART_KIND = -21,
    /// `judged` is not one of ohmsplit_judged_t.
    OHMSPLIT_ERROR_JUDGED = -22,
    /// A figure is outside the range stated at its field or call.
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
    /// The channels are read a block or more apart.
    OHMSPLIT_ERROR_SKEW_OUT_OF_RANGE = -36,
    /// The cycle has the check state without a check resistor, or rest beside one.
    OHMSPLIT_ERROR_CHECK_STATE = -37,
}
