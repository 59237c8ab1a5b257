/*
 * The C interface under an operating system: a timer interrupt samples, a task
 * of low priority does everything else and decides whether the contactors may
 * close. Between them are a queue with one writer and one reader, and the drive
 * state that the monitor wants; nothing is locked. It needs no library but
 * ohmsplit, and no more of an operating system than task.h says.
 *
 * High voltage can kill. The permission is about isolation alone; other
 * conditions for closing contactors, and local codes, are the integrator's.
 */
#include "task.h"

#include <stdatomic.h>
#include <stddef.h>

#define PLACES 8u /* a power of two: 160 ms of other work at 20 ms a block */

static ohmsplit_config_t config;   /* once written, then only read */
static ohmsplit_sampler_t sampler; /* the interrupt's */
static ohmsplit_swift_t monitor;   /* the task's */
static ohmsplit_permit_t permit;   /* the task's */

static ohmsplit_block_t queue[PLACES]; /* handed from one to the other */
static atomic_uint head;               /* written by the interrupt alone */
static atomic_uint tail;               /* written by the task alone */
static atomic_int wanted;              /* written by the task alone */

ohmsplit_status_t monitor_start(const ohmsplit_settings_t *settings) {
    ohmsplit_rules_t rules;
    ohmsplit_status_t status = ohmsplit_config_init(&config, sizeof config, settings);
    if (status == OHMSPLIT_OK) {
        status = ohmsplit_sampler_init(&sampler, sizeof sampler, &config);
    }
    if (status == OHMSPLIT_OK) {
        status = ohmsplit_swift_init(&monitor, sizeof monitor, &config);
    }
    if (status == OHMSPLIT_OK) {
        status = ohmsplit_permit_rules_default(&rules);
    }
    if (status == OHMSPLIT_OK) {
        /* Latched, as long as no journal says otherwise. */
        status = ohmsplit_permit_restore(&permit, sizeof permit, &rules, board_now_second(), 1);
    }
    board_switch(OHMSPLIT_DRIVE_REST);
    return status;
}

void sampling_interrupt(void) {
    static ohmsplit_block_t spare;
    static int32_t in_force = OHMSPLIT_DRIVE_REST;
    ohmsplit_sample_t sample = {.at_microsecond = board_now_microsecond(), .drive = in_force};
    if (!board_read(sample.codes)) {
        return; /* a sample is missing, which the monitor notices by itself */
    }
    /* When the queue is full the block is lost, which the monitor notices too. */
    unsigned at = atomic_load_explicit(&head, memory_order_relaxed);
    bool room = at - atomic_load_explicit(&tail, memory_order_acquire) < PLACES;
    ohmsplit_block_t *place = room ? &queue[at % PLACES] : &spare;
    ohmsplit_status_t status = ohmsplit_sampler_push(&sampler, &sample, place);
    if (status == OHMSPLIT_BLOCK_READY && room) {
        /* Release: the block is written before head moves. */
        atomic_store_explicit(&head, at + 1, memory_order_release);
        os_give_from_interrupt();
    }
    /* Right after a sample: the next one is taken in the new state. */
    int32_t next = atomic_load_explicit(&wanted, memory_order_relaxed);
    if (next != in_force) {
        board_switch(next);
        in_force = next;
    }
}

/* A report, to all who want it. */
static void act(const ohmsplit_report_t *report) {
    ohmsplit_answer_t answer;
    uint32_t now = board_now_second();
    ohmsplit_status_t status = ohmsplit_permit_take(&permit, now, report);
    if (status != OHMSPLIT_OK) {
        board_safe_state(status);
    }
    board_allow_contactors(ohmsplit_permit_ask(&permit, now, &answer) == OHMSPLIT_GRANTED);
    board_show(report);
}

/* All the work that a block makes, in slices that may be interrupted. */
static void work_off(const ohmsplit_block_t *block) {
    ohmsplit_report_t report;
    ohmsplit_status_t status = ohmsplit_swift_accept(&monitor, block);
    /* A lost block: the task was late, and the monitor has started anew. */
    if (status != OHMSPLIT_OK && status != OHMSPLIT_ERROR_BLOCK_LOST) {
        board_safe_state(status);
        return;
    }
    while ((status = ohmsplit_swift_step(&monitor, &report)) != OHMSPLIT_OK) {
        if (status == OHMSPLIT_REPORT_READY) {
            act(&report);
        } else if (status != OHMSPLIT_BUSY) {
            board_safe_state(status); /* misuse: the header says which */
            return;
        }
        ohmsplit_drive_t drive;
        if (ohmsplit_swift_drive(&monitor, &drive) == OHMSPLIT_OK) {
            atomic_store_explicit(&wanted, drive, memory_order_relaxed);
        }
    }
}

void monitor_task(void *unused) {
    (void)unused;
    for (;;) {
        os_take();
        unsigned at = atomic_load_explicit(&tail, memory_order_relaxed);
        while (at != atomic_load_explicit(&head, memory_order_acquire)) {
            work_off(&queue[at % PLACES]);
            at++;
            atomic_store_explicit(&tail, at, memory_order_release);
        }
    }
}
