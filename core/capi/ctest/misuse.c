/*
 * Every misuse that the C interface tells, and that nothing is written beside
 * what a call is given. Needs POSIX, to interrupt a call where it is wanted.
 */
#define _DEFAULT_SOURCE
#include "misuse.h"

#include <signal.h>
#include <stdalign.h>
#include <sys/mman.h>
#include <unistd.h>

#define PAGE 65536

/* Handles with guards around them. */
#define GUARDED(type, name) static GUARDED_MEMORY(type) name

/* The configuration has pages of its own: see use_while_interrupted. */
static alignas(PAGE) union {
    ohmsplit_config_t handle;
    uint8_t page[PAGE];
} config;
GUARDED(ohmsplit_sampler_t, sampler);
GUARDED(MONITOR(t), monitor);
GUARDED(ohmsplit_block_t, block);
GUARDED(ohmsplit_report_t, report);
GUARDED(ohmsplit_settings_t, settings);

#define FOR_EACH_GUARDED(action)                                                                   \
    action(sampler) action(monitor) action(block) action(report) action(settings)

static ohmsplit_sample_t sample_at(uint32_t microsecond, int32_t drive) {
    ohmsplit_sample_t sample = {
        .at_microsecond = microsecond,
        .drive = drive,
        .codes = {40000, 45000},
    };
    return sample;
}

static ohmsplit_status_t config_init(void) {
    return ohmsplit_config_init(&config.handle, sizeof config.handle, &settings.handle);
}

static ohmsplit_status_t sampler_init(const ohmsplit_config_t *from) {
    return ohmsplit_sampler_init(&sampler.handle, sizeof sampler.handle, from);
}

static ohmsplit_status_t monitor_init(const ohmsplit_config_t *from) {
    return MONITOR(init)(&monitor.handle, sizeof monitor.handle, from);
}

static ohmsplit_status_t push(const ohmsplit_sample_t *sample) {
    return ohmsplit_sampler_push(&sampler.handle, sample, &block.handle);
}

static ohmsplit_status_t accept(const ohmsplit_block_t *from) {
    return MONITOR(accept)(&monitor.handle, from);
}

static const ohmsplit_sample_t raised = {
    .at_microsecond = 1,
    .drive = OHMSPLIT_DRIVE_RAISE,
    .codes = {40000, 45000},
};

static void good_settings(ohmsplit_settings_t *to) {
    EXPECT(OHMSPLIT_OK, ohmsplit_settings_default(to, OHMSPLIT_INTERFACE));
    ohmsplit_channel_t channel = {
        .bits = 16,
        .zero_code = 32768,
        .lowest_code = 2,
        .highest_code = 65533,
        .span_microvolt = 10000000,
        .divider_top_milliohm = 9900000000,
        .divider_bottom_milliohm = 100000000,
    };
    to->front_end = OHMSPLIT_FRONT_END_CHASSIS_AND_PACK;
    to->channels[0] = channel;
    to->channels[1] = channel;
    to->part_count = 1;
    to->parts[0].kind = OHMSPLIT_PART_SOURCE_TO_NEGATIVE;
    to->parts[0].resistance_milliohm = 1000000000;
    to->parts[0].high_microvolt = 40000000;
    to->working_voltage_microvolt = 400000000;
    to->judged = OHMSPLIT_JUDGED_WEAKEST_RAIL;
}

static void set_up(void) {
    good_settings(&settings.handle);
    EXPECT(OHMSPLIT_OK, config_init());
    EXPECT(OHMSPLIT_OK, sampler_init(&config.handle));
    EXPECT(OHMSPLIT_OK, monitor_init(&config.handle));
}

/* Samples of a millisecond from `from` on until a block is ready. */
static uint32_t until_block(uint32_t from, int32_t drive) {
    for (uint32_t at = from; at < from + 1000000; at += 1000) {
        ohmsplit_sample_t sample = sample_at(at, drive);
        ohmsplit_status_t status = push(&sample);
        if (status == OHMSPLIT_BLOCK_READY) {
            return at + 1000;
        }
        EXPECT(OHMSPLIT_OK, status);
    }
    expect(__FILE__, __LINE__, "until_block", 0, 1);
    return from;
}

static void null_pointers(void) {
    ohmsplit_config_t *c = &config.handle;
    ohmsplit_sampler_t *s = &sampler.handle;
    MONITOR(t) *m = &monitor.handle;
    ohmsplit_block_t *b = &block.handle;
    ohmsplit_drive_t drive;
    ohmsplit_verdict_t verdict;
    int32_t reason;
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_settings_default(NULL, OHMSPLIT_INTERFACE));
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_config_init(NULL, sizeof *c, &settings.handle));
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_config_init(c, sizeof *c, NULL));
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_sampler_init(NULL, sizeof *s, c));
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_sampler_init(s, sizeof *s, NULL));
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_sampler_push(NULL, &raised, b));
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_sampler_push(s, NULL, b));
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_sampler_push(s, &raised, NULL));
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_sampler_finish(NULL, b));
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_sampler_finish(s, NULL));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(init)(NULL, sizeof *m, c));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(init)(m, sizeof *m, NULL));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(accept)(NULL, b));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(accept)(m, NULL));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(step)(NULL, &report.handle));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(step)(m, NULL));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(finish)(NULL));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(drive)(NULL, &drive));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(drive)(m, NULL));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(verdict)(NULL, &verdict, &reason));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(verdict)(m, NULL, &reason));
    EXPECT(OHMSPLIT_ERROR_NULL, MONITOR(verdict)(m, &verdict, NULL));
}

static void misaligned_pointers(void) {
    ohmsplit_config_t *c = &config.handle;
    ohmsplit_sampler_t *s = &sampler.handle;
    MONITOR(t) *m = &monitor.handle;
    ohmsplit_block_t *b = &block.handle;
    ohmsplit_verdict_t verdict;
    int32_t reason;
    /* A place that is misaligned for every type, made where the compiler does not look. */
    static uint8_t memory[32768];
    volatile uintptr_t address = ((uintptr_t)memory | 15) + 2;
    void *odd = (void *)address;
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, ohmsplit_settings_default(odd, OHMSPLIT_INTERFACE));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, ohmsplit_config_init(odd, sizeof *c, &settings.handle));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, ohmsplit_config_init(c, sizeof *c, odd));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, ohmsplit_sampler_init(odd, sizeof *s, c));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, ohmsplit_sampler_init(s, sizeof *s, odd));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, ohmsplit_sampler_push(odd, &raised, b));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, ohmsplit_sampler_push(s, odd, b));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, ohmsplit_sampler_push(s, &raised, odd));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, ohmsplit_sampler_finish(odd, b));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, ohmsplit_sampler_finish(s, odd));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(init)(odd, sizeof *m, c));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(init)(m, sizeof *m, odd));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(accept)(odd, b));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(accept)(m, odd));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(step)(odd, &report.handle));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(step)(m, odd));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(finish)(odd));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(drive)(odd, &reason));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(drive)(m, odd));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(verdict)(odd, &verdict, &reason));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(verdict)(m, odd, &reason));
    EXPECT(OHMSPLIT_ERROR_MISALIGNED, MONITOR(verdict)(m, &verdict, odd));
}

static void wrong_sizes_and_versions(void) {
    EXPECT(OHMSPLIT_ERROR_SIZE, ohmsplit_config_init(&config.handle, 0, &settings.handle));
    EXPECT(OHMSPLIT_ERROR_SIZE, ohmsplit_config_init(&config.handle, 64, &settings.handle));
    EXPECT(OHMSPLIT_ERROR_SIZE, ohmsplit_sampler_init(&sampler.handle, 16, &config.handle));
    MONITOR(t) *m = &monitor.handle;
    EXPECT(OHMSPLIT_ERROR_SIZE, MONITOR(init)(m, sizeof sampler.handle, &config.handle));
    ohmsplit_settings_t *s = &settings.handle;
    EXPECT(OHMSPLIT_ERROR_INTERFACE, ohmsplit_settings_default(s, OHMSPLIT_INTERFACE + 1));
    ohmsplit_settings_t other = settings.handle;
    other.interface--;
    ohmsplit_config_t *c = &config.handle;
    EXPECT(OHMSPLIT_ERROR_INTERFACE, ohmsplit_config_init(c, sizeof *c, &other));
}

static void not_initialised(void) {
    static ohmsplit_config_t no_config;
    static ohmsplit_sampler_t no_sampler;
    static MONITOR(t) no_monitor;
    static ohmsplit_block_t no_block;
    ohmsplit_drive_t drive;
    ohmsplit_verdict_t verdict;
    int32_t reason;
    int32_t wanted = OHMSPLIT_ERROR_NOT_INITIALISED;
    EXPECT(wanted, sampler_init(&no_config));
    EXPECT(wanted, monitor_init(&no_config));
    EXPECT(wanted, ohmsplit_sampler_push(&no_sampler, &raised, &block.handle));
    EXPECT(wanted, ohmsplit_sampler_finish(&no_sampler, &block.handle));
    EXPECT(wanted, accept(&no_block));
    EXPECT(wanted, MONITOR(step)(&no_monitor, &report.handle));
    EXPECT(wanted, MONITOR(finish)(&no_monitor));
    EXPECT(wanted, MONITOR(drive)(&no_monitor, &drive));
    EXPECT(wanted, MONITOR(verdict)(&no_monitor, &verdict, &reason));
    /* A handle of another kind. */
    void *a_monitor = &monitor.handle;
    EXPECT(wanted, ohmsplit_sampler_push(a_monitor, &raised, &block.handle));
    void *a_sampler = &sampler.handle;
    EXPECT(wanted, accept(a_sampler));
    /* A configuration that was refused does not make one. */
    ohmsplit_settings_t bad = settings.handle;
    bad.judged = 0;
    EXPECT(OHMSPLIT_ERROR_JUDGED, ohmsplit_config_init(&no_config, sizeof no_config, &bad));
    EXPECT(wanted, monitor_init(&no_config));
}

static void unknown_drive(void) {
    int32_t codes[] = {-1, 4, INT32_MAX, INT32_MIN};
    for (size_t i = 0; i < sizeof codes / sizeof *codes; i++) {
        ohmsplit_sample_t sample = {.drive = codes[i]};
        EXPECT(OHMSPLIT_ERROR_DRIVE, push(&sample));
    }
}

/* Each rule of the configuration, broken alone. */
#define REFUSED(status, change)                                                                    \
    do {                                                                                           \
        ohmsplit_settings_t s;                                                                     \
        good_settings(&s);                                                                         \
        change;                                                                                    \
        expect(__FILE__, __LINE__, #change, ohmsplit_config_init(&other, sizeof other, &s), status);         \
    } while (0)

static void fill_parts(ohmsplit_settings_t *to) {
    to->part_count = OHMSPLIT_PARTS_MAX;
    for (int i = 1; i < OHMSPLIT_PARTS_MAX; i++) {
        to->parts[i] = to->parts[0];
    }
}

static void broken_rules(void) {
    static ohmsplit_config_t other;
    REFUSED(OHMSPLIT_OK, (void)s);
    REFUSED(OHMSPLIT_OK, s.front_end = OHMSPLIT_FRONT_END_RAIL_PAIR);
    REFUSED(OHMSPLIT_ERROR_FRONT_END, s.front_end = 0);
    REFUSED(OHMSPLIT_ERROR_FRONT_END, s.front_end = 3);
    REFUSED(OHMSPLIT_ERROR_PART_KIND, s.parts[0].kind = 0);
    REFUSED(OHMSPLIT_ERROR_PART_KIND, s.parts[0].kind = 10);
    REFUSED(OHMSPLIT_ERROR_JUDGED, s.judged = 0);
    REFUSED(OHMSPLIT_ERROR_JUDGED, s.judged = 3);
    REFUSED(OHMSPLIT_ERROR_DRIVE, s.cycle[1] = 4);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.channels[0].span_microvolt = INT64_MAX);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.channels[1].span_microvolt = 2000000000000000);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.channels[0].offset_microvolt = INT64_MIN);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.channels[0].divider_top_milliohm = INT64_MAX);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.parts[0].resistance_milliohm = INT64_MAX);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.parts[0].high_microvolt = INT64_MAX);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.capacitance_max_picofarad = INT64_MAX);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.working_voltage_microvolt = INT64_MAX);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.reading_lag_nanosecond = INT64_MAX);
    REFUSED(OHMSPLIT_OK, s.reading_lag_nanosecond = OHMSPLIT_ABSENT);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.confirmations = 0);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.confirmations = 256);
    REFUSED(OHMSPLIT_ERROR_OUT_OF_RANGE, s.check_cycles = 256);
    REFUSED(OHMSPLIT_OK, s.check_cycles = 255);
    REFUSED(OHMSPLIT_OK, s.check_cycles = OHMSPLIT_CHECK_AT_START);
    REFUSED(OHMSPLIT_ERROR_CYCLE_TOO_LONG, s.cycle_count = OHMSPLIT_CYCLE_MAX + 1);
    REFUSED(OHMSPLIT_ERROR_CYCLE_TOO_LONG, s.cycle_count = UINT32_MAX);
    REFUSED(OHMSPLIT_ERROR_TOO_MANY_PARTS, s.part_count = OHMSPLIT_PARTS_MAX + 1);
    REFUSED(OHMSPLIT_ERROR_TOO_MANY_PARTS, s.part_count = UINT32_MAX);
    /* Six parts and the divider of the chassis channel are seven. */
    REFUSED(OHMSPLIT_ERROR_TOO_MANY_PARTS, fill_parts(&s));
    REFUSED(OHMSPLIT_ERROR_RESISTANCE_NOT_POSITIVE, s.parts[0].resistance_milliohm = 0);
    REFUSED(OHMSPLIT_ERROR_RESISTANCE_NOT_POSITIVE, s.parts[0].resistance_milliohm = -5);
    REFUSED(OHMSPLIT_ERROR_RESISTANCE_NOT_POSITIVE, s.channels[0].divider_top_milliohm = -5);
    REFUSED(OHMSPLIT_ERROR_RESISTANCE_NOT_POSITIVE, s.channels[1].divider_bottom_milliohm = 0);
    REFUSED(OHMSPLIT_ERROR_CHANNEL_WITHOUT_RANGE, s.channels[0].bits = 0);
    REFUSED(OHMSPLIT_ERROR_CHANNEL_WITHOUT_RANGE, s.channels[0].bits = 33);
    REFUSED(OHMSPLIT_ERROR_CHANNEL_WITHOUT_RANGE, s.channels[0].bits = 256 + 16);
    REFUSED(OHMSPLIT_ERROR_CHANNEL_WITHOUT_RANGE, s.channels[0].span_microvolt = 0);
    REFUSED(OHMSPLIT_ERROR_CHANNEL_LIMITS_CROSSED, s.channels[1].lowest_code = 65533);
    REFUSED(OHMSPLIT_ERROR_BLOCK_OUT_OF_RANGE, s.block_microsecond = 99);
    REFUSED(OHMSPLIT_ERROR_BLOCK_OUT_OF_RANGE, s.block_microsecond = 10000001);
    REFUSED(OHMSPLIT_ERROR_DWELL_OUT_OF_RANGE, s.dwell_min_microsecond = 8 * 20000 - 1);
    REFUSED(OHMSPLIT_ERROR_DWELL_OUT_OF_RANGE, s.dwell_max_microsecond = 499999);
    REFUSED(OHMSPLIT_ERROR_CYCLE_WITHOUT_STIMULUS, s.cycle_count = 1);
    REFUSED(OHMSPLIT_ERROR_CYCLE_WITHOUT_STIMULUS, s.cycle[1] = s.cycle[0]);
    REFUSED(OHMSPLIT_ERROR_CYCLE_WITHOUT_STIMULUS, s.part_count = 0);
    REFUSED(OHMSPLIT_ERROR_CAPACITANCE_NOT_POSITIVE, s.capacitance_max_picofarad = 0);
    REFUSED(OHMSPLIT_ERROR_WORKING_VOLTAGE_NOT_POSITIVE, s.working_voltage_microvolt = 0);
    REFUSED(OHMSPLIT_ERROR_LIMITS_CROSSED, s.alarm_ohm_per_volt = 0);
    REFUSED(OHMSPLIT_ERROR_LIMITS_CROSSED, s.warning_ohm_per_volt = 99);
    REFUSED(OHMSPLIT_ERROR_NEGATIVE_UNCERTAINTY, s.reading_lag_uncertainty_nanosecond = -1);
    REFUSED(OHMSPLIT_ERROR_SKEW_OUT_OF_RANGE, s.sampling_skew_nanosecond = -20000000);
    REFUSED(OHMSPLIT_ERROR_CHECK_STATE, s.cycle[1] = OHMSPLIT_DRIVE_CHECK);
    REFUSED(OHMSPLIT_ERROR_NEGATIVE_UNCERTAINTY, s.channels[0].offset_uncertainty_microvolt = -1);
}

/* A misused call leaves the handles as they were, byte for byte. */
static void misuse_changes_nothing(void) {
    set_up();
    uint32_t at = until_block(0, OHMSPLIT_DRIVE_RAISE);
    EXPECT(OHMSPLIT_OK, accept(&block.handle));
    (void)until_block(at, OHMSPLIT_DRIVE_RAISE);
    ohmsplit_sampler_t sampler_before = sampler.handle;
    MONITOR(t) monitor_before = monitor.handle;
    ohmsplit_block_t block_before = block.handle;
    ohmsplit_settings_t settings_before = settings.handle;
    null_pointers();
    misaligned_pointers();
    wrong_sizes_and_versions();
    not_initialised();
    unknown_drive();
    EXPECT(0, memcmp(&sampler_before, &sampler.handle, sizeof sampler_before));
    EXPECT(0, memcmp(&monitor_before, &monitor.handle, sizeof monitor_before));
    EXPECT(0, memcmp(&block_before, &block.handle, sizeof block_before));
    EXPECT(0, memcmp(&settings_before, &settings.handle, sizeof settings_before));
    EXPECT(OHMSPLIT_OK, accept(&block.handle));
}

/* Steps while there is more to do; what then comes. */
static ohmsplit_status_t work(void) {
    ohmsplit_status_t status;
    do {
        status = MONITOR(step)(&monitor.handle, &report.handle);
    } while (status == OHMSPLIT_BUSY);
    return status;
}

static void lost_blocks(void) {
    set_up();
    uint32_t at = until_block(0, OHMSPLIT_DRIVE_RAISE);
    ohmsplit_block_t first = block.handle;
    at = until_block(at, OHMSPLIT_DRIVE_RAISE);
    ohmsplit_block_t second = block.handle;
    at = until_block(at, OHMSPLIT_DRIVE_RAISE);
    ohmsplit_block_t third = block.handle;
    EXPECT(OHMSPLIT_OK, accept(&first));
    EXPECT(OHMSPLIT_ERROR_BLOCK_LOST, accept(&third));
    EXPECT(OHMSPLIT_ERROR_BLOCK_LOST, accept(&second));
    EXPECT(OHMSPLIT_OK, accept(&third));
    EXPECT(OHMSPLIT_ERROR_BLOCK_LOST, accept(&third));
    (void)until_block(at, OHMSPLIT_DRIVE_RAISE);
    EXPECT(OHMSPLIT_OK, accept(&block.handle));
    /* What was before the gap is forgotten, and what came after it says so. */
    EXPECT(OHMSPLIT_OK, MONITOR(finish)(&monitor.handle));
    EXPECT(OHMSPLIT_REPORT_READY, work());
    EXPECT(OHMSPLIT_REASON_SAMPLES_MISSING, report.handle.reading_reason);
    EXPECT(OHMSPLIT_VERDICT_UNDETERMINED, report.handle.verdict);
    EXPECT(OHMSPLIT_OK, work());
}

static void finished(void) {
    set_up();
    (void)until_block(0, OHMSPLIT_DRIVE_RAISE);
    EXPECT(OHMSPLIT_OK, accept(&block.handle));
    EXPECT(OHMSPLIT_BLOCK_READY, ohmsplit_sampler_finish(&sampler.handle, &block.handle));
    EXPECT(OHMSPLIT_ERROR_FINISHED, ohmsplit_sampler_finish(&sampler.handle, &block.handle));
    EXPECT(OHMSPLIT_ERROR_FINISHED, push(&raised));
    EXPECT(OHMSPLIT_OK, accept(&block.handle));
    EXPECT(OHMSPLIT_OK, MONITOR(finish)(&monitor.handle));
    EXPECT(OHMSPLIT_ERROR_FINISHED, MONITOR(finish)(&monitor.handle));
    EXPECT(OHMSPLIT_ERROR_FINISHED, accept(&block.handle));
    /* One dwell of one block and a bit: too short. */
    EXPECT(OHMSPLIT_REPORT_READY, work());
    EXPECT(OHMSPLIT_REASON_RECORD_TOO_SHORT, report.handle.reading_reason);
    EXPECT(1, report.handle.isolation.low_milliohm == OHMSPLIT_ABSENT);
    EXPECT(OHMSPLIT_OK, work());
    EXPECT(OHMSPLIT_OK, sampler_init(&config.handle));
    EXPECT(OHMSPLIT_OK, push(&raised));
}

/*
 * An interrupt in the middle of a call: the configuration is made unreadable,
 * so that the call stops where it reads it, with its handle in use.
 */
static volatile sig_atomic_t interrupts;
static int32_t seen_by_interrupt[2];

static void interrupt(int signal_number) {
    (void)signal_number;
    ohmsplit_drive_t drive;
    mprotect(&config, sizeof config, PROT_READ | PROT_WRITE);
    interrupts++;
    seen_by_interrupt[0] = MONITOR(drive)(&monitor.handle, &drive);
    seen_by_interrupt[1] = MONITOR(finish)(&monitor.handle);
}

static void use_while_interrupted(void) {
    set_up();
    (void)until_block(0, OHMSPLIT_DRIVE_RAISE);
    struct sigaction action = {.sa_handler = interrupt};
    sigaction(SIGSEGV, &action, NULL);
    mprotect(&config, sizeof config, PROT_NONE);
    EXPECT(OHMSPLIT_OK, accept(&block.handle));
    EXPECT(1, interrupts);
    EXPECT(OHMSPLIT_ERROR_IN_USE, seen_by_interrupt[0]);
    EXPECT(OHMSPLIT_ERROR_IN_USE, seen_by_interrupt[1]);
    /* Not finished by the call that was kept out. */
    EXPECT(OHMSPLIT_OK, MONITOR(finish)(&monitor.handle));
    signal(SIGSEGV, SIG_DFL);
}

int main(void) {
    FOR_EACH_GUARDED(SET_GUARD)
    misuse_changes_nothing();
    broken_rules();
    lost_blocks();
    finished();
    use_while_interrupted();
    FOR_EACH_GUARDED(CHECK_GUARD)
    if (failures == 0) {
        puts("every misuse was told");
    }
    return failures != 0;
}
