/*
 * How late sources are asked while a large closed part of the journal is sealed.
 */
#include "base/clock.h"
#include "bench.h"
#include "feeder.h"
#include "listed.h"
#include "mock.h"
#include "program.h"
#include "sealed.h"

#include <signal.h>
#include <stdlib.h>
#include <unistd.h>

enum { SITES = 5, PERIOD_S = 5, OLD_FANS = 100000, LONGEST_S = 900 };

/* Readings of one site and a closed hour, as its sources were read before they were taken away. */
static void store_old(struct ground *g, size_t count)
{
    static struct reading batch[FEEDER_BATCH];
    struct simulation s;
    struct feeder feeder;
    int64_t day_us = day_start_us(day_of(clock_now_us())) - 3 * US_PER_DAY;
    simulation_init(&s, OLD_FANS, day_us, 10 * US_PER_S);
    feeder_init(&feeder, g);
    sealed_register(g, OLD_FANS);
    for (size_t done = 0; done < count; done += FEEDER_BATCH) {
        for (size_t k = 0; k < FEEDER_BATCH; k++)
            batch[k] = simulation_next(&s);
        feeder_store(&feeder, batch, FEEDER_BATCH);
    }
    simulation_release(&s);
    ground_do(g, "DELETE FROM vaneward.source_cursor WHERE site = 's';"
                 "DELETE FROM vaneward.source WHERE site = 's'");
}

static bool is_sealed(struct ground *g)
{
    return ground_number(g, "SELECT count(*) FROM vaneward.journal_waiting WHERE site = 's'") == 0;
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    const struct mock_options options = {.sources = 200, .fans = 12, .period_ms = PERIOD_S * 1000};
    static struct ground ground;
    struct mock m;
    size_t old = (size_t)bench_size(6000000, 36000000);
    ground_open(&ground);
    store_old(&ground, old);
    mock_start(&m, &options);
    listed_sources(&ground, &m, 'f', SITES, PERIOD_S);
    const char *const args[] = {"vaneward-collector", "run", "--db", ground.conninfo, NULL};
    double began = bench_now_s();
    int collector = program_start(args, "/dev/null");
    while (!is_sealed(&ground) && bench_now_s() - began < LONGEST_S)
        usleep(100 * 1000);
    double took_s = bench_now_s() - began;
    sleep(PERIOD_S);
    struct mock_ledger ledger = mock_ask_ledger(&m, false);
    program_end(collector, SIGTERM);
    const struct bench_figure late = {.what = "beside.late_p99",
                                      .figure = ledger.late_p99_s,
                                      .unit = "s",
                                      .limit = "sealing meanwhile",
                                      .limit_figure = took_s,
                                      .aim = AIM_AT_MOST,
                                      .target = 0.1};
    bench_tell(&late);
    free(ledger.next);
    mock_stop(&m);
}
