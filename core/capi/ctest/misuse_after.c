/*
 * Every misuse of permission, sections, trend and journal that the C interface
 * tells, what memory that fails leads to, and that nothing is written beside
 * what a call is given.
 */
#include "misuse.h"

#define PAGES 3
#define SLOTS 2

#define GUARDED(type, name)                                                                        \
    static GUARDED_MEMORY(type) name##_memory;                                                     \
    static type *const name = &name##_memory.handle

GUARDED(ohmsplit_permit_t, permit);
GUARDED(ohmsplit_sections_t, sections);
GUARDED(ohmsplit_trend_t, trend);
GUARDED(ohmsplit_journal_t, journal);
GUARDED(ohmsplit_answer_t, answer);
GUARDED(ohmsplit_share_t, share);
GUARDED(ohmsplit_course_t, course);
GUARDED(ohmsplit_history_t, history);
GUARDED(ohmsplit_point_t, point);
GUARDED(ohmsplit_rules_t, rules);

#define FOR_EACH_GUARDED(action)                                                                   \
    action(permit) action(sections) action(trend) action(journal) action(answer) action(share)     \
        action(course) action(history) action(point) action(rules)
#define SET_GUARDS(name) SET_GUARD(name##_memory)
#define CHECK_GUARDS(name) CHECK_GUARD(name##_memory)

static ohmsplit_config_t config;
static ohmsplit_report_t report;

/* The memory of the journal, and how it is to fail. */
static struct {
    uint8_t slots[PAGES][SLOTS][OHMSPLIT_RECORD_SIZE];
    int refuses_read, refuses_write, refuses_erase, forgets, calls;
    int32_t seen_by_read[2];
} flash;

static int32_t read_slot(void *context, uint32_t page, uint32_t slot, uint8_t *into) {
    EXPECT(1, context == &flash);
    /* A call on the journal from within one. */
    if (flash.calls) {
        flash.seen_by_read[0] = ohmsplit_journal_started(journal, 1);
        flash.seen_by_read[1] = ohmsplit_journal_history(journal, NULL, history);
    }
    if (flash.refuses_read) {
        return 1;
    }
    memcpy(into, flash.slots[page][slot], OHMSPLIT_RECORD_SIZE);
    return 0;
}

static int32_t write_slot(void *context, uint32_t page, uint32_t slot, const uint8_t *from) {
    EXPECT(1, context == &flash);
    if (flash.refuses_write) {
        return -1;
    }
    memcpy(flash.slots[page][slot], from, flash.forgets ? 5 : OHMSPLIT_RECORD_SIZE);
    return 0;
}

static int32_t erase_page(void *context, uint32_t page) {
    EXPECT(1, context == &flash);
    if (flash.refuses_erase) {
        return 7;
    }
    memset(flash.slots[page], 0xFF, sizeof flash.slots[page]);
    return 0;
}

static ohmsplit_pages_t good_pages(void) {
    ohmsplit_pages_t pages = {
        .context = &flash,
        .pages = PAGES,
        .slots = SLOTS,
        .read = read_slot,
        .write = write_slot,
        .erase = erase_page,
    };
    return pages;
}

static ohmsplit_status_t open_journal(void) {
    ohmsplit_pages_t pages = good_pages();
    return ohmsplit_journal_open(journal, sizeof *journal, &pages, 60);
}

static void make_config(void) {
    static ohmsplit_settings_t settings;
    EXPECT(OHMSPLIT_OK, ohmsplit_settings_default(&settings, OHMSPLIT_INTERFACE));
    ohmsplit_channel_t channel = {
        .bits = 16,
        .zero_code = 32768,
        .lowest_code = 2,
        .highest_code = 65533,
        .span_microvolt = 2000000000,
    };
    settings.front_end = OHMSPLIT_FRONT_END_CHASSIS_AND_PACK;
    settings.channels[0] = channel;
    settings.channels[1] = channel;
    settings.part_count = 1;
    settings.parts[0].kind = OHMSPLIT_PART_SOURCE_TO_NEGATIVE;
    settings.parts[0].resistance_milliohm = 1000000000;
    settings.parts[0].high_microvolt = 40000000;
    settings.working_voltage_microvolt = 400000000;
    settings.judged = OHMSPLIT_JUDGED_WEAKEST_RAIL;
    EXPECT(OHMSPLIT_OK, ohmsplit_config_init(&config, sizeof config, &settings));
}

/* The first report that a monitor makes: of a dwell cut short, undetermined. */
static void make_report(void) {
    static ohmsplit_sampler_t sampler;
    static MONITOR(t) monitor;
    static ohmsplit_block_t block;
    EXPECT(OHMSPLIT_OK, ohmsplit_sampler_init(&sampler, sizeof sampler, &config));
    EXPECT(OHMSPLIT_OK, MONITOR(init)(&monitor, sizeof monitor, &config));
    ohmsplit_sample_t sample = {.drive = OHMSPLIT_DRIVE_RAISE, .codes = {40000, 45875}};
    EXPECT(OHMSPLIT_OK, ohmsplit_sampler_push(&sampler, &sample, &block));
    EXPECT(OHMSPLIT_BLOCK_READY, ohmsplit_sampler_finish(&sampler, &block));
    EXPECT(OHMSPLIT_OK, MONITOR(accept)(&monitor, &block));
    EXPECT(OHMSPLIT_OK, MONITOR(finish)(&monitor));
    ohmsplit_status_t status;
    do {
        status = MONITOR(step)(&monitor, &report);
    } while (status == OHMSPLIT_BUSY);
    EXPECT(OHMSPLIT_REPORT_READY, status);
}

static void set_up(void) {
    memset(&flash, 0, sizeof flash);
    memset(flash.slots, 0xFF, sizeof flash.slots);
    EXPECT(OHMSPLIT_OK, ohmsplit_permit_rules_default(rules));
    EXPECT(OHMSPLIT_OK, ohmsplit_permit_init(permit, sizeof *permit, rules));
    EXPECT(OHMSPLIT_OK, ohmsplit_sections_init(sections, sizeof *sections, 0, 100));
    EXPECT(OHMSPLIT_OK, ohmsplit_trend_init(trend, sizeof *trend, &config, 86400));
    EXPECT(OHMSPLIT_OK, open_journal());
}

static void bad_pointers(int32_t wanted, void *bad) {
    ohmsplit_answer_t said = {.cause = OHMSPLIT_WITHHELD_ALARM};
    ohmsplit_pages_t pages = good_pages();
    EXPECT(wanted, ohmsplit_permit_rules_default(bad));
    EXPECT(wanted, ohmsplit_permit_init(bad, sizeof *permit, rules));
    EXPECT(wanted, ohmsplit_permit_init(permit, sizeof *permit, bad));
    EXPECT(wanted, ohmsplit_permit_restore(bad, sizeof *permit, rules, 0, 1));
    EXPECT(wanted, ohmsplit_permit_restore(permit, sizeof *permit, bad, 0, 1));
    EXPECT(wanted, ohmsplit_permit_take(bad, 0, &report));
    EXPECT(wanted, ohmsplit_permit_take(permit, 0, bad));
    EXPECT(wanted, ohmsplit_permit_network_changed(bad, 0));
    EXPECT(wanted, ohmsplit_permit_acknowledge(bad, 0));
    EXPECT(wanted, ohmsplit_permit_ask(bad, 0, answer));
    EXPECT(wanted, ohmsplit_permit_ask(permit, 0, bad));
    EXPECT(wanted, ohmsplit_sections_init(bad, sizeof *sections, 0, 1));
    EXPECT(wanted, ohmsplit_sections_switched(bad, 0));
    EXPECT(wanted, ohmsplit_sections_take(bad, 0, &report));
    EXPECT(wanted, ohmsplit_sections_take(sections, 0, bad));
    EXPECT(wanted, ohmsplit_sections_share(bad, 0, share));
    EXPECT(wanted, ohmsplit_sections_share(sections, 0, bad));
    EXPECT(wanted, ohmsplit_trend_init(bad, sizeof *trend, &config, 60));
    EXPECT(wanted, ohmsplit_trend_init(trend, sizeof *trend, bad, 60));
    EXPECT(wanted, ohmsplit_trend_take(bad, 0, &report, point));
    EXPECT(wanted, ohmsplit_trend_take(trend, 0, bad, point));
    EXPECT(wanted, ohmsplit_trend_take(trend, 0, &report, bad));
    EXPECT(wanted, ohmsplit_trend_restore(bad, point));
    EXPECT(wanted, ohmsplit_trend_restore(trend, bad));
    EXPECT(wanted, ohmsplit_trend_step(bad));
    EXPECT(wanted, ohmsplit_trend_course(bad, 0, course));
    EXPECT(wanted, ohmsplit_trend_course(trend, 0, bad));
    EXPECT(wanted, ohmsplit_journal_open(bad, sizeof *journal, &pages, 60));
    EXPECT(wanted, ohmsplit_journal_open(journal, sizeof *journal, bad, 60));
    EXPECT(wanted, ohmsplit_journal_history(bad, trend, history));
    EXPECT(wanted, ohmsplit_journal_history(journal, trend, bad));
    EXPECT(wanted, ohmsplit_journal_started(bad, 0));
    EXPECT(wanted, ohmsplit_journal_report(bad, 0, &report));
    EXPECT(wanted, ohmsplit_journal_report(journal, 0, bad));
    EXPECT(wanted, ohmsplit_journal_answer(bad, 0, &said));
    EXPECT(wanted, ohmsplit_journal_answer(journal, 0, bad));
    EXPECT(wanted, ohmsplit_journal_switched(bad, 0, 0));
    EXPECT(wanted, ohmsplit_journal_point(bad, 0, point));
    EXPECT(wanted, ohmsplit_journal_point(journal, 0, bad));
}

static void wrong_sizes(void) {
    ohmsplit_pages_t pages = good_pages();
    EXPECT(OHMSPLIT_ERROR_SIZE, ohmsplit_permit_init(permit, 8, rules));
    EXPECT(OHMSPLIT_ERROR_SIZE, ohmsplit_permit_restore(permit, 8, rules, 0, 0));
    EXPECT(OHMSPLIT_ERROR_SIZE, ohmsplit_sections_init(sections, 64, 0, 1));
    EXPECT(OHMSPLIT_ERROR_SIZE, ohmsplit_trend_init(trend, 64, &config, 60));
    EXPECT(OHMSPLIT_ERROR_SIZE, ohmsplit_journal_open(journal, 16, &pages, 60));
}

static void functions_that_are_missing(void) {
    ohmsplit_pages_t pages = good_pages();
    pages.read = NULL;
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_journal_open(journal, sizeof *journal, &pages, 60));
    pages = good_pages();
    pages.write = NULL;
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_journal_open(journal, sizeof *journal, &pages, 60));
    pages = good_pages();
    pages.erase = NULL;
    EXPECT(OHMSPLIT_ERROR_NULL, ohmsplit_journal_open(journal, sizeof *journal, &pages, 60));
    pages = good_pages();
    pages.pages = 1;
    int32_t small = OHMSPLIT_ERROR_MEMORY_TOO_SMALL;
    EXPECT(small, ohmsplit_journal_open(journal, sizeof *journal, &pages, 60));
    pages = good_pages();
    pages.slots = 0;
    EXPECT(small, ohmsplit_journal_open(journal, sizeof *journal, &pages, 60));
}

static void not_initialised(void) {
    static ohmsplit_permit_t no_permit;
    static ohmsplit_sections_t no_sections;
    static ohmsplit_trend_t no_trend;
    static ohmsplit_journal_t no_journal;
    static ohmsplit_config_t no_config;
    int32_t wanted = OHMSPLIT_ERROR_NOT_INITIALISED;
    EXPECT(wanted, ohmsplit_permit_take(&no_permit, 0, &report));
    EXPECT(wanted, ohmsplit_permit_ask(&no_permit, 0, answer));
    EXPECT(wanted, ohmsplit_sections_share(&no_sections, 0, share));
    EXPECT(wanted, ohmsplit_trend_init(trend, sizeof *trend, &no_config, 60));
    EXPECT(wanted, ohmsplit_trend_step(&no_trend));
    EXPECT(wanted, ohmsplit_journal_started(&no_journal, 0));
    EXPECT(wanted, ohmsplit_journal_history(journal, &no_trend, history));
    /* A handle of another kind. */
    void *a_trend = trend;
    EXPECT(wanted, ohmsplit_permit_ask(a_trend, 0, answer));
}

static void out_of_range(void) {
    int32_t wanted = OHMSPLIT_ERROR_OUT_OF_RANGE;
    ohmsplit_rules_t bad = *rules;
    bad.dwells = 0;
    EXPECT(wanted, ohmsplit_permit_init(permit, sizeof *permit, &bad));
    bad.dwells = 256;
    EXPECT(wanted, ohmsplit_permit_init(permit, sizeof *permit, &bad));
    bad = *rules;
    bad.on_warning = 2;
    EXPECT(wanted, ohmsplit_permit_init(permit, sizeof *permit, &bad));
    EXPECT(wanted, ohmsplit_permit_restore(permit, sizeof *permit, rules, 0, -1));
    EXPECT(wanted, ohmsplit_sections_init(sections, sizeof *sections, 256, 1));
    EXPECT(wanted, ohmsplit_sections_switched(sections, UINT32_MAX));
    EXPECT(wanted, ohmsplit_sections_share(sections, 256, share));
    EXPECT(wanted, ohmsplit_journal_switched(journal, 0, 256));
}

/* A report and an answer with a code that is none of its list. */
static void not_filled(void) {
    static const ohmsplit_report_t never;
    static const ohmsplit_answer_t nothing;
    int32_t wanted = OHMSPLIT_ERROR_NOT_FILLED;
    EXPECT(wanted, ohmsplit_permit_take(permit, 0, &never));
    EXPECT(wanted, ohmsplit_sections_take(sections, 0, &never));
    EXPECT(wanted, ohmsplit_trend_take(trend, 0, &never, point));
    EXPECT(wanted, ohmsplit_journal_report(journal, 0, &never));
    EXPECT(wanted, ohmsplit_journal_answer(journal, 0, &nothing));
    ohmsplit_report_t bad = report;
    bad.verdict = 4;
    EXPECT(wanted, ohmsplit_permit_take(permit, 0, &bad));
    /* Undetermined without a reason, healthy with one. */
    bad = report;
    bad.verdict_reason = 0;
    EXPECT(wanted, ohmsplit_permit_take(permit, 0, &bad));
    bad = report;
    bad.verdict = OHMSPLIT_VERDICT_HEALTHY;
    EXPECT(wanted, ohmsplit_permit_take(permit, 0, &bad));
    /* A figure without figures. */
    bad = report;
    bad.kind = OHMSPLIT_KIND_FIGURE;
    EXPECT(wanted, ohmsplit_permit_take(permit, 0, &bad));
    /* Granted for a cause. */
    ohmsplit_answer_t odd = {.granted = 1, .cause = OHMSPLIT_WITHHELD_ALARM};
    EXPECT(wanted, ohmsplit_journal_answer(journal, 0, &odd));
    EXPECT(OHMSPLIT_OK, ohmsplit_permit_take(permit, 0, &report));
}

static void misuse_changes_nothing(void) {
    set_up();
    EXPECT(OHMSPLIT_RECORDED, ohmsplit_journal_started(journal, 0));
    memset(answer, 0x5A, sizeof *answer);
    ohmsplit_permit_t permit_before = *permit;
    ohmsplit_sections_t sections_before = *sections;
    ohmsplit_trend_t trend_before = *trend;
    ohmsplit_journal_t journal_before = *journal;
    ohmsplit_answer_t answer_before = *answer;
    static uint8_t memory[4096];
    volatile uintptr_t odd = ((uintptr_t)memory | 15) + 2;
    bad_pointers(OHMSPLIT_ERROR_NULL, NULL);
    bad_pointers(OHMSPLIT_ERROR_MISALIGNED, (void *)odd);
    wrong_sizes();
    functions_that_are_missing();
    not_initialised();
    out_of_range();
    EXPECT(0, memcmp(&permit_before, permit, sizeof permit_before));
    EXPECT(0, memcmp(&sections_before, sections, sizeof sections_before));
    EXPECT(0, memcmp(&trend_before, trend, sizeof trend_before));
    EXPECT(0, memcmp(&journal_before, journal, sizeof journal_before));
    EXPECT(0, memcmp(&answer_before, answer, sizeof answer_before));
    not_filled();
}

/* What fails is told, and due again: the next call writes it. */
static void memory_that_fails(void) {
    set_up();
    flash.refuses_erase = 1;
    EXPECT(OHMSPLIT_ERROR_MEMORY, ohmsplit_journal_report(journal, 0, &report));
    flash.refuses_erase = 0;
    flash.refuses_write = 1;
    EXPECT(OHMSPLIT_ERROR_MEMORY, ohmsplit_journal_report(journal, 0, &report));
    flash.refuses_write = 0;
    flash.forgets = 1;
    EXPECT(OHMSPLIT_ERROR_MEMORY_WORN, ohmsplit_journal_report(journal, 0, &report));
    flash.forgets = 0;
    EXPECT(OHMSPLIT_RECORDED, ohmsplit_journal_report(journal, 0, &report));
    EXPECT(OHMSPLIT_OK, ohmsplit_journal_report(journal, 0, &report));
    EXPECT(OHMSPLIT_OK, ohmsplit_journal_history(journal, NULL, history));
    EXPECT(1, history->verdict.known);
    EXPECT(report.verdict_reason, history->verdict.verdict_reason);
    EXPECT(0, history->alarm.known);
    /* No permission was recorded: the latch is taken as set. */
    EXPECT(1, history->latched);
    flash.refuses_read = 1;
    EXPECT(OHMSPLIT_ERROR_MEMORY, ohmsplit_journal_history(journal, trend, history));
    EXPECT(OHMSPLIT_ERROR_MEMORY, ohmsplit_journal_started(journal, 0));
    EXPECT(OHMSPLIT_ERROR_MEMORY, open_journal());
    EXPECT(OHMSPLIT_ERROR_NOT_INITIALISED, ohmsplit_journal_started(journal, 0));
}

/* CRC-32/ISO-HDLC, a bit at a time. */
static uint32_t check_of(const uint8_t *bytes, size_t count) {
    uint32_t check = 0xFFFFFFFFu;
    for (size_t i = 0; i < count; i++) {
        check ^= bytes[i];
        for (int bit = 0; bit < 8; bit++) {
            check = (check >> 1) ^ (check & 1 ? 0xEDB88320u : 0);
        }
    }
    return ~check;
}

/* A record with the last number, written by hand in the documented layout. */
static void numbers_that_run_out(void) {
    set_up();
    uint8_t record[OHMSPLIT_RECORD_SIZE] = {0x4F, 0x6A, 1, 1, 0xFF, 0xFF, 0xFF, 0xFF};
    uint32_t check = check_of(record, 28);
    for (int i = 0; i < 4; i++) {
        record[28 + i] = (uint8_t)(check >> 8 * i);
    }
    memcpy(flash.slots[1][0], record, sizeof record);
    EXPECT(OHMSPLIT_OK, open_journal());
    EXPECT(OHMSPLIT_ERROR_MEMORY_EXHAUSTED, ohmsplit_journal_started(journal, 0));
}

static void a_call_within_a_call(void) {
    set_up();
    flash.calls = 1;
    EXPECT(OHMSPLIT_RECORDED, ohmsplit_journal_started(journal, 0));
    EXPECT(OHMSPLIT_ERROR_IN_USE, flash.seen_by_read[0]);
    EXPECT(OHMSPLIT_ERROR_IN_USE, flash.seen_by_read[1]);
    /* While it is opened anew there is none. */
    EXPECT(OHMSPLIT_OK, open_journal());
    EXPECT(OHMSPLIT_ERROR_NOT_INITIALISED, flash.seen_by_read[0]);
    EXPECT(OHMSPLIT_ERROR_NOT_INITIALISED, flash.seen_by_read[1]);
}

/* Neither an error nor a permission that is withheld reads as a yes. */
static void no_data_is_no(void) {
    set_up();
    EXPECT(OHMSPLIT_WITHHELD, ohmsplit_permit_ask(permit, 0, answer));
    EXPECT(OHMSPLIT_WITHHELD_NOTHING_KNOWN, answer->cause);
    EXPECT(OHMSPLIT_OK, ohmsplit_permit_take(permit, 1, &report));
    EXPECT(OHMSPLIT_WITHHELD, ohmsplit_permit_ask(permit, 1, answer));
    EXPECT(OHMSPLIT_WITHHELD_UNDETERMINED, answer->cause);
    EXPECT(report.verdict_reason, answer->reason);
    EXPECT(0, answer->granted);
}

int main(void) {
    FOR_EACH_GUARDED(SET_GUARDS)
    make_config();
    make_report();
    misuse_changes_nothing();
    memory_that_fails();
    numbers_that_run_out();
    a_call_within_a_call();
    no_data_is_no();
    FOR_EACH_GUARDED(CHECK_GUARDS)
    if (failures == 0) {
        puts("every misuse was told");
    }
    return failures != 0;
}
