/*
 * ohmsplit: isolation resistance of floating high-voltage batteries, for C.
 *
 * High voltage can kill. The library certifies nothing: local codes and
 * licensed practice come first, and what the verdict switches off is the
 * integrator's to prove.
 *
 * THE CALLS
 *
 *     settings --> config --> sampler (interrupt) --> block --> monitor (background) --> report
 *
 *     static ohmsplit_config_t config;        // once written, then only read
 *     static ohmsplit_sampler_t sampler;      // the interrupt's
 *     static ohmsplit_monitor_t monitor;      // the background task's
 *     static ohmsplit_block_t queue[4];       // handed from one to the other
 *
 *   ohmsplit_monitor_t waits until the circuit has settled. ohmsplit_swift_t, with
 *   calls of the same form (ohmsplit_swift_init and so on), reports before, at the
 *   price of more memory and work. Use one of them.
 *
 *   Start-up, before the interrupt is enabled:
 *     ohmsplit_settings_default, the designer's values, then the init calls of
 *     config, sampler and monitor. Check every status.
 *   Interrupt, once a pair of conversions:
 *     ohmsplit_sampler_push(&sampler, &sample, &queue[head % 4]), and on
 *     OHMSPLIT_BLOCK_READY publish the place: head = head + 1, a release store.
 *   Background, in a loop or task, when head != tail (an acquire load):
 *     ohmsplit_monitor_accept(&monitor, &queue[tail % 4]), tail = tail + 1, then
 *     ohmsplit_monitor_step until OHMSPLIT_OK; OHMSPLIT_REPORT_READY brings a
 *     report. Then ohmsplit_monitor_drive says how the switches must stand;
 *     open what must open before closing what must close, and let the samples
 *     from then on say so.
 *
 * AFTER THE REPORT
 *   For those who want them, each a handle of the background task that is given
 *   every report:
 *     ohmsplit_permit_t    may the contactors close? No data is never a yes: only
 *                          the status OHMSPLIT_GRANTED of ohmsplit_permit_ask is.
 *     ohmsplit_sections_t  which side of the contactors leaks.
 *     ohmsplit_trend_t     a slow decline, and when it reaches the warning limit.
 *     ohmsplit_journal_t   event records in memory pages of the caller's, which
 *                          survive a loss of power at any byte. The layout of a
 *                          record is in the documentation of ohmsplit::journal.
 *   Before contactors move, and again when they have come to rest:
 *   ohmsplit_permit_network_changed; then make sampler and monitor anew, drop the
 *   blocks that are on their way, and call ohmsplit_sections_switched. Take no
 *   samples while they move.
 *   After a reset: ohmsplit_journal_open, ohmsplit_trend_init,
 *   ohmsplit_journal_history, ohmsplit_permit_restore with its `latched`, or with
 *   1 when the memory could not be read.
 *   `now_second` is a clock of the caller's in whole seconds. One that goes back
 *   withdraws the permission; the trend's has to go on through resets.
 *
 * CONTEXTS
 *   A handle belongs to one context. Sampler calls come from the interrupt, or
 *   with it disabled; all other calls from one task; no handle is used on two
 *   cores at once. Interrupt and task share nothing but blocks and the
 *   configuration, which nobody writes. A call on a handle that the same core
 *   has in use already returns OHMSPLIT_ERROR_IN_USE and does nothing.
 *   No call blocks, waits, allocates or keeps anything outside the memory that
 *   it is given; all are bounded. None calls back, but for those of a journal,
 *   which call the functions of its pages, in the same context.
 *
 * OWNERSHIP
 *   All memory is the caller's. Handles are of the types below; they need no
 *   clean-up and may not be copied or moved, blocks may. The configuration
 *   must outlive the samplers and monitors made from it. Memory that a handle
 *   was not yet made in must be zero for a call on it to be told from a sound
 *   one with certainty, as static memory is. Pointers are used during the call
 *   only, but for the configuration's, and the functions and the context of a
 *   journal's pages, which must outlive the journal.
 *
 * TIMING
 *   Time is a free-running counter of microseconds that wraps at 2^32. Samples
 *   may jitter and be lost, but after more than an hour without any the
 *   handles are to be made anew. `drive` of a sample is the state since the
 *   sample before: take none while the switches move. One block comes every
 *   `block_microsecond` and one more at a drive change; the background must
 *   keep up. When the queue is full give the sampler a spare block to fill: what
 *   it holds is lost, which the monitor notices by the numbers of blocks. It
 *   says OHMSPLIT_ERROR_BLOCK_LOST and starts anew.
 *
 * START-UP, SLEEP, BROWN-OUT, RESET
 *   After any reset make all handles anew: that the mark of an old one
 *   survived in RAM proves nothing. The verdict is undetermined until the
 *   first drive cycle has completed; treat that as the system's safe state
 *   asks. Before sleep, or any pause of more than an hour, the last dwell can
 *   be had by ohmsplit_sampler_finish, accepting its block,
 *   ohmsplit_monitor_finish, and steps until OHMSPLIT_OK. After it make
 *   sampler and monitor anew: nobody saw what the circuit did meanwhile. To
 *   know after a reset what was known before, store reports: their numbers
 *   are stable. Handles hold addresses and are not for storing.
 *
 * NUMBERS
 *   Whole numbers with the unit in the name; no floating point. Conversions
 *   round to nearest. What exceeds a range stops at its end:
 *   OHMSPLIT_UNBOUNDED says so. What does not exist is OHMSPLIT_ABSENT, and a
 *   reason says why. Enumerations are int32_t whatever the compiler does.
 */


#ifndef OHMSPLIT_H
#define OHMSPLIT_H

#include <stddef.h>
#include <stdint.h>

#if UINTPTR_MAX > 0xFFFFFFFFu
#define OHMSPLIT_64_BIT
#endif

/* For a compiler that has another way to align a type, define it before. */
#ifndef OHMSPLIT_ALIGNED
#define OHMSPLIT_ALIGNED(n) __attribute__((aligned(n)))
#endif

// Number of this interface: it changes whenever a type or a function of this
// header does. The library refuses settings of another number.
#define OHMSPLIT_INTERFACE 7

// Alignment of the types that hold a handle.
#define OHMSPLIT_ALIGNMENT 16

#if !defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_config_t.
#define OHMSPLIT_CONFIG_SIZE 848
#endif

#if defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_config_t.
#define OHMSPLIT_CONFIG_SIZE 1024
#endif

#if !defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_sampler_t.
#define OHMSPLIT_SAMPLER_SIZE 144
#endif

#if defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_sampler_t.
#define OHMSPLIT_SAMPLER_SIZE 256
#endif

#if !defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_block_t.
#define OHMSPLIT_BLOCK_SIZE 80
#endif

#if defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_block_t.
#define OHMSPLIT_BLOCK_SIZE 128
#endif

#if !defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_monitor_t.
#define OHMSPLIT_MONITOR_SIZE 1040
#endif

#if defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_monitor_t.
#define OHMSPLIT_MONITOR_SIZE 8192
#endif

#if !defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_swift_t.
#define OHMSPLIT_SWIFT_SIZE 9232
#endif

#if defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_swift_t.
#define OHMSPLIT_SWIFT_SIZE 16384
#endif

#if !defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_permit_t.
#define OHMSPLIT_PERMIT_SIZE 48
#endif

#if defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_permit_t.
#define OHMSPLIT_PERMIT_SIZE 128
#endif

#if !defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_sections_t.
#define OHMSPLIT_SECTIONS_SIZE 496
#endif

#if defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_sections_t.
#define OHMSPLIT_SECTIONS_SIZE 768
#endif

#if !defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_trend_t.
#define OHMSPLIT_TREND_SIZE 576
#endif

#if defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_trend_t.
#define OHMSPLIT_TREND_SIZE 1024
#endif

#if !defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_journal_t.
#define OHMSPLIT_JOURNAL_SIZE 80
#endif

#if defined(OHMSPLIT_64_BIT)
// Bytes of ohmsplit_journal_t.
#define OHMSPLIT_JOURNAL_SIZE 256
#endif

// Most parts in ohmsplit_settings_t.
#define OHMSPLIT_PARTS_MAX 6

// Most drive states in one cycle.
#define OHMSPLIT_CYCLE_MAX 4

// The measuring circuit is not checked with a third drive state.
#define OHMSPLIT_CHECK_NEVER 0

// It is checked after the first answer, and again only while something is found.
#define OHMSPLIT_CHECK_AT_START 4294967295

// Bytes of ohmsplit_sample_t.
#define OHMSPLIT_SAMPLE_SIZE 16

// Bytes of ohmsplit_settings_t.
#define OHMSPLIT_SETTINGS_SIZE 480

// A figure that there is none of: an open circuit has no position, a circuit
// that settles at once shows no capacitance, a refused estimate has no figure.
#define OHMSPLIT_ABSENT INT64_MIN

// A figure without an upper bound: the resistance of no leak, the touch
// current of a hard short.
#define OHMSPLIT_UNBOUNDED INT64_MAX

// Bytes of ohmsplit_report_t.
#define OHMSPLIT_REPORT_SIZE 312

// Bytes of ohmsplit_answer_t.
#define OHMSPLIT_ANSWER_SIZE 20

// Bytes of ohmsplit_rules_t.
#define OHMSPLIT_RULES_SIZE 12

// Bytes of ohmsplit_share_t.
#define OHMSPLIT_SHARE_SIZE 104

// Most sections: one bit each in a set of them.
#define OHMSPLIT_SECTIONS_MAX 8

// Bytes of ohmsplit_course_t.
#define OHMSPLIT_COURSE_SIZE 56

// Bytes of ohmsplit_point_t.
#define OHMSPLIT_POINT_SIZE 8

// Bytes of ohmsplit_history_t.
#define OHMSPLIT_HISTORY_SIZE 124

// Bytes of ohmsplit_judgement_t.
#define OHMSPLIT_JUDGEMENT_SIZE 40

// Bytes of a record, and of a slot.
#define OHMSPLIT_RECORD_SIZE 32

// What a call came to: zero and more when it did its work, less than zero
// when it was misused or memory refused. A call that was misused has changed
// nothing, but for OHMSPLIT_ERROR_BLOCK_LOST.
enum ohmsplit_status_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // Done; nothing to fetch.
    OHMSPLIT_OK = 0,
    // The block given was filled: hand it to the monitor.
    OHMSPLIT_BLOCK_READY = 1,
    // More work is waiting: call step again.
    OHMSPLIT_BUSY = 2,
    // The report given was filled.
    OHMSPLIT_REPORT_READY = 3,
    // The contactors may close, as far as isolation goes. Nothing else is a yes.
    OHMSPLIT_GRANTED = 4,
    // They may not; the answer says why.
    OHMSPLIT_WITHHELD = 5,
    // A span of the trend is over: the point given was filled, keep it.
    OHMSPLIT_POINT_READY = 6,
    // A record was written.
    OHMSPLIT_RECORDED = 7,
    // A pointer is null.
    OHMSPLIT_ERROR_NULL = -1,
    // A pointer is not aligned for its type.
    OHMSPLIT_ERROR_MISALIGNED = -2,
    // The memory is smaller than the handle: header and library differ.
    OHMSPLIT_ERROR_SIZE = -3,
    // The memory holds no such handle or block: its init call is missing or
    // failed, or it was given for another kind.
    OHMSPLIT_ERROR_NOT_INITIALISED = -4,
    // The handle is in a call already: one that this call has interrupted, or
    // one on another core.
    OHMSPLIT_ERROR_IN_USE = -5,
    // Not OHMSPLIT_INTERFACE: header and library differ.
    OHMSPLIT_ERROR_INTERFACE = -6,
    // Not one of ohmsplit_drive_t.
    OHMSPLIT_ERROR_DRIVE = -7,
    // The block does not follow the one before: one was lost, doubled,
    // swapped or came from another sampler. The monitor has begun anew with
    // this one, and its verdict is undetermined, samples missing: figures over
    // a gap could be wrong.
    OHMSPLIT_ERROR_BLOCK_LOST = -8,
    // The sampler or monitor was finished: make it anew.
    OHMSPLIT_ERROR_FINISHED = -9,
    // A report or answer that this library cannot have made:
    // a code in it is none of its list, as when it was never filled.
    OHMSPLIT_ERROR_NOT_FILLED = -10,
    // A function of the pages returned that the memory refused.
    OHMSPLIT_ERROR_MEMORY = -11,
    // What was written does not read back: the memory is worn.
    OHMSPLIT_ERROR_MEMORY_WORN = -12,
    // Four thousand million records have been written.
    OHMSPLIT_ERROR_MEMORY_EXHAUSTED = -13,
    // Fewer than two pages, or no slots in a page.
    OHMSPLIT_ERROR_MEMORY_TOO_SMALL = -14,
    // `front_end` is not one of ohmsplit_front_end_t.
    OHMSPLIT_ERROR_FRONT_END = -20,
    // `kind` of a part is not one of ohmsplit_part_kind_t.
    OHMSPLIT_ERROR_PART_KIND = -21,
    // `judged` is not one of ohmsplit_judged_t.
    OHMSPLIT_ERROR_JUDGED = -22,
    // A figure is outside the range stated at its field or call.
    OHMSPLIT_ERROR_OUT_OF_RANGE = -23,
    // More than OHMSPLIT_CYCLE_MAX drive states.
    OHMSPLIT_ERROR_CYCLE_TOO_LONG = -24,
    // More than OHMSPLIT_PARTS_MAX parts, dividers that load the chassis included.
    OHMSPLIT_ERROR_TOO_MANY_PARTS = -25,
    // A resistance is not positive.
    OHMSPLIT_ERROR_RESISTANCE_NOT_POSITIVE = -26,
    // A converter has fewer than 1 or more than 32 bits, or no span.
    OHMSPLIT_ERROR_CHANNEL_WITHOUT_RANGE = -27,
    // A channel's limits leave no valid code.
    OHMSPLIT_ERROR_CHANNEL_LIMITS_CROSSED = -28,
    // The averaging block is shorter than 100 us or longer than 10 s.
    OHMSPLIT_ERROR_BLOCK_OUT_OF_RANGE = -29,
    // The shortest dwell is shorter than eight blocks, or the longest is
    // shorter than the shortest.
    OHMSPLIT_ERROR_DWELL_OUT_OF_RANGE = -30,
    // The cycle has fewer than two drive states, or all its states push alike.
    OHMSPLIT_ERROR_CYCLE_WITHOUT_STIMULUS = -31,
    // The largest capacitance expected is not positive.
    OHMSPLIT_ERROR_CAPACITANCE_NOT_POSITIVE = -32,
    // The working voltage is not positive.
    OHMSPLIT_ERROR_WORKING_VOLTAGE_NOT_POSITIVE = -33,
    // The alarm limit is zero, or above the warning limit.
    OHMSPLIT_ERROR_LIMITS_CROSSED = -34,
    // An uncertainty is negative.
    OHMSPLIT_ERROR_NEGATIVE_UNCERTAINTY = -35,
    // The channels are read a block or more apart.
    OHMSPLIT_ERROR_SKEW_OUT_OF_RANGE = -36,
    // The cycle has the check state without a check resistor, or rest beside one.
    OHMSPLIT_ERROR_CHECK_STATE = -37,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_status_t ohmsplit_status_t;
#else
typedef int32_t ohmsplit_status_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// Drive state: the perturbation of the chassis-to-battery voltage.
enum ohmsplit_drive_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // Nothing pushed: sources and switches open; a logic source is at its low level.
    OHMSPLIT_DRIVE_REST = 0,
    // Pushes the chassis up, towards the positive rail.
    OHMSPLIT_DRIVE_RAISE = 1,
    // Pushes the chassis down, towards the negative rail.
    OHMSPLIT_DRIVE_LOWER = 2,
    // As at rest, and the check resistor connected; asked for only where the
    // settings have one.
    OHMSPLIT_DRIVE_CHECK = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_drive_t ohmsplit_drive_t;
#else
typedef int32_t ohmsplit_drive_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// The judgement.
enum ohmsplit_verdict_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // It cannot be judged; an ohmsplit_reason_t says why.
    OHMSPLIT_VERDICT_UNDETERMINED = 0,
    // The lower end of the judged interval is above the warning limit.
    OHMSPLIT_VERDICT_HEALTHY = 1,
    // It is at or below the warning limit.
    OHMSPLIT_VERDICT_WARNING = 2,
    // It is at or below the alarm limit.
    OHMSPLIT_VERDICT_ALARM = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_verdict_t ohmsplit_verdict_t;
#else
typedef int32_t ohmsplit_verdict_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// Which voltages the two channels measure. P and N are the rails, E the chassis.
enum ohmsplit_front_end_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // First E to N; its divider loads the chassis towards N. Second P to N.
    OHMSPLIT_FRONT_END_CHASSIS_AND_PACK = 1,
    // First P to E, second E to N; their dividers load the chassis.
    OHMSPLIT_FRONT_END_RAIL_PAIR = 2,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_front_end_t ohmsplit_front_end_t;
#else
typedef int32_t ohmsplit_front_end_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// A part that the monitor hangs on the chassis.
enum ohmsplit_part_kind_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // A source of +U (raise) or -U (lower), U = `high_microvolt`, through the
    // resistance to N; open at rest.
    OHMSPLIT_PART_SOURCE_TO_NEGATIVE = 1,
    // The same source through the resistance to each rail.
    OHMSPLIT_PART_SOURCE_TO_BOTH_RAILS = 2,
    // The resistance switched from P to E in raise.
    OHMSPLIT_PART_SWITCHED_TO_POSITIVE = 3,
    // The resistance switched from N to E in lower.
    OHMSPLIT_PART_SWITCHED_TO_NEGATIVE = 4,
    // A logic output through the resistance to N: `high_microvolt` in raise,
    // `low_microvolt` otherwise.
    OHMSPLIT_PART_LOGIC_SOURCE = 5,
    // A bleed that stays connected from P to E.
    OHMSPLIT_PART_PERMANENT_TO_POSITIVE = 6,
    // A bleed or divider that stays connected from N to E.
    OHMSPLIT_PART_PERMANENT_TO_NEGATIVE = 7,
    // The check resistor, switched from P to E in the drive state CHECK alone.
    OHMSPLIT_PART_CHECK_TO_POSITIVE = 8,
    // The same from N to E.
    OHMSPLIT_PART_CHECK_TO_NEGATIVE = 9,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_part_kind_t ohmsplit_part_kind_t;
#else
typedef int32_t ohmsplit_part_kind_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// Which figure is held against the limits. They can disagree: for a symmetric
// leak the parallel figure is half the weaker rail.
enum ohmsplit_judged_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // min(Rp, Rn): what the in-situ test of UN R100 and 49 CFR 571.305 yields.
    OHMSPLIT_JUDGED_WEAKEST_RAIL = 1,
    // Rp and Rn in parallel: the total to earth of IEC 61557-8.
    OHMSPLIT_JUDGED_BOTH_IN_PARALLEL = 2,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_judged_t ohmsplit_judged_t;
#else
typedef int32_t ohmsplit_judged_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// What kind of answer an estimate is.
enum ohmsplit_kind_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // There is no estimate.
    OHMSPLIT_KIND_NONE = 0,
    // A resistance with its uncertainty.
    OHMSPLIT_KIND_FIGURE = 1,
    // A hard short: the resistance is only bounded above; the position is sound.
    OHMSPLIT_KIND_SHORT = 2,
    // No leak resolvable: the resistance is only bounded below.
    OHMSPLIT_KIND_OPEN = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_kind_t ohmsplit_kind_t;
#else
typedef int32_t ohmsplit_kind_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// What an estimate rests on.
enum ohmsplit_basis_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // Readings of one drive cycle, each proved to have settled.
    OHMSPLIT_BASIS_SETTLED = 1,
    // A fit of the running record, settled or not.
    OHMSPLIT_BASIS_TRANSIENT = 2,
    // A sudden leak, verified while the circuit moves.
    OHMSPLIT_BASIS_SUDDEN = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_basis_t ohmsplit_basis_t;
#else
typedef int32_t ohmsplit_basis_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// Why there is no figure or no verdict. The numbers are stable: what was
// stored or sent stays readable.
enum ohmsplit_reason_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // There is a figure.
    OHMSPLIT_REASON_NONE = 0,
    // No drive cycle has completed since start-up.
    OHMSPLIT_REASON_NOT_YET_MEASURED = 1,
    // The dwell ended before the voltage was shown to have settled.
    OHMSPLIT_REASON_NOT_SETTLED = 2,
    // Drive changes move the voltage too little to tell.
    OHMSPLIT_REASON_STIMULUS_TOO_WEAK = 3,
    // Fewer samples arrived in the dwell than a settling proof needs.
    OHMSPLIT_REASON_RECORD_TOO_SHORT = 4,
    // A converter reading was at its limit.
    OHMSPLIT_REASON_SATURATED = 5,
    // Samples were missing for a whole averaging block or longer.
    OHMSPLIT_REASON_SAMPLES_MISSING = 6,
    // The pack voltage moved in a way that the readings do not follow.
    OHMSPLIT_REASON_PACK_VOLTAGE_MOVING = 7,
    // The pack voltage is too low to judge a leak to either rail.
    OHMSPLIT_REASON_PACK_VOLTAGE_TOO_LOW = 8,
    // The network description or the wiring is wrong.
    OHMSPLIT_REASON_IMPLAUSIBLE = 9,
    // The interval of the judged figure is too wide to decide.
    OHMSPLIT_REASON_TOO_UNCERTAIN = 10,
    // The circuit changed between the readings of the cycle: they do not
    // describe one circuit.
    OHMSPLIT_REASON_CIRCUIT_CHANGED = 11,
    // The self-diagnosis has found a fault: see the findings.
    OHMSPLIT_REASON_DIAGNOSED = 12,
    // Something moves the chassis that neither circuit nor drive explains.
    OHMSPLIT_REASON_INTERFERENCE = 13,
    // The bus is left to another monitor, on request.
    OHMSPLIT_REASON_BUS_YIELDED = 14,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_reason_t ohmsplit_reason_t;
#else
typedef int32_t ohmsplit_reason_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// What the self-diagnosis can find: the places of the bits in the findings of
// a report. All but the stored energy withhold a healthy verdict.
enum ohmsplit_finding_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // A converter gives one and the same code.
    OHMSPLIT_FINDING_CONVERTER_STUCK = 1,
    // A converter stays at its limit.
    OHMSPLIT_FINDING_CONVERTER_SATURATED = 2,
    // A bit of a converter never changes.
    OHMSPLIT_FINDING_CONVERTER_BITS = 3,
    // The chassis reads as a rail whatever is driven: a sense line, or a hard
    // short to that rail.
    OHMSPLIT_FINDING_SENSE_LINE = 4,
    // No drive change moves the chassis: no stimulus, or a hard short.
    OHMSPLIT_FINDING_NO_RESPONSE = 5,
    // A drive state does the same as no drive.
    OHMSPLIT_FINDING_SWITCH_STUCK = 6,
    // No circuit has these settled voltages: drifted parts, or a leak that
    // depends on voltage.
    OHMSPLIT_FINDING_STATES_CONTRADICT = 7,
    // The chassis moves against the drive, or the pack reads negative.
    OHMSPLIT_FINDING_POLARITY = 8,
    // The chassis reads as outside of what pack and drive can do.
    OHMSPLIT_FINDING_PACK_IMPLAUSIBLE = 9,
    // The number of samples in a block has changed.
    OHMSPLIT_FINDING_TIME_BASE = 10,
    // The capacitance is larger than the design expects.
    OHMSPLIT_FINDING_CAPACITANCE = 11,
    // The capacitance holds more than 0.2 J.
    OHMSPLIT_FINDING_STORED_ENERGY = 12,
    // Another monitor, an alias of hum or ripple, or a leak that comes and goes.
    OHMSPLIT_FINDING_INTERFERENCE = 13,
    // Noise and resolution are too high for the stimulus that arrives.
    OHMSPLIT_FINDING_STIMULUS_WEAK = 14,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_finding_t ohmsplit_finding_t;
#else
typedef int32_t ohmsplit_finding_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// Why closing is not permitted. The numbers are stable.
enum ohmsplit_withheld_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // It is permitted.
    OHMSPLIT_WITHHELD_NONE = 0,
    // Nothing has been reported since the start.
    OHMSPLIT_WITHHELD_NOTHING_KNOWN = 1,
    // The verdict is an alarm.
    OHMSPLIT_WITHHELD_ALARM = 2,
    // The verdict is a warning, and the rules do not allow closing on it.
    OHMSPLIT_WITHHELD_WARNING = 3,
    // It cannot be judged; `reason` says why.
    OHMSPLIT_WITHHELD_UNDETERMINED = 4,
    // The newest evidence is too old.
    OHMSPLIT_WITHHELD_TOO_OLD = 5,
    // The time went back: the age of the evidence is not known.
    OHMSPLIT_WITHHELD_CLOCK_RAN_BACK = 6,
    // Contactors have moved since the evidence.
    OHMSPLIT_WITHHELD_NETWORK_CHANGED = 7,
    // There was a reset; nothing has been measured since.
    OHMSPLIT_WITHHELD_RESTARTED = 8,
    // There is evidence, but an earlier alarm was not acknowledged.
    OHMSPLIT_WITHHELD_NOT_ACKNOWLEDGED = 9,
    // An alarm was acknowledged; evidence since then is still missing.
    OHMSPLIT_WITHHELD_TO_BE_CONFIRMED = 10,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_withheld_t ohmsplit_withheld_t;
#else
typedef int32_t ohmsplit_withheld_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// How isolation develops.
enum ohmsplit_course_kind_t
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    // Too few spans had an estimate that counts, or steps are not done.
    OHMSPLIT_COURSE_TOO_FEW_SPANS = 0,
    // No trend: the interval of the slope holds zero.
    OHMSPLIT_COURSE_NO_TREND = 1,
    // Isolation gets better.
    OHMSPLIT_COURSE_RISING = 2,
    // Isolation declines.
    OHMSPLIT_COURSE_FALLING = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum ohmsplit_course_kind_t ohmsplit_course_kind_t;
#else
typedef int32_t ohmsplit_course_kind_t;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// One measuring channel:
// volts at the terminals = (code - zero_code) * span / 2^bits + offset.
typedef struct ohmsplit_channel_t {
    // Resolution of the converter, 1 to 32.
    uint32_t bits;
    // Code at zero volts.
    int32_t zero_code;
    // Codes at or below are saturated.
    int32_t lowest_code;
    // Codes at or above are saturated.
    int32_t highest_code;
    // Volts that 2^bits codes span at the pin of the converter, calibration
    // included; multiplied by (top + bottom)/bottom of the divider, if any.
    // More than 0, with the divider at most 2147 MV.
    int64_t span_microvolt;
    // Volts at the terminals at zero_code (calibration), within +-2147 MV.
    int64_t offset_microvolt;
    // Divider from the measured terminal to the pin; zero with divider_bottom
    // when there is none. At most 1e14 ohm.
    int64_t divider_top_milliohm;
    // Divider from the pin to the reference terminal. At most 1e14 ohm.
    int64_t divider_bottom_milliohm;
    // Standard uncertainty of the offset at the terminals; a limit of error
    // divided by the root of three. At most 2147 MV.
    int64_t offset_uncertainty_microvolt;
    // Relative standard uncertainty of the gain.
    uint32_t gain_uncertainty_ppm;
    // Zero.
    uint32_t reserved;
} ohmsplit_channel_t;

// One part on the chassis.
typedef struct ohmsplit_part_t {
    // One of ohmsplit_part_kind_t.
    int32_t kind;
    // Relative standard uncertainty of the resistance.
    uint32_t resistance_uncertainty_ppm;
    // Resistance, more than 0, at most 1e14 ohm.
    int64_t resistance_milliohm;
    // U of a source, or the high level of a logic source, within +-2147 MV;
    // not looked at in other kinds.
    int64_t high_microvolt;
    // Low level of a logic source; not looked at in other kinds.
    int64_t low_microvolt;
    // Relative standard uncertainty of the source voltage.
    uint32_t emf_uncertainty_ppm;
    // Zero.
    uint32_t reserved;
} ohmsplit_part_t;

// What the designer declares.
typedef struct ohmsplit_settings_t {
    // OHMSPLIT_INTERFACE.
    uint32_t interface;
    // One of ohmsplit_front_end_t.
    int32_t front_end;
    // The channels in the order of ohmsplit_front_end_t.
    struct ohmsplit_channel_t channels[2];
    // The parts on the chassis but for the dividers of the channels, which
    // are added: their loading is never ignored.
    struct ohmsplit_part_t parts[OHMSPLIT_PARTS_MAX];
    // How many parts are given.
    uint32_t part_count;
    // Averaging block, 100 to 10,000,000; a whole number of mains periods
    // makes hum vanish. Default 20,000.
    uint32_t block_microsecond;
    // Shortest dwell in a drive state, at least eight blocks. Default 500,000.
    uint32_t dwell_min_microsecond;
    // Longest dwell before settling is given up. Default 60,000,000.
    uint32_t dwell_max_microsecond;
    // Largest capacitance of the battery to the chassis that the design
    // expects, more than 0, at most 2147 F. Default 50,000,000 (50 uF).
    int64_t capacitance_max_picofarad;
    // How far a reading lags behind the circuit at its time stamp: the time
    // constant of an input filter, plus half of the time that the converter
    // averages over, plus by how much the drive changes later than right after
    // a sample. OHMSPLIT_ABSENT when it is not known: anything from zero to a
    // sampling period, which costs ohmsplit_swift_t accuracy in slow circuits.
    // Default 0.
    int64_t reading_lag_nanosecond;
    // Its standard uncertainty, 0 or more. Default 1000.
    int64_t reading_lag_uncertainty_nanosecond;
    // Largest share of the capacitance that the insulation takes up slowly
    // (dielectric absorption); 0 is an ideal dielectric. Default 0.
    uint32_t absorption_ppm;
    // How much later the second channel is read than the first, less than a
    // block; negative when it is read before. It is interpolated to the time
    // of the first. Default 0.
    int32_t sampling_skew_nanosecond;
    // The drive states of a cycle in their order, of ohmsplit_drive_t.
    // Default raise, lower.
    int32_t cycle[OHMSPLIT_CYCLE_MAX];
    // How many drive states are given, 2 to OHMSPLIT_CYCLE_MAX. Default 2.
    uint32_t cycle_count;
    // When a dwell at rest, or with the check resistor where the parts have one,
    // between drive cycles checks the measuring circuit, in a cycle of two driven states: 1 to 255, at the start and then with so many
    // cycles between; OHMSPLIT_CHECK_AT_START, then only; OHMSPLIT_CHECK_NEVER,
    // where the drive keeps to its cycle. Default OHMSPLIT_CHECK_NEVER.
    uint32_t check_cycles;
    // One of ohmsplit_judged_t. No default: the designer's choice.
    int32_t judged;
    // Working voltage that ohms per volt refer to, more than 0, at most 2147 MV.
    int64_t working_voltage_microvolt;
    // Alarm at or below. Default 100, the DC limit of UN R100.
    uint32_t alarm_ohm_per_volt;
    // Warning at or below. Default 500, the AC limit of UN R100.
    uint32_t warning_ohm_per_volt;
    // A limit, once passed downwards, counts as higher by this part on the
    // way up. Default 100,000.
    uint32_t hysteresis_ppm;
    // Consecutive estimates that must agree before the verdict changes, 1 to
    // 255. Default 2.
    uint32_t confirmations;
} ohmsplit_settings_t;

// A checked configuration. Written by ohmsplit_config_init, then only read.
typedef struct OHMSPLIT_ALIGNED(16) ohmsplit_config_t {
    uint8_t opaque[OHMSPLIT_CONFIG_SIZE];
} ohmsplit_config_t;

// The interrupt's handle.
typedef struct OHMSPLIT_ALIGNED(16) ohmsplit_sampler_t {
    uint8_t opaque[OHMSPLIT_SAMPLER_SIZE];
} ohmsplit_sampler_t;

// One pair of converter readings, taken together.
typedef struct ohmsplit_sample_t {
    // Time of a free-running counter that wraps at 2^32.
    uint32_t at_microsecond;
    // One of ohmsplit_drive_t: the state in force since the sample before.
    int32_t drive;
    // Codes in the order of the channels.
    int32_t codes[2];
} ohmsplit_sample_t;

// A block of summed samples on its way from the interrupt to the background
// task. It may be copied.
typedef struct OHMSPLIT_ALIGNED(16) ohmsplit_block_t {
    uint8_t opaque[OHMSPLIT_BLOCK_SIZE];
} ohmsplit_block_t;

// The background task's handle: waits for settled readings.
typedef struct OHMSPLIT_ALIGNED(16) ohmsplit_monitor_t {
    uint8_t opaque[OHMSPLIT_MONITOR_SIZE];
} ohmsplit_monitor_t;

// A figure and its standard uncertainty (k = 1), in the unit of the field's name.
typedef struct ohmsplit_measured_t {
    // Best estimate.
    int64_t value;
    // Standard uncertainty.
    int64_t uncertainty;
} ohmsplit_measured_t;

// A resistance and its 95 % interval.
typedef struct ohmsplit_resistance_t {
    // Best estimate.
    int64_t value_milliohm;
    // Lower end: the figure that is judged.
    int64_t low_milliohm;
    // Upper end.
    int64_t high_milliohm;
} ohmsplit_resistance_t;

// What came of one dwell, or is known before it is over. Figures are rounded to nearest; OHMSPLIT_ABSENT and
// OHMSPLIT_UNBOUNDED are no figures.
typedef struct ohmsplit_report_t {
    // Dwells completed before this one, wrapping at 2^32.
    uint32_t sequence;
    // Drive state of the dwell, one of ohmsplit_drive_t.
    int32_t drive;
    // The judgement after this dwell, one of ohmsplit_verdict_t.
    int32_t verdict;
    // One of ohmsplit_reason_t: why the verdict is undetermined; 0 when it is not.
    int32_t verdict_reason;
    // Which figure is judged, one of ohmsplit_judged_t.
    int32_t judged;
    // Kind of the estimate, one of ohmsplit_kind_t.
    int32_t kind;
    // One of ohmsplit_reason_t: why there is no settled reading, whose
    // figures are then absent; 0 when there is one.
    int32_t reading_reason;
    // One of ohmsplit_reason_t: why there is no estimate, whose figures are
    // then absent; 0 when there is one.
    int32_t estimate_reason;
    // What the estimate rests on, one of ohmsplit_basis_t.
    int32_t basis;
    // 1 when the dwell is over; 0 in a report of ohmsplit_swift_t that came before.
    int32_t dwell_over;
    // What the self-diagnosis finds: bit n is ohmsplit_finding_t n.
    uint32_t findings;
    // Zero.
    uint32_t reserved;
    // Reading: settled voltage of the chassis against N.
    struct ohmsplit_measured_t chassis_microvolt;
    // Reading: pack voltage that belongs to it.
    struct ohmsplit_measured_t pack_microvolt;
    // Reading: time constant, absent when the transient showed none.
    struct ohmsplit_measured_t time_constant_microsecond;
    // Reading: how far the chassis may trail behind a moving pack voltage,
    // time constant times its slope.
    int64_t lag_microvolt;
    // Reading: length of the dwell.
    int64_t dwell_microsecond;
    // Estimate: both rails in parallel.
    struct ohmsplit_resistance_t isolation;
    // Estimate: Rp, from the positive rail to the chassis.
    struct ohmsplit_resistance_t positive;
    // Estimate: Rn, from the negative rail to the chassis.
    struct ohmsplit_resistance_t negative;
    // Estimate: min(Rp, Rn).
    struct ohmsplit_resistance_t weakest;
    // Estimate: 1/R of both rails in parallel (1e9 femtosiemens is 1 Mohm);
    // its lower bound when the kind is short.
    struct ohmsplit_measured_t conductance_femtosiemens;
    // Estimate: 1/Rp.
    struct ohmsplit_measured_t positive_femtosiemens;
    // Estimate: 1/Rn.
    struct ohmsplit_measured_t negative_femtosiemens;
    // Estimate: where in the stack the leak would sit were it a single one, 0
    // at N and 1,000,000 at P; absent when no leak is resolved.
    struct ohmsplit_measured_t position_ppm;
    // Estimate: prospective touch current Vb/min(Rp, Rn).
    struct ohmsplit_measured_t touch_current_nanoampere;
    // Estimate: capacitance of the battery to the chassis, absent when no
    // transient showed it.
    struct ohmsplit_measured_t capacitance_picofarad;
    // Estimate: pack voltage of the newest reading.
    int64_t estimate_pack_microvolt;
} ohmsplit_report_t;

// The background task's handle: reports before the circuit has settled.
typedef struct OHMSPLIT_ALIGNED(16) ohmsplit_swift_t {
    uint8_t opaque[OHMSPLIT_SWIFT_SIZE];
} ohmsplit_swift_t;

// What it takes to be granted.
typedef struct ohmsplit_rules_t {
    // Evidence older than this withdraws the permission. Default 60.
    uint32_t age_max_second;
    // Dwells in a row whose reports must allow closing, 1 to 255. Default 2.
    uint32_t dwells;
    // 1 when a warning allows closing, 0 when not. Default 0.
    int32_t on_warning;
} ohmsplit_rules_t;

// May the contactors close? The background task's.
typedef struct OHMSPLIT_ALIGNED(16) ohmsplit_permit_t {
    uint8_t opaque[OHMSPLIT_PERMIT_SIZE];
} ohmsplit_permit_t;

// The answer to "may the contactors close?".
typedef struct ohmsplit_answer_t {
    // 1 when it is permitted, 0 when not.
    int32_t granted;
    // One of ohmsplit_withheld_t.
    int32_t cause;
    // One of ohmsplit_reason_t: why it cannot be judged, 0 for other causes.
    int32_t reason;
    // 1 when an alarm waits to be acknowledged, 0 when not.
    int32_t latched;
    // Seconds since the newest evidence when granted, and since it was
    // withheld for this cause when not.
    uint32_t age_second;
} ohmsplit_answer_t;

// Which side of the contactors leaks. The background task's.
typedef struct OHMSPLIT_ALIGNED(16) ohmsplit_sections_t {
    uint8_t opaque[OHMSPLIT_SECTIONS_SIZE];
} ohmsplit_sections_t;

// What one side, or one or more sections, leak.
typedef struct ohmsplit_share_t {
    // One of ohmsplit_kind_t; none when `reason` is not 0, and no figure then
    // is there.
    int32_t kind;
    // One of ohmsplit_reason_t: not yet measured when no two estimates, near
    // enough in time, differ by just these sections; too uncertain when
    // without them there is a hard short already; circuit changed when less
    // leaks with them than without.
    int32_t reason;
    // Seconds between the two estimates; 0 for the battery side.
    uint32_t apart_second;
    // Zero.
    uint32_t reserved;
    // 1/R of both rails in parallel; its lower bound when the kind is short.
    struct ohmsplit_measured_t conductance_femtosiemens;
    // 1/Rp.
    struct ohmsplit_measured_t positive_femtosiemens;
    // 1/Rn.
    struct ohmsplit_measured_t negative_femtosiemens;
    // Both rails in parallel.
    struct ohmsplit_resistance_t isolation;
    // Where a single leak of this share would sit, 0 at N and 1,000,000 at P;
    // absent when no leak is resolved.
    struct ohmsplit_measured_t position_ppm;
} ohmsplit_share_t;

// Slow decline over days. The background task's.
typedef struct OHMSPLIT_ALIGNED(16) ohmsplit_trend_t {
    uint8_t opaque[OHMSPLIT_TREND_SIZE];
} ohmsplit_trend_t;

// The middle of what one span of time held.
typedef struct ohmsplit_point_t {
    // Number of the span: its start in seconds over its length.
    uint32_t span;
    // ln(R/Mohm) of the judged figure, times 2^24.
    int32_t ln_r;
} ohmsplit_point_t;

// A figure and its 95 % interval, in the unit of the field's name.
typedef struct ohmsplit_bounded_t {
    // Best estimate.
    int64_t value;
    // Lower end.
    int64_t low;
    // Upper end.
    int64_t high;
} ohmsplit_bounded_t;

// How isolation develops, with figures.
typedef struct ohmsplit_course_t {
    // One of ohmsplit_course_kind_t.
    int32_t kind;
    // Points that are known, at most 32.
    uint32_t points;
    // Slope of ln R in parts of 1e9 a day, less than zero when isolation
    // declines; absent when the spans are too few.
    struct ohmsplit_bounded_t slope_ppb_per_day;
    // Time until the warning limit is reached if it goes on so, 0 when it is
    // reached already; absent unless isolation declines.
    struct ohmsplit_bounded_t reach_second;
} ohmsplit_course_t;

// Event records in memory pages of the caller's. The background task's.
typedef struct OHMSPLIT_ALIGNED(16) ohmsplit_journal_t {
    uint8_t opaque[OHMSPLIT_JOURNAL_SIZE];
} ohmsplit_journal_t;

// Memory pages of the caller's, in flash for instance, each erased as a whole
// to 0xFF; a slot holds one record and is written once between two erasures.
// The functions return 0 when they did their work and anything else when the
// memory refused. They are called from journal calls only, in the context of
// these, and must not call on the same journal. Power may fail in any of them.
typedef struct ohmsplit_pages_t {
    // Handed to the functions, for the caller's use.
    void *context;
    // Number of pages, at least 2.
    uint32_t pages;
    // Slots of a page, at least 1.
    uint32_t slots;
    // Reads OHMSPLIT_RECORD_SIZE bytes.
    int32_t (*read)(void *context, uint32_t page, uint32_t slot, uint8_t *into);
    // Writes OHMSPLIT_RECORD_SIZE bytes to a slot that is free.
    int32_t (*write)(void *context, uint32_t page, uint32_t slot, const uint8_t *from);
    // Erases a page.
    int32_t (*erase)(void *context, uint32_t page);
} ohmsplit_pages_t;

// A verdict that was recorded.
typedef struct ohmsplit_judgement_t {
    // 1 when there is such a record, 0 when not; all else is then 0.
    int32_t known;
    // When it was recorded.
    uint32_t at_second;
    // One of ohmsplit_verdict_t.
    int32_t verdict;
    // One of ohmsplit_reason_t.
    int32_t verdict_reason;
    // One of ohmsplit_basis_t.
    int32_t basis;
    // One of ohmsplit_kind_t; figures are there unless it is none.
    int32_t kind;
    // Both rails in parallel, UINT32_MAX above that.
    uint32_t isolation_ohm;
    // The weaker rail, UINT32_MAX above that.
    uint32_t weakest_ohm;
    // Position in the stack, -1 when there is none.
    int32_t position_ppm;
    // Pack voltage.
    uint32_t pack_decivolt;
} ohmsplit_judgement_t;

// What the records tell after a reset: the newest of each kind.
typedef struct ohmsplit_history_t {
    // 1 when the permission is to start latched: an alarm was not
    // acknowledged, or it is not known. For ohmsplit_permit_restore.
    int32_t latched;
    // 1 when there is a record of what was connected, 0 when not.
    int32_t connected_known;
    // When that was.
    uint32_t connected_at_second;
    // A bit for each section that was connected last.
    uint32_t connected;
    // The newest verdict.
    struct ohmsplit_judgement_t verdict;
    // The newest alarm.
    struct ohmsplit_judgement_t alarm;
    // 1 when there is a record of a permission, 0 when not; it no longer holds.
    int32_t permission_known;
    // When that was.
    uint32_t permission_at_second;
    // The newest permission, withheld when there is no record.
    struct ohmsplit_answer_t permission;
} ohmsplit_history_t;

#ifdef __cplusplus
extern "C" {
#endif // __cplusplus

// Fills in `interface` and the defaults of timing and limits, and zeroes the
// rest: front end, parts, working voltage and the judged figure are to be
// set, and ohmsplit_config_init refuses zero in each of them.
//
// Pass OHMSPLIT_INTERFACE as `interface`.
ohmsplit_status_t ohmsplit_settings_default(struct ohmsplit_settings_t *settings,
                                            uint32_t interface);

// Checks the settings and makes the configuration that samplers and monitors
// read. The settings are not needed afterwards. The configuration must stay
// where it is, unchanged, as long as any of them is in use.
//
// Pass sizeof *config as `size`.
ohmsplit_status_t ohmsplit_config_init(struct ohmsplit_config_t *config,
                                       size_t size,
                                       const struct ohmsplit_settings_t *settings);

// Makes a sampler that has seen nothing, also out of one that was in use.
//
// Pass sizeof *sampler as `size`.
ohmsplit_status_t ohmsplit_sampler_init(struct ohmsplit_sampler_t *sampler,
                                        size_t size,
                                        const struct ohmsplit_config_t *config);

// INTERRUPT. Takes one sample. OHMSPLIT_BLOCK_READY when it completed a block,
// which is then in `block`; otherwise `block` is untouched.
//
// Samples whose time does not advance are taken as missing.
ohmsplit_status_t ohmsplit_sampler_push(struct ohmsplit_sampler_t *sampler,
                                        const struct ohmsplit_sample_t *sample,
                                        struct ohmsplit_block_t *block);

// INTERRUPT, or with it disabled. Ends the block under way and the sampler
// with it. OHMSPLIT_BLOCK_READY when there was a block, which is then in
// `block`.
ohmsplit_status_t ohmsplit_sampler_finish(struct ohmsplit_sampler_t *sampler,
                                          struct ohmsplit_block_t *block);

// Makes a monitor that has seen nothing, also out of one that was in use. Its
// verdict is undetermined, not yet measured.
//
// Pass sizeof *monitor as `size`.
ohmsplit_status_t ohmsplit_monitor_init(struct ohmsplit_monitor_t *monitor,
                                        size_t size,
                                        const struct ohmsplit_config_t *config);

// Background. Takes a block; it is not needed afterwards. Every block must
// come, in order. Step until OHMSPLIT_OK before the next one: a settling
// proof still under way when the next dwell ends is given up.
ohmsplit_status_t ohmsplit_monitor_accept(struct ohmsplit_monitor_t *monitor,
                                          const struct ohmsplit_block_t *block);

// Background. One slice of work of bounded length. OHMSPLIT_OK when there is
// none, OHMSPLIT_BUSY when more is waiting, OHMSPLIT_REPORT_READY when a
// dwell's report is in `report`; otherwise `report` is untouched.
ohmsplit_status_t ohmsplit_monitor_step(struct ohmsplit_monitor_t *monitor,
                                        struct ohmsplit_report_t *report);

// Background. Ends the dwell under way, and the monitor with it: it takes no
// more blocks. The dwell's report comes from the steps that follow. Call it
// after the block of ohmsplit_sampler_finish was accepted.
ohmsplit_status_t ohmsplit_monitor_finish(struct ohmsplit_monitor_t *monitor);

// Background. The drive state that the switches should take. It changes only
// in ohmsplit_monitor_accept, ohmsplit_monitor_step,
// ohmsplit_monitor_yield_bus and ohmsplit_monitor_resume_bus. Where something else
// leads the drive it need not be followed: the samples say what was driven.
ohmsplit_status_t ohmsplit_monitor_drive(struct ohmsplit_monitor_t *monitor,
                                         ohmsplit_drive_t *drive);

// Background. The verdict as it stands, and the ohmsplit_reason_t why it is
// undetermined, 0 when it is not.
ohmsplit_status_t ohmsplit_monitor_verdict(struct ohmsplit_monitor_t *monitor,
                                           ohmsplit_verdict_t *verdict,
                                           int32_t *reason);

// Background. What the self-diagnosis finds as it stands: bit n is
// ohmsplit_finding_t n.
ohmsplit_status_t ohmsplit_monitor_findings(struct ohmsplit_monitor_t *monitor, uint32_t *findings);

// Background. Leaves the bus to another monitor: the drive rests, blocks are
// not looked at, and the verdict is undetermined for that reason; an alarm
// stands. What was measured before is forgotten.
ohmsplit_status_t ohmsplit_monitor_yield_bus(struct ohmsplit_monitor_t *monitor);

// Background. Takes the bus back: the verdict stays undetermined until a new
// drive cycle is measured and confirmed; an alarm stands until then.
ohmsplit_status_t ohmsplit_monitor_resume_bus(struct ohmsplit_monitor_t *monitor);

// Makes a monitor that has seen nothing, also out of one that was in use. Its
// verdict is undetermined, not yet measured.
//
// Pass sizeof *monitor as `size`.
ohmsplit_status_t ohmsplit_swift_init(struct ohmsplit_swift_t *monitor,
                                      size_t size,
                                      const struct ohmsplit_config_t *config);

// Background. Takes a block; it is not needed afterwards. Every block must
// come, in order. Step until OHMSPLIT_OK before the next one: a settling
// proof still under way when the next dwell ends is given up.
ohmsplit_status_t ohmsplit_swift_accept(struct ohmsplit_swift_t *monitor,
                                        const struct ohmsplit_block_t *block);

// Background. One slice of work of bounded length. OHMSPLIT_OK when there is
// none, OHMSPLIT_BUSY when more is waiting, OHMSPLIT_REPORT_READY when a
// dwell's report is in `report`; otherwise `report` is untouched.
ohmsplit_status_t ohmsplit_swift_step(struct ohmsplit_swift_t *monitor,
                                      struct ohmsplit_report_t *report);

// Background. Ends the dwell under way, and the monitor with it: it takes no
// more blocks. The dwell's report comes from the steps that follow. Call it
// after the block of ohmsplit_sampler_finish was accepted.
ohmsplit_status_t ohmsplit_swift_finish(struct ohmsplit_swift_t *monitor);

// Background. The drive state that the switches should take. It changes only
// in ohmsplit_swift_accept, ohmsplit_swift_step,
// ohmsplit_swift_yield_bus and ohmsplit_swift_resume_bus. Where something else
// leads the drive it need not be followed: the samples say what was driven.
ohmsplit_status_t ohmsplit_swift_drive(struct ohmsplit_swift_t *monitor, ohmsplit_drive_t *drive);

// Background. The verdict as it stands, and the ohmsplit_reason_t why it is
// undetermined, 0 when it is not.
ohmsplit_status_t ohmsplit_swift_verdict(struct ohmsplit_swift_t *monitor,
                                         ohmsplit_verdict_t *verdict,
                                         int32_t *reason);

// Background. What the self-diagnosis finds as it stands: bit n is
// ohmsplit_finding_t n.
ohmsplit_status_t ohmsplit_swift_findings(struct ohmsplit_swift_t *monitor, uint32_t *findings);

// Background. Leaves the bus to another monitor: the drive rests, blocks are
// not looked at, and the verdict is undetermined for that reason; an alarm
// stands. What was measured before is forgotten.
ohmsplit_status_t ohmsplit_swift_yield_bus(struct ohmsplit_swift_t *monitor);

// Background. Takes the bus back: the verdict stays undetermined until a new
// drive cycle is measured and confirmed; an alarm stands until then.
ohmsplit_status_t ohmsplit_swift_resume_bus(struct ohmsplit_swift_t *monitor);

// Fills in the defaults.
ohmsplit_status_t ohmsplit_permit_rules_default(struct ohmsplit_rules_t *rules);

// Makes a permit of a system that was never in use: withheld, nothing is
// known. After a reset call ohmsplit_permit_restore instead.
//
// Pass sizeof *permit as `size`.
ohmsplit_status_t ohmsplit_permit_init(struct ohmsplit_permit_t *permit,
                                       size_t size,
                                       const struct ohmsplit_rules_t *rules);

// Makes a permit after a reset: withheld. `latched` is 1 when an alarm before
// the reset was not acknowledged, or it is not known whether there was one;
// ohmsplit_history_t tells it.
//
// Pass sizeof *permit as `size`.
ohmsplit_status_t ohmsplit_permit_restore(struct ohmsplit_permit_t *permit,
                                          size_t size,
                                          const struct ohmsplit_rules_t *rules,
                                          uint32_t now_second,
                                          int32_t latched);

// Background. Takes a report; every one must come. `now_second` is the time of
// a clock of the caller's, as in all calls of permit.
ohmsplit_status_t ohmsplit_permit_take(struct ohmsplit_permit_t *permit,
                                       uint32_t now_second,
                                       const struct ohmsplit_report_t *report);

// Background. Contactors are about to move, or have moved: withheld until
// there is fresh evidence.
ohmsplit_status_t ohmsplit_permit_network_changed(struct ohmsplit_permit_t *permit,
                                                  uint32_t now_second);

// Background. Somebody answers for the alarm. Evidence from before does not
// count.
ohmsplit_status_t ohmsplit_permit_acknowledge(struct ohmsplit_permit_t *permit,
                                              uint32_t now_second);

// Background. May the contactors close, now? OHMSPLIT_GRANTED is the only yes;
// OHMSPLIT_WITHHELD and every error are a no. `answer` says why and since when;
// an error leaves it as it was.
//
// It is about isolation alone, and no proof that a circuit is safe to touch.
ohmsplit_status_t ohmsplit_permit_ask(struct ohmsplit_permit_t *permit,
                                      uint32_t now_second,
                                      struct ohmsplit_answer_t *answer);

// Makes sections of which nothing is known. A section is a part of the
// network that contactors connect as a whole, both poles; the battery side is
// always connected. `connected` has bit k set when section k is, 0 to
// OHMSPLIT_SECTIONS_MAX - 1. Estimates further apart than `apart_max_second`
// are not compared: the leak itself may have changed in between.
//
// Pass sizeof *sections as `size`.
ohmsplit_status_t ohmsplit_sections_init(struct ohmsplit_sections_t *sections,
                                         size_t size,
                                         uint32_t connected,
                                         uint32_t apart_max_second);

// Background. Contactors have come to rest, and sampler and monitor were made
// anew since: nothing measured before describes the circuit now.
ohmsplit_status_t ohmsplit_sections_switched(struct ohmsplit_sections_t *sections,
                                             uint32_t connected);

// Background. Takes a report measured with what is connected now.
ohmsplit_status_t ohmsplit_sections_take(struct ohmsplit_sections_t *sections,
                                         uint32_t now_second,
                                         const struct ohmsplit_report_t *report);

// Background. What these sections leak together, bit by bit as in
// ohmsplit_sections_init; 0 is the battery side. `share` is filled whether
// there are figures or a reason.
ohmsplit_status_t ohmsplit_sections_share(struct ohmsplit_sections_t *sections,
                                          uint32_t of,
                                          struct ohmsplit_share_t *share);

// Makes a trend of which nothing is known. The warning limit is that of the
// configuration, which is not needed afterwards. `span_second` is the length
// of a span, by custom a day, 86,400; it is taken to be at least 60.
//
// Pass sizeof *trend as `size`.
ohmsplit_status_t ohmsplit_trend_init(struct ohmsplit_trend_t *trend,
                                      size_t size,
                                      const struct ohmsplit_config_t *config,
                                      uint32_t span_second);

// Background. Takes a report, at `now_second` of a clock that goes on through
// resets; one that went back starts everything anew. OHMSPLIT_POINT_READY when
// a span is over, whose point is then in `point`, to be kept for
// ohmsplit_trend_restore; otherwise `point` is untouched.
ohmsplit_status_t ohmsplit_trend_take(struct ohmsplit_trend_t *trend,
                                      uint32_t now_second,
                                      const struct ohmsplit_report_t *report,
                                      struct ohmsplit_point_t *point);

// Background. Takes a point again that was kept, oldest first, as after a
// reset. ohmsplit_journal_history does it for those in a journal.
ohmsplit_status_t ohmsplit_trend_restore(struct ohmsplit_trend_t *trend,
                                         const struct ohmsplit_point_t *point);

// Background. One slice of work of bounded length: OHMSPLIT_BUSY when more is
// waiting, OHMSPLIT_OK when not. Work comes with each point.
ohmsplit_status_t ohmsplit_trend_step(struct ohmsplit_trend_t *trend);

// Background. How isolation develops, as it is known at `now_second`.
ohmsplit_status_t ohmsplit_trend_course(struct ohmsplit_trend_t *trend,
                                        uint32_t now_second,
                                        struct ohmsplit_course_t *course);

// Finds the newest record in the pages: reads every slot once. The journal
// keeps a copy of `pages`, and its context. `gap_second` is the least time
// between two records of a kind that are not urgent, so that a verdict that
// flickers does not wear the memory out; 60 is a good start. When the memory
// refuses there is no journal.
//
// Pass sizeof *journal as `size`.
ohmsplit_status_t ohmsplit_journal_open(struct ohmsplit_journal_t *journal,
                                        size_t size,
                                        const struct ohmsplit_pages_t *pages,
                                        uint32_t gap_second);

// Background. What the records tell: reads every slot once. `trend` gets its
// points back; it is the one pointer that may be null, where there is no trend.
//
// When the memory refuses, take the latch as set and make the trend anew.
ohmsplit_status_t ohmsplit_journal_history(struct ohmsplit_journal_t *journal,
                                           struct ohmsplit_trend_t *trend,
                                           struct ohmsplit_history_t *history);

// Background. Records that the monitor began, with nothing measured.
// OHMSPLIT_RECORDED, as in the calls below when there was something to record.
ohmsplit_status_t ohmsplit_journal_started(struct ohmsplit_journal_t *journal, uint32_t now_second);

// Background. Records the verdict of a report: at once when it is worse than
// the one recorded last, otherwise when it changed and the gap is over. Give
// it every report.
ohmsplit_status_t ohmsplit_journal_report(struct ohmsplit_journal_t *journal,
                                          uint32_t now_second,
                                          const struct ohmsplit_report_t *report);

// Background. Records an answer of ohmsplit_permit_ask: at once when the
// alarm's latch changed, since a reset must not forget it, or when a
// permission was withdrawn. Give it every answer.
ohmsplit_status_t ohmsplit_journal_answer(struct ohmsplit_journal_t *journal,
                                          uint32_t now_second,
                                          const struct ohmsplit_answer_t *answer);

// Background. Records what is connected, bit by bit as in
// ohmsplit_sections_init.
ohmsplit_status_t ohmsplit_journal_switched(struct ohmsplit_journal_t *journal,
                                            uint32_t now_second,
                                            uint32_t connected);

// Background. Records a point of ohmsplit_trend_take.
ohmsplit_status_t ohmsplit_journal_point(struct ohmsplit_journal_t *journal,
                                         uint32_t now_second,
                                         const struct ohmsplit_point_t *point);

#ifdef __cplusplus
}  // extern "C"
#endif  // __cplusplus

#endif  /* OHMSPLIT_H */

/* The compiler lays the types out as the library does. */
#if defined(__cplusplus)
#define OHMSPLIT_ASSERT(condition) static_assert(condition, #condition)
#else
#define OHMSPLIT_ASSERT(condition) _Static_assert(condition, #condition)
#endif
OHMSPLIT_ASSERT(sizeof(ohmsplit_config_t) == OHMSPLIT_CONFIG_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_sampler_t) == OHMSPLIT_SAMPLER_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_block_t) == OHMSPLIT_BLOCK_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_monitor_t) == OHMSPLIT_MONITOR_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_swift_t) == OHMSPLIT_SWIFT_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_permit_t) == OHMSPLIT_PERMIT_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_sections_t) == OHMSPLIT_SECTIONS_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_trend_t) == OHMSPLIT_TREND_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_journal_t) == OHMSPLIT_JOURNAL_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_sample_t) == OHMSPLIT_SAMPLE_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_settings_t) == OHMSPLIT_SETTINGS_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_report_t) == OHMSPLIT_REPORT_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_rules_t) == OHMSPLIT_RULES_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_answer_t) == OHMSPLIT_ANSWER_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_share_t) == OHMSPLIT_SHARE_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_point_t) == OHMSPLIT_POINT_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_course_t) == OHMSPLIT_COURSE_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_judgement_t) == OHMSPLIT_JUDGEMENT_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_history_t) == OHMSPLIT_HISTORY_SIZE);
OHMSPLIT_ASSERT(sizeof(ohmsplit_status_t) == 4 && sizeof(ohmsplit_verdict_t) == 4);
#undef OHMSPLIT_ASSERT
