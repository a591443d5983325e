/*
 * HTTP: many transfers at once in one thread, and single ones. The only user of libcurl, with its own parts
 * fetch_shards, fetch_transfer and fetch_url.
 *
 * HTTP/1.1 with connections kept; http or https as the url says, no redirects, proxies, cookies or netrc;
 * certificates are always checked; an address with a user name or password in it is refused, and so is an
 * IP address outside the networks that are allowed. Body and header are limited in size, nothing is unpacked.
 * How many transfers run at once is the caller's business.
 */
#ifndef COLLECTOR_FETCH_H
#define COLLECTOR_FETCH_H

#include "base/arena.h"
#include "networks.h"

#include <stdint.h>

struct fetch_limits {
    int64_t connect_ms, total_ms; /* deadlines of one transfer */
    size_t max_bytes;             /* of a decoded body */
    size_t targets;               /* different hosts that will be asked: so many connections are kept */
};

/* 3 s to connect, 15 s in all, 16 MiB, 64 targets. */
extern const struct fetch_limits fetch_usual_limits;

/* How an address may be reached, and who we are there. Zero is the usual. */
struct fetch_access {
    const struct networks *networks; /* NULL: as the empty list */
    const char *ca_file;             /* certificates that alone are trusted; NULL: the system's */
    const char *pinned_key;          /* sha256//base64; NULL: any */
    const char *credential;          /* name; NULL: none */
    const char *credential_folder;   /* NULL: the usual one */
    bool any_type; /* take what it has: it refused the types that we like best (status 406) */
};

enum { STATUS_NOT_ACCEPTABLE = 406 };

/* An answer of any HTTP status but a redirection: what it means stands in the body. */
struct body {
    const char *bytes;
    size_t size;
    long status;
};

/* One transfer, waited for. ERR_INPUT: not allowed, or too large; ERR_UNAVAILABLE: no answer. access NULL:
 * the usual. */
MUST_USE bool fetch_once(const char *url, const struct fetch_access *access,
                         const struct fetch_limits *limits, struct arena *mem, struct body *out,
                         struct err *err);

struct fetch;

MUST_USE bool fetch_new(struct fetch **f, const struct fetch_limits *limits, struct err *err);
void fetch_free(struct fetch *f); /* NULL is fine; unfinished transfers are given up */

/* From now on so many different hosts will be asked. */
void fetch_expect(struct fetch *f, size_t targets);

/* Begins a transfer; tag comes back with its end. What is refused fails at its end, like any other failure.
 * Nothing of access is needed after the call. */
void fetch_start(struct fetch *f, const char *url, const struct fetch_access *access, void *tag);
/* As fetch_start with the usual access, but sends a body by POST, with header lines of its own ("Name:
 * value"; one at least). */
void fetch_post(struct fetch *f, const char *url, const struct body *body, const char *const *headers,
                size_t header_count, void *tag);
size_t fetch_in_flight(const struct fetch *f);

struct fetched {
    void *tag;
    struct body body;  /* until the next call of fetch_wait */
    const char *error; /* NULL: an answer came; until the next call of fetch_wait */
    bool too_large;    /* the failure is a body above max_bytes */
    bool
        refused; /* the failure is ours: an address, a credential, a certificate file that must not be used */
    int64_t certificate_end_us; /* of a connection that is new; else TIME_UNKNOWN */
};

/* The next transfer that has ended, waiting up to timeout_ms for one. False: none did. */
MUST_USE bool fetch_wait(struct fetch *f, int64_t timeout_ms, struct fetched *out);

#endif
