#include "text.h"
#include "port.h"

#include <stddef.h>

void put_text(const char *text) {
    while (*text != '\0') {
        port_put(*text++);
    }
}

static void put_number(int64_t number) {
    char digits[20];
    size_t count = 0;
    /* Of the magnitude, since that of INT64_MIN has no int64_t. */
    uint64_t rest = number < 0 ? 0 - (uint64_t)number : (uint64_t)number;
    do {
        digits[count++] = (char)('0' + rest % 10);
        rest /= 10;
    } while (rest != 0);
    if (number < 0) {
        port_put('-');
    }
    while (count > 0) {
        port_put(digits[--count]);
    }
}

void put_field(const char *name, int64_t value) {
    put_text(name);
    port_put(' ');
    put_number(value);
    port_put('\n');
}

void put_measured(const char *name, ohmsplit_measured_t measured) {
    put_field(name, measured.value);
    put_field("  uncertainty", measured.uncertainty);
}

void put_resistance(const char *name, ohmsplit_resistance_t resistance) {
    put_field(name, resistance.value_milliohm);
    put_field("  low", resistance.low_milliohm);
    put_field("  high", resistance.high_milliohm);
}

bool failed(const char *what, ohmsplit_status_t status) {
    put_text("failed: ");
    put_field(what, status);
    return false;
}
