/*
 * Starts the mock fleet (mock_fleet.c) beside a benchmark; it ends with it.
 *
 * Its sources lie on 25 addresses of the loopback and as many ports as that takes: each is a host of its
 * own.
 */
#ifndef BENCH_MOCK_H
#define BENCH_MOCK_H

#include "plant.h"

#include <stdbool.h>

enum { MOCK_URL = 80, MOCK_ADDRESSES = 25 };

struct mock_options {
    uint32_t sources, fans;
    int64_t period_ms, history_s;
    bool tls;
};

struct mock {
    struct mock_options options;
    struct plant plant;
    int pid;
    unsigned port;
    char certificate[64]; /* what its clients must trust; "" without TLS */
};

void mock_start(struct mock *m, const struct mock_options *options);
void mock_stop(struct mock *m);
struct mock_ledger {
    double answers, connections, observations; /* given; taken; handed out by /sample */
    double late_p99_s; /* 99th percentile of how much later than a period sources were asked again */
    uint64_t *next;    /* of each source: behind the last one handed out; 0: none was */
};
/* Asks it for its ledger; free(next). freeze: from now on no source says anything new. */
struct mock_ledger mock_ask_ledger(const struct mock *m, bool freeze);
/* Of a source; format is 'f' (feed) or 'm' (MTConnect). */
void mock_url(const struct mock *m, char format, uint32_t source, char url[static MOCK_URL]);

#endif
