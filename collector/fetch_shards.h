/*
 * Many multi handles of libcurl in one thread on one epoll set. For fetch.c alone.
 *
 * libcurl walks all connections of a multi handle at the end of every transfer, and asks the kernel after
 * each of them in every second in which one is used, so the hosts are dealt out to many handles. A handle is
 * made when its first host is asked.
 */
#ifndef COLLECTOR_FETCH_SHARDS_H
#define COLLECTOR_FETCH_SHARDS_H

#include "fetch_transfer.h"

struct shards;

MUST_USE bool shards_open(struct shards **out, size_t targets, struct err *err);
void shards_close(struct shards *s); /* NULL is fine; after shards_drop of what is under way */
/* So many hosts will be asked from now on: their connections are kept. */
void shards_expect(struct shards *s, size_t targets);

/* Once for each transfer, before its first start. */
void shards_adopt(struct shards *s, struct transfer *t);
/* Begins a transfer that was prepared. */
void shards_start(struct shards *s, struct transfer *t, const char *url);
/* Counts a transfer as ended that was not begun. */
void shards_end(struct shards *s, struct transfer *t);
/* Gives a transfer up, if it is under way. */
void shards_drop(struct transfer *t);

/* Lets transfers go on, for up to so long or until one has ended. False: a signal came. */
MUST_USE bool shards_turn(struct shards *s, int64_t at_most_ms);
/* A transfer that has ended, with its code; NULL: none. */
struct transfer *shards_ended(struct shards *s);

#endif
