/*
 * Whom to ask when. Pure: the time comes in as an argument, in milliseconds of a clock that never steps.
 *
 * Sources are spread over their period by a fixed phase that follows from the source's key, so that a
 * restart does not ask all at once. A source that fails is asked again after a random part of a wait that
 * doubles with each failure, from 1 s to 5 min.
 */
#ifndef COLLECTOR_SCHEDULE_H
#define COLLECTOR_SCHEDULE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { BACKOFF_FIRST_MS = 1000, BACKOFF_LAST_MS = 5 * 60 * 1000 };

/* A number that stands for a key, the same in every run. */
uint64_t schedule_hash(const char *key);

/* The first moment after now_ms that lies in the key's phase of the period. */
int64_t schedule_next_ms(const char *key, int64_t period_ms, int64_t now_ms);

/* When to ask again after so many failures in a row (1 or more): never sooner than 1 s. */
int64_t schedule_retry_ms(const char *key, int failures, int64_t now_ms);

/* What is due when: a heap of (moment, tag). */
struct schedule;

struct schedule *schedule_new(void);
void schedule_free(struct schedule *s); /* NULL is fine */
void schedule_put(struct schedule *s, int64_t due_ms, void *tag);
/* The longest due tag, taken out; NULL when none is due yet. */
void *schedule_take(struct schedule *s, int64_t now_ms);
/* When the next one is due; INT64_MAX when there is none. */
int64_t schedule_due_ms(const struct schedule *s);
size_t schedule_count(const struct schedule *s);

#endif
