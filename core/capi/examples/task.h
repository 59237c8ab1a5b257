/*
 * What the example task.c wants of the operating system and of the board, and
 * what it gives them to call.
 */
#ifndef TASK_H
#define TASK_H

#include "ohmsplit.h"

#include <stdbool.h>
#include <stdint.h>

/* The operating system: a binary semaphore. */
void os_give_from_interrupt(void);
void os_take(void);

/* The board. */
uint32_t board_now_microsecond(void); /* free-running, wraps at 2^32 */
uint32_t board_now_second(void);
bool board_read(int32_t codes[2]);      /* false when there is no new pair */
void board_switch(int32_t drive);       /* opens what must open, then closes */
void board_allow_contactors(bool allow); /* one condition of several */
void board_show(const ohmsplit_report_t *report);
void board_safe_state(ohmsplit_status_t why); /* a fault of the program */

/* Once, before the interrupt is enabled. */
ohmsplit_status_t monitor_start(const ohmsplit_settings_t *settings);

/* The timer's interrupt, at a fixed rate. */
void sampling_interrupt(void);

/* The task's function, of low priority; it does not return. */
void monitor_task(void *unused);

#endif
