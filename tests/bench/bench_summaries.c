/*
 * Daily summaries as the reporter reads them, site by site and row by row, against binary COPY of the same
 * columns and rows read bare.
 */
#include "base/clock.h"
#include "bench.h"
#include "listed.h"
#include "queries.h"

#include <math.h>
#include <stdio.h>

static struct ground ground;

/* Adds up all cells, as the reporter makes numbers of all. */
static bool on_row(void *context, const struct db_copied *row, struct err *err)
{
    double *sum = context;
    (void)err;
    *sum += copied_int(row, 0) + copied_day(row, 1) + copied_real(row, 5);
    for (int column = 2; column <= 4; column++)
        *sum += copied_int(row, column);
    return true;
}

static double read_sites(int sites, double *sum)
{
    struct err err = {0};
    double began = bench_now_s();
    for (int k = 0; k < sites; k++) {
        char site[20];
        snprintf(site, sizeof site, "site-%d", k);
        const struct db_value params[] = {db_text(site), db_moment(1780000000 * US_PER_S)};
        bench_must(db_copy_out(ground.db, &q_fleet_fan_days, params, 2, on_row, sum, &err), &err);
    }
    return bench_now_s() - began;
}

static double read_bare(void)
{
    double began = bench_now_s();
    ground_copy_out(&ground,
                    "COPY (SELECT fan_no, day, unavailable_readings, zero_readings, covered_s, rpm_median"
                    " FROM vaneward.fan_day WHERE known_until IS NULL) TO STDOUT (FORMAT binary)");
    return bench_now_s() - began;
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    int sites = (int)bench_size(5, 50), days = 100;
    double rows = sites * 1000.0 * days;
    ground_open(&ground);
    listed_history(&ground, sites * 1000, days);
    double ours[BENCH_ROUNDS], bare[BENCH_ROUNDS], few[BENCH_ROUNDS], sum = 0;
    read_sites(1, &sum);
    double before_mb = bench_most_memory_mb();
    for (int k = 0; k < BENCH_ROUNDS; k++) {
        ours[k] = read_sites(sites, &sum);
        bare[k] = read_bare();
        few[k] = read_sites(sites / 5, &sum);
    }
    if (!isfinite(sum))
        bench_fail("the summaries hold what is no number");
    double took_s = bench_median(ours, BENCH_ROUNDS);
    const struct bench_figure rate = {.what = "summaries",
                                      .figure = rows / took_s,
                                      .unit = "rows/s",
                                      .limit = "binary COPY read bare",
                                      .limit_figure = rows / bench_median(bare, BENCH_ROUNDS),
                                      .aim = AIM_AT_LEAST,
                                      .target = 0.9};
    bench_tell(&rate);
    const struct bench_figure memory = {.what = "summaries.memory",
                                        .figure = bench_most_memory_mb() - before_mb,
                                        .unit = "MB more for all than for one site",
                                        .aim = AIM_AT_MOST,
                                        .target = 1};
    bench_tell(&memory);
    bench_tell_growth("summaries", bench_median(few, BENCH_ROUNDS) / 2, took_s);
}
