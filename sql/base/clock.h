/*
 * Moments and days. A moment is an int64_t of microseconds since 1970-01-01T00:00:00Z (names end in _us),
 * a day an int32_t of days since then. Everything inside is UTC; a site's zone appears only on paper.
 */
#ifndef BASE_CLOCK_H
#define BASE_CLOCK_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

#define US_PER_S INT64_C(1000000)
#define US_PER_HOUR (3600 * US_PER_S)
#define US_PER_DAY (86400 * US_PER_S)
#define TIME_UNKNOWN INT64_MIN
#define DAY_UNKNOWN INT32_MIN

enum { TIME_TEXT = 32, DAY_TEXT = 16 };

int64_t clock_now_us(void);  /* of the wall clock */
int64_t clock_mono_ms(void); /* never steps: for periods and deadlines */

/*
 * Reads an ISO 8601 moment: any number of fraction digits (cut after microseconds), Z, an offset, or no zone
 * (taken as UTC, *no_zone set when not NULL), second 60. A plain date is its midnight. False for all else.
 */
MUST_USE bool time_parse(const char *text, int64_t *us, bool *no_zone);
/* "2026-11-25T16:20:00Z", with ".123456" when there is a fraction. */
void time_format(int64_t us, char text[static TIME_TEXT]);

MUST_USE bool day_parse(const char *text, int32_t *day); /* "2026-11-25" */
void day_format(int32_t day, char text[static DAY_TEXT]);
int32_t day_of(int64_t us); /* the UTC day that a moment lies in */
int64_t day_start_us(int32_t day);

/* True for an IANA name that this machine knows. */
bool zone_known(const char *zone);
/* strftime(3) in a zone, for people; the process' own zone is left as it was. */
void time_local(int64_t us, const char *zone, const char *format, char *out, size_t size);

#endif
