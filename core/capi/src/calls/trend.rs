//! Slow decline of isolation.

use ohmsplit::config::Config;
use ohmsplit::trend::{Point, Trend};

use super::status;
use crate::handle::{self, Content, Output, Slot};
use crate::types::*;
use crate::{after, given};

use ohmsplit_status_t::*;

impl Content for Trend {
    type Storage = ohmsplit_trend_t;
    const MARK: u32 = 0x6f54_7244;
}

/// A point as the core has it; any numbers are one.
pub(super) const fn point(from: &ohmsplit_point_t) -> Point {
    Point {
        span: from.span,
        ln_r: from.ln_r,
    }
}

/// Makes a trend of which nothing is known. The warning limit is that of the
/// configuration, which is not needed afterwards. `span_second` is the length
/// of a span, by custom a day, 86,400; it is taken to be at least 60.
///
/// Pass sizeof *trend as `size`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_trend_init(
    trend: *mut ohmsplit_trend_t,
    size: usize,
    config: *const ohmsplit_config_t,
    span_second: u32,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands `size` bytes, the caller's own during the call.
        let place = unsafe { handle::place(trend, size) }?;
        // SAFETY: the header demands a configuration that nobody writes during the call.
        let config = unsafe { handle::shared::<Config>(config) }?;
        place.put(Slot::new(Trend::new(config.limits(), span_second)));
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. Takes a report, at `now_second` of a clock that goes on through
/// resets; one that went back starts everything anew. OHMSPLIT_POINT_READY when
/// a span is over, whose point is then in `point`, to be kept for
/// ohmsplit_trend_restore; otherwise `point` is untouched.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_trend_take(
    trend: *mut ohmsplit_trend_t,
    now_second: u32,
    report: *const ohmsplit_report_t,
    point: *mut ohmsplit_point_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands a report that nobody writes during the call.
        let report = given::report(unsafe { handle::input(report) }?)?;
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(point) }?;
        let take = |trend: &mut Trend| trend.take(now_second, &report);
        // SAFETY: the header demands a trend that only one context uses.
        let Some(Point { span, ln_r }) = unsafe { handle::exclusive(trend, take) }? else {
            return Ok(OHMSPLIT_OK);
        };
        output.put(ohmsplit_point_t { span, ln_r });
        Ok(OHMSPLIT_POINT_READY)
    })())
}

/// Background. Takes a point again that was kept, oldest first, as after a
/// reset. ohmsplit_journal_history does it for those in a journal.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_trend_restore(
    trend: *mut ohmsplit_trend_t,
    point: *const ohmsplit_point_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands a point that nobody writes during the call.
        let point = self::point(unsafe { handle::input(point) }?);
        // SAFETY: the header demands a trend that only one context uses.
        unsafe { handle::exclusive(trend, |trend: &mut Trend| trend.restore(point)) }?;
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. One slice of work of bounded length: OHMSPLIT_BUSY when more is
/// waiting, OHMSPLIT_OK when not. Work comes with each point.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_trend_step(trend: *mut ohmsplit_trend_t) -> ohmsplit_status_t {
    // SAFETY: the header demands a trend that only one context uses.
    status(
        unsafe { handle::exclusive(trend, Trend::step) }
            .map(|busy| if busy { OHMSPLIT_BUSY } else { OHMSPLIT_OK }),
    )
}

/// Background. How isolation develops, as it is known at `now_second`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_trend_course(
    trend: *mut ohmsplit_trend_t,
    now_second: u32,
    course: *mut ohmsplit_course_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(course) }?;
        let look = |trend: &mut Trend| after::course(trend.course(now_second), trend.points());
        // SAFETY: the header demands a trend that only one context uses.
        output.put(unsafe { handle::exclusive(trend, look) }?);
        Ok(OHMSPLIT_OK)
    })())
}
