/*
 * The figures of a source, each a row of one table: its names in JSON and in OpenMetrics text.
 */
#ifndef COLLECTOR_HEALTH_FIGURES_H
#define COLLECTOR_HEALTH_FIGURES_H

#include "health_source.h"

#include <jansson.h>

#include <stdio.h>

json_t *health_figures_json(const struct source_health *s, int64_t now_us, int64_t clock_stepped_us);
/* What was written by health_figures_json, in mem; what is missing is unknown. */
struct source_health health_figures_read(const json_t *object, struct arena *mem);

/* One family for each figure, one sample for each source of which it is known. */
void health_figures_metrics(FILE *out, const struct source_health *sources, size_t count, int64_t now_us,
                            int64_t clock_stepped_us);

/* null for what is unknown */
json_t *health_json_text(const char *text);
json_t *health_json_moment(int64_t us);

#endif
