/*
 * Catching up with history: the collector reads hourly readings of many fans to the end, against the slower
 * of the sources answering and decoding, each alone.
 */
#include "alone.h"
#include "bench.h"
#include "listed.h"
#include "program.h"

#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

enum { FANS = 100, PAGE = 10000, HOURS_A_DAY = 24 };

struct measured {
    double wall_s, cpu_s, readings, answer_s, decode_s;
};

/* Seconds of the mock for one page, bare. */
static double answer_s(const struct mock *m)
{
    char command[200];
    double took_s[BENCH_ROUNDS];
    snprintf(command, sizeof command,
             "curl -s -o /dev/null 'http://127.0.0.1:%u/f[0-9]/sample?from=1&count=%d'", m->port, PAGE);
    for (int k = 0; k < BENCH_ROUNDS; k++) {
        double began = bench_now_s();
        if (system(command) != 0)
            bench_fail("curl failed");
        took_s[k] = (bench_now_s() - began) / 10;
    }
    return bench_median(took_s, BENCH_ROUNDS);
}

static struct measured catch_up(uint32_t sources, int days)
{
    const struct mock_options options = {
        .sources = sources, .fans = FANS, .period_ms = 3600 * 1000, .history_s = (int64_t)days * 86400};
    static struct ground ground;
    struct mock m;
    mock_start(&m, &options);
    ground_open(&ground);
    listed_sources(&ground, &m, 'f', 1, 60);
    const char *const args[] = {
        "vaneward-collector", "run", "--catch-up", "--no-seal", "--in-flight", "64", "--db",
        ground.conninfo,      NULL};
    struct measured out = {0};
    double began = bench_now_s();
    struct program_use use = program_end(program_start(args, "/dev/null"), 0);
    out.wall_s = bench_now_s() - began;
    out.cpu_s = use.cpu_s;
    out.readings = ground_number(&ground, "SELECT sum(readings) FROM vaneward.journal");
    struct mock_ledger ledger = mock_ask_ledger(&m, false);
    if (use.status != 0 || out.readings != ledger.observations)
        bench_fail("status %d, %.0f readings stored, %.0f handed out", use.status, out.readings,
                   ledger.observations);
    free(ledger.next);
    out.answer_s = answer_s(&m) / PAGE * out.readings;
    out.decode_s = alone_decode_s(&m, 'f', PAGE) / PAGE * out.readings;
    mock_stop(&m);
    db_close(ground.db);
    PQfinish(ground.bare);
    return out;
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    uint32_t sources = (uint32_t)bench_size(20, 100);
    int days = (int)bench_size(40, 400);
    struct measured small = catch_up(sources, days / 10), large = catch_up(sources, days);
    double limit_s = large.answer_s > large.decode_s ? large.answer_s : large.decode_s;
    printf("catch_up: %.0f readings in %.2f s, %.2f CPU-s; alone: answering %.2f s, decoding %.2f s\n",
           large.readings, large.wall_s, large.cpu_s, large.answer_s, large.decode_s);
    const struct bench_figure f = {.what = "catch_up",
                                   .figure = large.readings / large.wall_s,
                                   .unit = "readings/s",
                                   .limit =
                                       large.answer_s > large.decode_s ? "sources answering" : "decoding",
                                   .limit_figure = large.readings / limit_s,
                                   .aim = AIM_AT_LEAST,
                                   .target = 0.7};
    bench_tell(&f);
    bench_tell_growth("catch_up", small.cpu_s, large.cpu_s);
}
