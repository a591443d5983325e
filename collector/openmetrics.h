/*
 * Writes OpenMetrics 1.0 text: families one after the other, each described once and followed by its samples.
 */
#ifndef COLLECTOR_OPENMETRICS_H
#define COLLECTOR_OPENMETRICS_H

#include <stdint.h>
#include <stdio.h>

#define OPENMETRICS_CONTENT_TYPE "application/openmetrics-text; version=1.0.0; charset=utf-8"

/* name without the common prefix; type "counter", "gauge" ...; unit NULL: none, else the name ends in it. */
void openmetrics_family(FILE *out, const char *name, const char *type, const char *unit, const char *help);
/* A family of one sample. */
void openmetrics_counter(FILE *out, const char *name, const char *help, int64_t value);
void openmetrics_gauge(FILE *out, const char *name, const char *unit, const char *help, int64_t value);
/* The value of a label, in quotes and escaped. */
void openmetrics_label(FILE *out, const char *value);

#endif
