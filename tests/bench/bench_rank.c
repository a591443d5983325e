/*
 * The reporter's rank over fans with a year of daily summaries, against reading the summaries bare; the fleet
 * is scaled down.
 */
#include "bench.h"
#include "listed.h"
#include "program.h"

#include <stdio.h>

enum { DAYS = 365 };

struct measured {
    double wall_s, memory_mb, bare_s;
};

static struct measured rank(int fans)
{
    static struct ground ground;
    struct measured out = {0};
    ground_open(&ground);
    listed_history(&ground, fans, DAYS);
    double began = bench_now_s();
    ground_copy_out(&ground,
                    "COPY (SELECT fan_no, day, unavailable_readings, zero_readings, covered_s, rpm_min,"
                    " rpm_median FROM vaneward.fan_day WHERE known_until IS NULL) TO STDOUT (FORMAT binary)");
    out.bare_s = bench_now_s() - began;
    const char *const args[] = {"vaneward-reporter",    "rank", "--json",        "--as-of",
                                "2026-03-01T12:00:00Z", "--db", ground.conninfo, NULL};
    began = bench_now_s();
    struct program_use use = program_end(program_start(args, "/dev/null"), 0);
    out.wall_s = bench_now_s() - began;
    out.memory_mb = use.memory_mb;
    if (use.status != 0 && use.status != 3)
        bench_fail("rank ended with status %d", use.status);
    db_close(ground.db);
    PQfinish(ground.bare);
    return out;
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    int fans = (int)bench_size(10000, 100000);
    struct measured small = rank(fans / 10), large = rank(fans);
    const struct bench_figure time = {.what = "rank",
                                      .figure = large.wall_s,
                                      .unit = "s",
                                      .limit = "binary COPY of the summaries read bare",
                                      .limit_figure = large.bare_s,
                                      .aim = AIM_AT_MOST,
                                      .target = 2};
    bench_tell(&time);
    double each_mb = (large.memory_mb - small.memory_mb) / (fans - fans / 10.0);
    const struct bench_figure memory = {.what = "rank.memory",
                                        .figure = small.memory_mb + each_mb * (1e6 - fans / 10.0),
                                        .unit = "MB for 1,000,000 fans, from what each fan adds",
                                        .aim = AIM_AT_MOST,
                                        .target = 1536};
    bench_tell(&memory);
    bench_tell_growth("rank", small.wall_s, large.wall_s);
}
