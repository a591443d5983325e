/*
 * HTTP: many transfers at once in one thread, and single ones. The only user of libcurl.
 *
 * HTTP/1.1 with connections kept; no redirects, proxies, cookies or netrc; certificates are always checked;
 * an address with a user name or password in it is refused. A body is limited in size after decoding. How
 * many transfers run at once is the caller's business.
 */
#ifndef COLLECTOR_FETCH_H
#define COLLECTOR_FETCH_H

#include "base/arena.h"

#include <stdint.h>

struct fetch_limits {
    int64_t connect_ms, total_ms; /* deadlines of one transfer */
    size_t max_bytes;             /* of a decoded body */
    size_t targets;               /* different hosts that will be asked: so many connections are kept */
};

/* 3 s to connect, 15 s in all, 16 MiB, 64 targets. */
extern const struct fetch_limits fetch_usual_limits;

/* An answer of any HTTP status: what it means stands in the body. */
struct body {
    const char *bytes;
    size_t size;
    long status;
};

/* One transfer, waited for. ERR_INPUT: not an address, or too large; ERR_UNAVAILABLE: no answer. */
MUST_USE bool fetch_once(const char *url, const struct fetch_limits *limits, struct arena *mem,
                         struct body *out, struct err *err);

struct fetch;

MUST_USE bool fetch_new(struct fetch **f, const struct fetch_limits *limits, struct err *err);
void fetch_free(struct fetch *f); /* NULL is fine; unfinished transfers are given up */

/* Begins a transfer; tag comes back with its end. A bad address fails at its end, like any other failure. */
void fetch_start(struct fetch *f, const char *url, void *tag);
/* As fetch_start, but sends a body by POST, with header lines of its own ("Name: value"; one at least). */
void fetch_post(struct fetch *f, const char *url, const struct body *body, const char *const *headers,
                size_t header_count, void *tag);
size_t fetch_in_flight(const struct fetch *f);

struct fetched {
    void *tag;
    struct body body;  /* until the next call of fetch_wait */
    const char *error; /* NULL: an answer came; until the next call of fetch_wait */
    bool too_large;    /* the failure is a body above max_bytes */
};

/* The next transfer that has ended, waiting up to timeout_ms for one. False: none did. */
MUST_USE bool fetch_wait(struct fetch *f, int64_t timeout_ms, struct fetched *out);

#endif
