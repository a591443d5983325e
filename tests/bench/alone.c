#include "alone.h"

#include "base/clock.h"
#include "bench.h"
#include "feed.h"
#include "feeder.h"
#include "fetch.h"
#include "mtconnect.h"
#include "simulation.h"

#include <stdio.h>
#include <stdlib.h>

enum { DOCUMENTS = 64, STORED_BATCHES = 40 };

static void ask(struct fetch *f, const struct mock *m, char format, uint32_t observations,
                const struct fetch_access *access, uint32_t source)
{
    char base[MOCK_URL], url[MOCK_URL + 60];
    mock_url(m, format, source, base);
    snprintf(url, sizeof url, "%s/sample?from=1&count=%u", base, observations);
    fetch_start(f, url, access, NULL);
}

double alone_poll_s(const struct mock *m, char format, uint32_t observations, size_t in_flight)
{
    struct err err = {0};
    struct fetch *f;
    struct networks networks;
    struct fetch_limits limits = fetch_usual_limits;
    limits.targets = m->options.sources;
    bench_must(networks_parse("127.0.0.0/8", &networks, &err) && fetch_new(&f, &limits, &err), &err);
    const struct fetch_access access = {.networks = &networks,
                                        .ca_file = m->options.tls ? m->certificate : NULL};
    double began = 0, cpu_s = 0, seconds = bench_size(2, 5), began_cpu_s = 0;
    uint32_t asked = 0, n = 0, warm = m->options.sources;
    for (; asked < in_flight; asked++)
        ask(f, m, format, observations, &access, asked % m->options.sources);
    for (struct fetched came; began == 0 || bench_now_s() - began < seconds; n++) {
        if (!fetch_wait(f, 10000, &came) || came.error)
            bench_fail("a poll failed");
        if (n == warm) { /* every connection is made */
            began = bench_now_s();
            began_cpu_s = bench_cpu_s();
        }
        ask(f, m, format, observations, &access, asked++ % m->options.sources);
    }
    cpu_s = bench_cpu_s() - began_cpu_s;
    fetch_free(f);
    return cpu_s / (n - warm);
}

double alone_decode_s(const struct mock *m, char format, uint32_t observations)
{
    struct buffer pages[DOCUMENTS] = {{0}};
    struct err err = {0};
    for (uint32_t k = 0; k < DOCUMENTS; k++) {
        const struct plant_page page = {
            .source = k, .first = 1, .last = observations, .newest = observations, .now_us = clock_now_us()};
        (format == 'f' ? plant_feed : plant_mtconnect)(&m->plant, &page, &pages[k]);
    }
    double began = bench_cpu_s(), n = 0;
    while (bench_cpu_s() - began < bench_size(0.5, 2)) {
        for (uint32_t k = 0; k < DOCUMENTS; k++, n++) {
            struct arena *mem = arena_new((size_t)1 << 30); /* one an answer, as the collector has it */
            struct document d;
            bench_must((format == 'f' ? feed_document : mtconnect_document)(pages[k].data, pages[k].used, mem,
                                                                            &d, &err),
                       &err);
            arena_free(mem);
        }
    }
    double cpu_s = bench_cpu_s() - began;
    for (uint32_t k = 0; k < DOCUMENTS; k++)
        buffer_free(&pages[k]);
    return cpu_s / n;
}

double alone_store_s(struct ground *g)
{
    static struct feeder feeder;
    static struct reading batch[FEEDER_BATCH];
    struct simulation s;
    double cpu_s = 0;
    feeder_init(&feeder, g);
    simulation_init(&s, FEEDER_SOURCES * FEEDER_ANSWER, clock_now_us(), 10 * US_PER_S);
    for (int k = 0; k < STORED_BATCHES; k++) {
        for (size_t i = 0; i < FEEDER_BATCH; i++)
            batch[i] = simulation_next(&s);
        double began = bench_cpu_s();
        feeder_store(&feeder, batch, FEEDER_BATCH);
        cpu_s += bench_cpu_s() - began;
    }
    simulation_release(&s);
    ground_do(g, "TRUNCATE vaneward.journal; DELETE FROM vaneward.source_cursor; DELETE FROM vaneward.source;"
                 "DELETE FROM vaneward.site");
    return cpu_s / ((double)STORED_BATCHES * FEEDER_BATCH);
}
