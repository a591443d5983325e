/*
 * The collector as it runs: it polls, decodes and stores in one thread. Its CPU seconds against the sum of
 * polling, decoding and storing, each alone, for as many polls and readings; and what one core could take.
 */
#include "alone.h"
#include "bench.h"
#include "listed.h"
#include "program.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

enum { PERIOD_S = 2, FANS = 100 };

struct state {
    double cpu_s, answers, readings;
};

static struct state look(struct ground *g, const struct mock *m, int pid)
{
    struct mock_ledger ledger = mock_ask_ledger(m, false);
    free(ledger.next);
    return (struct state){
        .cpu_s = bench_cpu_of_s(pid),
        .answers = ledger.answers,
        .readings = ground_number(g, "SELECT coalesce(sum(next_sequence - 1), 0) FROM vaneward.source_cursor"
                                     " WHERE next_sequence > 0"),
    };
}

static void wait_for_all(struct ground *g, const struct mock *m)
{
    for (int k = 0; k < 120; k++, sleep(1))
        if (ground_number(g, "SELECT count(*) FROM vaneward.source_cursor WHERE next_sequence > 1") >=
            m->options.sources)
            return;
    bench_fail("the collector does not reach all sources");
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    const struct mock_options options = {.sources = (uint32_t)bench_size(300, 2000),
                                         .fans = FANS,
                                         .period_ms = PERIOD_S * 1000,
                                         .history_s = PERIOD_S};
    static struct ground ground;
    struct mock m;
    mock_start(&m, &options);
    ground_open(&ground);
    double store_s = alone_store_s(&ground);
    listed_sources(&ground, &m, 'f', 1, PERIOD_S);

    const char *const args[] = {"vaneward-collector", "run", "--no-seal", "--in-flight", "256", "--db",
                                ground.conninfo,      NULL};
    int collector = program_start(args, "/dev/null");
    wait_for_all(&ground, &m);
    struct state before = look(&ground, &m, collector);
    sleep((unsigned)bench_size(10, 30));
    struct state after = look(&ground, &m, collector);
    struct program_use use = program_end(collector, SIGTERM);

    double cpu_s = after.cpu_s - before.cpu_s, polls = after.answers - before.answers,
           readings = after.readings - before.readings;
    uint32_t page = (uint32_t)(readings / polls);
    double poll_s = alone_poll_s(&m, 'f', page, 256), decode_s = alone_decode_s(&m, 'f', page);
    printf(
        "collect: %.0f polls of %u readings; alone: poll %.1f us, decode %.1f us, store %.3f us a reading\n",
        polls, page, poll_s * 1e6, decode_s * 1e6, store_s * 1e6);
    const struct bench_figure parts = {.what = "collect.cpu",
                                       .figure = cpu_s / readings * 1e6,
                                       .unit = "CPU-us/reading",
                                       .limit = "the three parts alone",
                                       .limit_figure =
                                           ((poll_s + decode_s) * polls / readings + store_s) * 1e6,
                                       .aim = AIM_AT_MOST,
                                       .target = 1.2};
    bench_tell(&parts);
    const struct bench_figure rate = {.what = "collect.rate",
                                      .figure = readings / cpu_s,
                                      .unit = "readings/CPU-s",
                                      .aim = AIM_AT_LEAST,
                                      .target = 100000};
    bench_tell(&rate);
    const struct bench_figure memory = {.what = "collect.memory", .figure = use.memory_mb, .unit = "MB"};
    bench_tell(&memory);
    mock_stop(&m);
}
