/*
 * Permission, sections, trend and event records through the C interface. Times
 * are made of the number of the report, in steps that let each stage show what
 * it does in a short capture.
 */
#include "after.h"
#include "text.h"

#include <stddef.h>
#include <stdint.h>

#define PAGES 2
#define SLOTS 4
#define SPAN_SECOND 86400

static ohmsplit_permit_t permit;
static ohmsplit_sections_t sections;
static ohmsplit_trend_t trend;
static ohmsplit_journal_t journal;
static uint8_t memory[PAGES][SLOTS][OHMSPLIT_RECORD_SIZE];
static uint32_t reports;

static int32_t read_slot(void *context, uint32_t page, uint32_t slot, uint8_t *into) {
    (void)context;
    for (size_t i = 0; i < OHMSPLIT_RECORD_SIZE; i++) {
        into[i] = memory[page][slot][i];
    }
    return 0;
}

static int32_t write_slot(void *context, uint32_t page, uint32_t slot, const uint8_t *from) {
    (void)context;
    for (size_t i = 0; i < OHMSPLIT_RECORD_SIZE; i++) {
        memory[page][slot][i] = from[i];
    }
    return 0;
}

static int32_t erase_page(void *context, uint32_t page) {
    (void)context;
    for (uint32_t slot = 0; slot < SLOTS; slot++) {
        for (size_t i = 0; i < OHMSPLIT_RECORD_SIZE; i++) {
            memory[page][slot][i] = 0xFF;
        }
    }
    return 0;
}

static bool done(const char *what, ohmsplit_status_t status) {
    return status == OHMSPLIT_OK || failed(what, status);
}

static bool open_journal(void) {
    ohmsplit_pages_t pages = {
        .pages = PAGES,
        .slots = SLOTS,
        .read = read_slot,
        .write = write_slot,
        .erase = erase_page,
    };
    return done("journal_open", ohmsplit_journal_open(&journal, sizeof journal, &pages, 60));
}

bool after_begin(const ohmsplit_config_t *config) {
    ohmsplit_rules_t rules;
    for (uint32_t page = 0; page < PAGES; page++) {
        (void)erase_page(NULL, page);
    }
    return done("rules_default", ohmsplit_permit_rules_default(&rules)) &&
           done("permit_init", ohmsplit_permit_init(&permit, sizeof permit, &rules)) &&
           done("sections_init", ohmsplit_sections_init(&sections, sizeof sections, 0, 100)) &&
           done("trend_init", ohmsplit_trend_init(&trend, sizeof trend, config, SPAN_SECOND)) &&
           open_journal() && ohmsplit_journal_started(&journal, 0) == OHMSPLIT_RECORDED;
}

static void put_answer(const ohmsplit_answer_t *answer) {
    put_field("granted", answer->granted);
    put_field("cause", answer->cause);
    put_field("reason", answer->reason);
    put_field("latched", answer->latched);
    put_field("age_second", answer->age_second);
}

/* The permission now, and its record. */
static bool ask(uint32_t now, const ohmsplit_report_t *report) {
    ohmsplit_answer_t answer;
    if (reports % 16 == 9 && !done("acknowledge", ohmsplit_permit_acknowledge(&permit, now))) {
        return false;
    }
    if (reports % 32 == 20 && !done("changed", ohmsplit_permit_network_changed(&permit, now))) {
        return false;
    }
    if (!done("permit_take", ohmsplit_permit_take(&permit, now, report))) {
        return false;
    }
    put_field("permit", ohmsplit_permit_ask(&permit, now, &answer));
    put_answer(&answer);
    put_field("record", ohmsplit_journal_report(&journal, now, report));
    put_field("record", ohmsplit_journal_answer(&journal, now, &answer));
    return true;
}

static bool put_share(uint32_t of) {
    ohmsplit_share_t share;
    if (!done("share", ohmsplit_sections_share(&sections, of, &share))) {
        return false;
    }
    put_field("share", of);
    put_field("kind", share.kind);
    put_field("reason", share.reason);
    put_field("apart_second", share.apart_second);
    put_measured("conductance_femtosiemens", share.conductance_femtosiemens);
    put_measured("positive_femtosiemens", share.positive_femtosiemens);
    put_measured("negative_femtosiemens", share.negative_femtosiemens);
    put_resistance("isolation", share.isolation);
    put_measured("position_ppm", share.position_ppm);
    return true;
}

/* Two reports without the section, two with it. */
static bool compare(uint32_t now, const ohmsplit_report_t *report) {
    uint32_t connected = reports / 2 % 2;
    if (reports % 2 == 0) {
        if (!done("switched", ohmsplit_sections_switched(&sections, connected))) {
            return false;
        }
        put_field("record", ohmsplit_journal_switched(&journal, now, connected));
    }
    return done("sections_take", ohmsplit_sections_take(&sections, now, report)) && put_share(0) &&
           put_share(1);
}

static void put_bounded(const char *name, ohmsplit_bounded_t bounded) {
    put_field(name, bounded.value);
    put_field("  low", bounded.low);
    put_field("  high", bounded.high);
}

static bool put_course(uint32_t now) {
    ohmsplit_course_t course;
    ohmsplit_status_t status;
    while ((status = ohmsplit_trend_step(&trend)) == OHMSPLIT_BUSY) {
    }
    if (!done("trend_step", status) ||
        !done("course", ohmsplit_trend_course(&trend, now, &course))) {
        return false;
    }
    put_field("course", course.kind);
    put_field("points", course.points);
    put_bounded("slope_ppb_per_day", course.slope_ppb_per_day);
    put_bounded("reach_second", course.reach_second);
    return true;
}

static bool follow(uint32_t now, const ohmsplit_report_t *report) {
    ohmsplit_point_t point;
    ohmsplit_status_t status = ohmsplit_trend_take(&trend, now, report, &point);
    if (status == OHMSPLIT_POINT_READY) {
        put_field("span", point.span);
        put_field("ln_r", point.ln_r);
        put_field("record", ohmsplit_journal_point(&journal, now, &point));
    } else if (!done("trend_take", status)) {
        return false;
    }
    return put_course(now);
}

bool after_report(const ohmsplit_report_t *report) {
    uint32_t now = 10 * reports;
    bool good = ask(now, report) && compare(now, report) && follow(40000 * reports, report);
    reports++;
    return good;
}

static void put_judgement(const char *name, const ohmsplit_judgement_t *judgement) {
    put_field(name, judgement->known);
    put_field("at_second", judgement->at_second);
    put_field("verdict", judgement->verdict);
    put_field("verdict_reason", judgement->verdict_reason);
    put_field("basis", judgement->basis);
    put_field("kind", judgement->kind);
    put_field("isolation_ohm", judgement->isolation_ohm);
    put_field("weakest_ohm", judgement->weakest_ohm);
    put_field("position_ppm", judgement->position_ppm);
    put_field("pack_decivolt", judgement->pack_decivolt);
}

/* Every byte of the records, four at a time. */
static void put_memory(void) {
    const uint8_t *bytes = &memory[0][0][0];
    for (size_t at = 0; at < sizeof memory; at += 4) {
        uint32_t word = bytes[at] | (uint32_t)bytes[at + 1] << 8 | (uint32_t)bytes[at + 2] << 16 |
                        (uint32_t)bytes[at + 3] << 24;
        put_field("memory", word);
    }
}

bool after_end(const ohmsplit_config_t *config) {
    ohmsplit_history_t history;
    ohmsplit_rules_t rules;
    ohmsplit_answer_t answer;
    uint32_t now = 10 * reports;
    if (!open_journal() ||
        !done("trend_init", ohmsplit_trend_init(&trend, sizeof trend, config, SPAN_SECOND)) ||
        !done("history", ohmsplit_journal_history(&journal, &trend, &history)) ||
        !done("rules_default", ohmsplit_permit_rules_default(&rules)) ||
        !done("restore", ohmsplit_permit_restore(&permit, sizeof permit, &rules, now,
                                                 history.latched))) {
        return false;
    }
    put_field("latched", history.latched);
    put_field("connected_known", history.connected_known);
    put_field("connected_at_second", history.connected_at_second);
    put_field("connected", history.connected);
    put_judgement("history_verdict", &history.verdict);
    put_judgement("history_alarm", &history.alarm);
    put_field("permission_known", history.permission_known);
    put_field("permission_at_second", history.permission_at_second);
    put_answer(&history.permission);
    put_field("permit", ohmsplit_permit_ask(&permit, now + 1, &answer));
    put_answer(&answer);
    if (!put_course(40000 * reports)) {
        return false;
    }
    put_memory();
    return true;
}
