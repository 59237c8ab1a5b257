/*
 * Replays a capture through the C interface and prints every report, one field
 * a line; with AFTER defined, what the stages after the report make of it too.
 * It needs no library, so that the same file runs hosted and on target.
 *
 * Input: whole numbers, separated by blanks and lines. First the settings:
 *   front_end
 *   of both channels: bits zero_code lowest highest span_uV offset_uV
 *     divider_top_mohm divider_bottom_mohm offset_u_uV gain_u_ppm
 *   part_count, and of each part: kind resistance_mohm high_uV low_uV
 *     resistance_u_ppm emf_u_ppm
 *   working_voltage_uV judged reading_lag_ns
 * then of each sample: at_us drive code code
 */
#include "after.h"
#include "ohmsplit.h"
#include "port.h"
#include "text.h"

#include <stdbool.h>
#include <stdint.h>

/* The same program for either monitor. */
#ifdef SWIFT
#define MONITOR(name) ohmsplit_swift_##name
#else
#define MONITOR(name) ohmsplit_monitor_##name
#endif

static ohmsplit_config_t config;
static ohmsplit_sampler_t sampler;
static MONITOR(t) monitor;

static void put_report(const ohmsplit_report_t *report) {
    put_field("sequence", report->sequence);
    put_field("drive", report->drive);
    put_field("verdict", report->verdict);
    put_field("verdict_reason", report->verdict_reason);
    put_field("judged", report->judged);
    put_field("kind", report->kind);
    put_field("reading_reason", report->reading_reason);
    put_field("estimate_reason", report->estimate_reason);
    put_field("basis", report->basis);
    put_field("dwell_over", report->dwell_over);
    put_field("findings", report->findings);
    put_measured("chassis_microvolt", report->chassis_microvolt);
    put_measured("pack_microvolt", report->pack_microvolt);
    put_measured("time_constant_microsecond", report->time_constant_microsecond);
    put_field("lag_microvolt", report->lag_microvolt);
    put_field("dwell_microsecond", report->dwell_microsecond);
    put_resistance("isolation", report->isolation);
    put_resistance("positive", report->positive);
    put_resistance("negative", report->negative);
    put_resistance("weakest", report->weakest);
    put_measured("conductance_femtosiemens", report->conductance_femtosiemens);
    put_measured("positive_femtosiemens", report->positive_femtosiemens);
    put_measured("negative_femtosiemens", report->negative_femtosiemens);
    put_measured("position_ppm", report->position_ppm);
    put_measured("touch_current_nanoampere", report->touch_current_nanoampere);
    put_measured("capacitance_picofarad", report->capacitance_picofarad);
    put_field("estimate_pack_microvolt", report->estimate_pack_microvolt);
}

/* The next number of the input; false at its end. */
static bool get_number(int64_t *number) {
    int byte = port_get();
    while (byte == ' ' || byte == '\n') {
        byte = port_get();
    }
    bool negative = byte == '-';
    if (negative) {
        byte = port_get();
    }
    if (byte < '0' || byte > '9') {
        return false;
    }
    /* Downwards, since INT64_MIN has no positive twin. */
    int64_t value = 0;
    for (; byte >= '0' && byte <= '9'; byte = port_get()) {
        value = value * 10 - (byte - '0');
    }
    *number = negative ? value : -value;
    return true;
}

static int64_t setting(bool *complete) {
    int64_t number = 0;
    *complete = get_number(&number) && *complete;
    return number;
}

static void get_channel(ohmsplit_channel_t *channel, bool *complete) {
    channel->bits = (uint32_t)setting(complete);
    channel->zero_code = (int32_t)setting(complete);
    channel->lowest_code = (int32_t)setting(complete);
    channel->highest_code = (int32_t)setting(complete);
    channel->span_microvolt = setting(complete);
    channel->offset_microvolt = setting(complete);
    channel->divider_top_milliohm = setting(complete);
    channel->divider_bottom_milliohm = setting(complete);
    channel->offset_uncertainty_microvolt = setting(complete);
    channel->gain_uncertainty_ppm = (uint32_t)setting(complete);
}

static void get_part(ohmsplit_part_t *part, bool *complete) {
    part->kind = (int32_t)setting(complete);
    part->resistance_milliohm = setting(complete);
    part->high_microvolt = setting(complete);
    part->low_microvolt = setting(complete);
    part->resistance_uncertainty_ppm = (uint32_t)setting(complete);
    part->emf_uncertainty_ppm = (uint32_t)setting(complete);
}

static bool get_settings(ohmsplit_settings_t *settings) {
    bool complete = true;
    settings->front_end = (int32_t)setting(&complete);
    get_channel(&settings->channels[0], &complete);
    get_channel(&settings->channels[1], &complete);
    settings->part_count = (uint32_t)setting(&complete);
    for (uint32_t i = 0; i < settings->part_count && i < OHMSPLIT_PARTS_MAX; i++) {
        get_part(&settings->parts[i], &complete);
    }
    settings->working_voltage_microvolt = setting(&complete);
    settings->judged = (int32_t)setting(&complete);
    settings->reading_lag_nanosecond = setting(&complete);
    return complete;
}

static bool set_up(void) {
    ohmsplit_settings_t settings;
    ohmsplit_status_t status = ohmsplit_settings_default(&settings, OHMSPLIT_INTERFACE);
    if (status != OHMSPLIT_OK) {
        return failed("settings_default", status);
    }
    if (!get_settings(&settings)) {
        return failed("settings are incomplete", 0);
    }
    status = ohmsplit_config_init(&config, sizeof config, &settings);
    if (status != OHMSPLIT_OK) {
        return failed("config_init", status);
    }
    status = ohmsplit_sampler_init(&sampler, sizeof sampler, &config);
    if (status != OHMSPLIT_OK) {
        return failed("sampler_init", status);
    }
    status = MONITOR(init)(&monitor, sizeof monitor, &config);
    if (status != OHMSPLIT_OK) {
        return failed("monitor_init", status);
    }
#ifdef AFTER
    return after_begin(&config);
#else
    return true;
#endif
}

/* Background work until there is none. */
static bool work(void) {
    ohmsplit_report_t report;
    ohmsplit_status_t status;
    while ((status = MONITOR(step)(&monitor, &report)) != OHMSPLIT_OK) {
        if (status == OHMSPLIT_REPORT_READY) {
            put_report(&report);
#ifdef AFTER
            if (!after_report(&report)) {
                return false;
            }
#endif
        } else if (status != OHMSPLIT_BUSY) {
            return failed("monitor_step", status);
        }
    }
    return true;
}

/* What a sampler's call came to. */
static bool take(ohmsplit_status_t status, const ohmsplit_block_t *block) {
    if (status != OHMSPLIT_BLOCK_READY) {
        return status == OHMSPLIT_OK || failed("sampler", status);
    }
    status = MONITOR(accept)(&monitor, block);
    return status == OHMSPLIT_OK ? work() : failed("monitor_accept", status);
}

static bool replay(void) {
    static ohmsplit_block_t block;
    int64_t numbers[4];
    while (get_number(&numbers[0])) {
        for (int i = 1; i < 4; i++) {
            if (!get_number(&numbers[i])) {
                return failed("a sample is incomplete", 0);
            }
        }
        ohmsplit_sample_t sample = {
            .at_microsecond = (uint32_t)numbers[0],
            .drive = (int32_t)numbers[1],
            .codes = {(int32_t)numbers[2], (int32_t)numbers[3]},
        };
        if (!take(ohmsplit_sampler_push(&sampler, &sample, &block), &block)) {
            return false;
        }
    }
    if (!take(ohmsplit_sampler_finish(&sampler, &block), &block)) {
        return false;
    }
    ohmsplit_status_t status = MONITOR(finish)(&monitor);
    return status == OHMSPLIT_OK ? work() : failed("monitor_finish", status);
}

static bool put_end(void) {
    ohmsplit_drive_t drive;
    ohmsplit_verdict_t verdict;
    int32_t reason;
    ohmsplit_status_t status = MONITOR(drive)(&monitor, &drive);
    if (status != OHMSPLIT_OK) {
        return failed("monitor_drive", status);
    }
    status = MONITOR(verdict)(&monitor, &verdict, &reason);
    if (status != OHMSPLIT_OK) {
        return failed("monitor_verdict", status);
    }
    put_field("wanted_drive", drive);
    put_field("last_verdict", verdict);
    put_field("last_reason", reason);
#ifdef AFTER
    return after_end(&config);
#else
    return true;
#endif
}

int run(void) { return set_up() && replay() && put_end() ? 0 : 1; }
