/*
 * A Cortex-M without any library: vectors, start-up, input from flash (the
 * file CAPTURE), output to the debugger by semihosting (Arm's "Semihosting for
 * AArch32 and AArch64", operations SYS_WRITE0 and SYS_EXIT).
 */
#include "port.h"

#include <stdint.h>

#define SYS_WRITE0 0x04
#define SYS_EXIT 0x18
#define STOPPED_RUN_TIME_ERROR 0x20023
#define STOPPED_APPLICATION_EXIT 0x20026

extern uint32_t data_start[], data_end[], data_load[], bss_start[], bss_end[], stack_top[];
extern const char capture_start[], capture_end[];

__asm__(".section .rodata.capture\n"
        ".global capture_start, capture_end\n"
        "capture_start: .incbin \"" CAPTURE "\"\n"
        "capture_end:\n"
        ".previous\n");

static void debugger(uint32_t operation, uintptr_t argument) {
    register uint32_t r0 __asm__("r0") = operation;
    register uintptr_t r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
}

static const char *next = capture_start;

int port_get(void) { return next == capture_end ? -1 : (unsigned char)*next++; }

/* A line at a time: a call to the debugger is slow. */
void port_put(char byte) {
    static char line[128];
    static uint32_t used;
    line[used++] = byte;
    if (byte == '\n' || used == sizeof line - 1) {
        line[used] = '\0';
        debugger(SYS_WRITE0, (uintptr_t)line);
        used = 0;
    }
}

static void stop(uintptr_t reason) {
    for (;;) {
        debugger(SYS_EXIT, reason);
    }
}

static void fault(void) { stop(STOPPED_RUN_TIME_ERROR); }

static void start(void) {
#if defined(__ARM_FP)
    /* Armv7-M ARM, B3.2.20: coprocessor access control, floating-point unit on. */
    *(volatile uint32_t *)0xE000ED88u |= 0xFu << 20;
    __asm__ volatile("dsb\n isb" ::: "memory");
#endif
    for (uint32_t *to = data_start, *from = data_load; to != data_end;) {
        *to++ = *from++;
    }
    for (uint32_t *to = bss_start; to != bss_end;) {
        *to++ = 0;
    }
    stop(run() == 0 ? STOPPED_APPLICATION_EXIT : STOPPED_RUN_TIME_ERROR);
}

typedef union {
    uint32_t *stack;
    void (*handler)(void);
} vector_t;

__attribute__((section(".vectors"), used)) static const vector_t vectors[16] = {
    {.stack = stack_top}, {.handler = start}, {.handler = fault}, {.handler = fault},
    {.handler = fault},   {.handler = fault}, {.handler = fault},
};
