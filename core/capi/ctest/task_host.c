/*
 * Runs examples/task.c on the host: a thread as its task, this one as its timer
 * interrupt, and a simulated circuit in place of the board: a leak of 300 kohm
 * from the positive rail and 5 uF.
 */
#include "../examples/task.h"

#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>

#define SAMPLES 6000
#define LEAK_MEGOHM 0.3
#define PACK 400.0

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static pthread_cond_t changed = PTHREAD_COND_INITIALIZER;
static bool given, waiting;

static uint32_t now_us;
static double chassis = 200.0;
static int32_t drive;

/* What the task said last. */
static ohmsplit_report_t last;
static int shown, allowed, forbidden;

void os_give_from_interrupt(void) {
    pthread_mutex_lock(&lock);
    given = true;
    pthread_cond_broadcast(&changed);
    pthread_mutex_unlock(&lock);
}

void os_take(void) {
    pthread_mutex_lock(&lock);
    while (!given) {
        waiting = true;
        pthread_cond_broadcast(&changed);
        pthread_cond_wait(&changed, &lock);
    }
    given = waiting = false;
    pthread_mutex_unlock(&lock);
}

/* Until the task has nothing to do, as it is when the processor keeps up. */
static void let_the_task_run(void) {
    pthread_mutex_lock(&lock);
    while (given || !waiting) {
        pthread_cond_wait(&changed, &lock);
    }
    pthread_mutex_unlock(&lock);
}

uint32_t board_now_microsecond(void) { return now_us; }

uint32_t board_now_second(void) { return now_us / 1000000; }

static int32_t code(double volts) { return 32768 + (int32_t)(volts * 65536 / 2000 + 0.5); }

/* A millisecond later. */
bool board_read(int32_t codes[2]) {
    double up = 1 / LEAK_MEGOHM + (drive == OHMSPLIT_DRIVE_RAISE);
    double down = drive == OHMSPLIT_DRIVE_LOWER;
    for (int step = 0; step < 10; step++) {
        chassis += (up * PACK - (up + down) * chassis) / 5 * 1e-4;
    }
    codes[0] = code(chassis);
    codes[1] = code(PACK);
    return true;
}

void board_switch(int32_t state) { drive = state; }

void board_allow_contactors(bool allow) { *(allow ? &allowed : &forbidden) += 1; }

void board_show(const ohmsplit_report_t *report) {
    last = *report;
    shown++;
}

void board_safe_state(ohmsplit_status_t why) {
    printf("failed: %d\n", (int)why);
    exit(1);
}

static ohmsplit_settings_t settings(void) {
    ohmsplit_settings_t settings;
    ohmsplit_settings_default(&settings, OHMSPLIT_INTERFACE);
    ohmsplit_channel_t channel = {
        .bits = 16,
        .zero_code = 32768,
        .lowest_code = 0,
        .highest_code = 65535,
        .span_microvolt = 2000000000,
    };
    settings.front_end = OHMSPLIT_FRONT_END_CHASSIS_AND_PACK;
    settings.channels[0] = settings.channels[1] = channel;
    settings.part_count = 2;
    settings.parts[0].kind = OHMSPLIT_PART_SWITCHED_TO_POSITIVE;
    settings.parts[1].kind = OHMSPLIT_PART_SWITCHED_TO_NEGATIVE;
    settings.parts[0].resistance_milliohm = settings.parts[1].resistance_milliohm = 1000000000;
    settings.working_voltage_microvolt = 400000000;
    settings.judged = OHMSPLIT_JUDGED_WEAKEST_RAIL;
    return settings;
}

static void *task(void *unused) {
    monitor_task(unused);
    return NULL;
}

int main(void) {
    ohmsplit_settings_t design = settings();
    ohmsplit_status_t status = monitor_start(&design);
    if (status != OHMSPLIT_OK) {
        board_safe_state(status);
    }
    pthread_t thread;
    pthread_create(&thread, NULL, task, NULL);
    let_the_task_run();
    for (int k = 0; k < SAMPLES; k++) {
        now_us += 1000;
        sampling_interrupt();
        let_the_task_run();
    }
    double found = (double)last.positive.value_milliohm / 1e9;
    bool right = found > 0.98 * LEAK_MEGOHM && found < 1.02 * LEAK_MEGOHM &&
                 last.verdict == OHMSPLIT_VERDICT_HEALTHY;
    /* No journal says that there was no alarm: the latch holds the contactors open. */
    if (right && shown > 10 && allowed == 0 && forbidden == shown) {
        puts("the task found the leak");
        return 0;
    }
    printf("%f Mohm, verdict %d, %d reports, allowed %d\n", found, (int)last.verdict, shown,
           allowed);
    return 1;
}
