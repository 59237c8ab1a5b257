/* What the programs that misuse the C interface share: expectations, and memory with guards around it. */
#ifndef MISUSE_H
#define MISUSE_H

#include "ohmsplit.h"

#include <stdint.h>
#include <stdio.h>
#include <string.h>

/* The same program for either monitor. */
#ifdef SWIFT
#define MONITOR(name) ohmsplit_swift_##name
#else
#define MONITOR(name) ohmsplit_monitor_##name
#endif

#define GUARD 64

static int failures;

static void expect(const char *file, int line, const char *call, int32_t got, int32_t wanted) {
    if (got != wanted) {
        printf("%s:%d: %s gave %d, not %d\n", file, line, call, (int)got, (int)wanted);
        failures++;
    }
}

#define EXPECT(wanted, call) expect(__FILE__, __LINE__, #call, (call), (wanted))

#define GUARDED_MEMORY(type)                                                                       \
    struct {                                                                                       \
        uint8_t before[GUARD];                                                                     \
        type handle;                                                                               \
        uint8_t after[GUARD];                                                                      \
    }
#define SET_GUARD(memory)                                                                          \
    memset(memory.before, 0xA5, GUARD);                                                            \
    memset(memory.after, 0xA5, GUARD);
#define CHECK_GUARD(memory)                                                                        \
    expect(__FILE__, __LINE__, "guard of " #memory,                                                \
           guards_hold(memory.before) && guards_hold(memory.after), 1);

static int guards_hold(const uint8_t *guard) {
    for (int i = 0; i < GUARD; i++) {
        if (guard[i] != 0xA5) {
            return 0;
        }
    }
    return 1;
}

#endif
