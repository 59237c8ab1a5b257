/*
 * A Cortex-M without any library: vectors, start-up, input from flash (the
 * file CAPTURE), output to the debugger's host by Arm's "Semihosting for
 * AArch32 and AArch64".
 */
#include "port.h"

#include <stdint.h>

#define SYS_OPEN 0x01
#define SYS_WRITE 0x05
#define SYS_EXIT 0x18
#define MODE_W 4
#define STOPPED_RUN_TIME_ERROR 0x20023
#define STOPPED_APPLICATION_EXIT 0x20026

extern uint32_t data_start[], data_end[], data_load[], bss_start[], bss_end[], stack_top[];
extern const char capture_start[], capture_end[];

__asm__(".section .rodata.capture\n"
        ".global capture_start, capture_end\n"
        "capture_start: .incbin \"" CAPTURE "\"\n"
        "capture_end:\n"
        ".previous\n");

static uint32_t debugger(uint32_t operation, uintptr_t argument) {
    register uint32_t r0 __asm__("r0") = operation;
    register uintptr_t r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static void stop(uintptr_t reason) {
    for (;;) {
        debugger(SYS_EXIT, reason);
    }
}

static const char *next = capture_start;

int port_get(void) { return next == capture_end ? -1 : (unsigned char)*next++; }

/* The host's standard output has the name ":tt". */
static uint32_t console;

static void open_console(void) {
    static const char name[] = ":tt";
    uintptr_t arguments[3] = {(uintptr_t)name, MODE_W, sizeof name - 1};
    console = debugger(SYS_OPEN, (uintptr_t)arguments);
}

/* A line at a time: a call to the debugger is slow. */
void port_put(char byte) {
    static char line[128];
    static uint32_t used;
    line[used++] = byte;
    if (byte == '\n' || used == sizeof line) {
        uintptr_t arguments[3] = {console, (uintptr_t)line, used};
        if (debugger(SYS_WRITE, (uintptr_t)arguments) != 0) {
            stop(STOPPED_RUN_TIME_ERROR);
        }
        used = 0;
    }
}

static void fault(void) { stop(STOPPED_RUN_TIME_ERROR); }

void start(void);

void start(void) {
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
    open_console();
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
