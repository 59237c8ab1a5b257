/* The stages after the report, each given every report. */
#ifndef AFTER_H
#define AFTER_H

#include "ohmsplit.h"

#include <stdbool.h>

/* Makes the handles. */
bool after_begin(const ohmsplit_config_t *config);

/* Hands a report to all of them and prints what they say. */
bool after_report(const ohmsplit_report_t *report);

/* As after a reset: reads the records again and prints what they tell. */
bool after_end(const ohmsplit_config_t *config);

#endif
