/*
 * Which source is asked next, and how many at a time.
 *
 * Sources that do not answer hold their place until a deadline. So that they do not keep others waiting, a
 * source is doubtful while it fails, and once an answer takes long; the doubtful ones have few places. And so
 * that a site that answers slowly does not keep other sites waiting, the last quarter of the places is for
 * sites that hold less than an equal share.
 */
#ifndef COLLECTOR_LANES_H
#define COLLECTOR_LANES_H

#include "schedule.h"
#include "station.h"

struct lanes {
    size_t most; /* asked at a time, while they answer soon */
    struct schedule *due[LANES];
    size_t under_way[LANES];
    struct lanes_site *sites;
    size_t site_count;
    size_t parked;                            /* due, and waiting for their site's share */
    struct station *first_asked, *last_asked; /* sound ones under way; the longest asked comes first */
};

void lanes_init(struct lanes *l, size_t most);
void lanes_release(struct lanes *l);
/* So many may be under way together, with those that take long. */
size_t lanes_room(const struct lanes *l);

void lanes_put(struct lanes *l, struct station *st, int64_t due_ms);
/* A source that is due and has a place; NULL: none. */
struct station *lanes_next(struct lanes *l, int64_t now_ms);
/* When the next source can be asked, as far as a place is free for it now; else at_latest_ms. */
int64_t lanes_next_ms(const struct lanes *l, int64_t at_latest_ms);

/* A source holds its place from its request to its answer. */
void lanes_ask(struct lanes *l, struct station *st, int64_t now_ms);
void lanes_answered(struct lanes *l, struct station *st);
/* Answers that take long give their places among the sound ones free. */
void lanes_doubt(struct lanes *l, int64_t now_ms);

#endif
