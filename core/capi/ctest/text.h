/* Text output of these tests, without a library. */
#ifndef TEXT_H
#define TEXT_H

#include "ohmsplit.h"

#include <stdbool.h>
#include <stdint.h>

void put_text(const char *text);

/* A name and a number on a line. */
void put_field(const char *name, int64_t value);

void put_measured(const char *name, ohmsplit_measured_t measured);

void put_resistance(const char *name, ohmsplit_resistance_t resistance);

/* Says what failed and how; false. */
bool failed(const char *what, ohmsplit_status_t status);

#endif
