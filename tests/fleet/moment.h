/*
 * Moments of the simulated fleet: milliseconds since 1970-01-01T00:00:00Z (names end in _ms). Written without
 * the library of the programs under test, so that a mistake there cannot hide itself.
 */
#ifndef FLEET_MOMENT_H
#define FLEET_MOMENT_H

#include "out.h"

#include <stdbool.h>
#include <stdint.h>

#define MS_PER_S INT64_C(1000)
#define MS_PER_MIN (60 * MS_PER_S)
#define MS_PER_HOUR (3600 * MS_PER_S)
#define MS_PER_DAY (86400 * MS_PER_S)
#define NEVER INT64_MAX

/* Ways in which agents write a moment. */
enum moment_style { MOMENT_MILLI, MOMENT_MICRO, MOMENT_NO_ZONE, MOMENT_SECOND };

int64_t moment_now_ms(void);
/* "2026-11-25T16:00:00Z", "2026-11-25T16:00:00.250Z" or "2026-11-25". */
bool moment_parse(const char *text, int64_t *ms);
void moment_out(struct out *o, int64_t ms, enum moment_style style);
void moment_out_day(struct out *o, int64_t ms); /* "2026-11-25" */

#endif
