/*
 * Durable exactly-once storing of batches of 10,000 readings of 100 sources, as the collector does it,
 * against unlogged COPY of plain rows, and against COPY of rows that moves the cursors of the sources in the
 * same transaction. And how long a commit takes, from the first reading to be packed to the server's answer,
 * against a bare fdatasync of as many bytes as it adds to the log. All take turns, so that other programs hit
 * all alike.
 */
#include "base/clock.h"
#include "bench.h"
#include "feeder.h"
#include "simulation.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { BATCH = FEEDER_BATCH, PARTS = BATCH / FEEDER_ANSWER, FANS = FEEDER_SOURCES * FEEDER_ANSWER };

/* Of one round: on the clock, and CPU seconds of client and server process. */
struct took {
    double wall_s, cpu_s;
};

struct job {
    struct ground ground;
    struct feeder feeder;
    struct reading *readings;
    size_t batches;
    double *commits_s, *syncs_s; /* one after the other, of all rounds */
    size_t commits, syncs;
};

static struct took now(int server_pid)
{
    return (struct took){bench_now_s(), ground_cpu_s(server_pid)};
}

static struct took since(struct took began, int server_pid)
{
    struct took at = now(server_pid);
    return (struct took){at.wall_s - began.wall_s, at.cpu_s - began.cpu_s};
}

static struct took store_journal(struct job *j)
{
    struct took began = now(j->ground.db_pid);
    for (size_t k = 0; k < j->batches; k++) {
        double at = bench_now_s();
        feeder_store(&j->feeder, j->readings + k * BATCH, BATCH);
        j->commits_s[j->commits++] = bench_now_s() - at;
    }
    return since(began, j->ground.db_pid);
}

static struct took store_unlogged(struct job *j)
{
    ground_do(&j->ground, "DROP TABLE IF EXISTS r; CREATE UNLOGGED TABLE r (fan_no int NOT NULL, read_at "
                          "timestamptz NOT NULL, rpm int NOT NULL)");
    struct took began = now(j->ground.bare_pid);
    for (size_t k = 0; k < j->batches; k++)
        ground_copy(&j->ground, j->readings + k * BATCH, BATCH);
    return since(began, j->ground.bare_pid);
}

/* Partitions by day with a block-range index, and the cursors of 100 sources in the same transaction. */
static struct took store_rows(struct job *j)
{
    ground_do(&j->ground,
              "DROP TABLE IF EXISTS r, cursors;"
              "CREATE TABLE r (fan_no int NOT NULL, read_at timestamptz NOT NULL, rpm int NOT NULL)"
              " PARTITION BY RANGE (read_at);"
              "CREATE TABLE r_1 PARTITION OF r FOR VALUES FROM ('2026-01-01') TO ('2026-03-02');"
              "CREATE TABLE r_2 PARTITION OF r FOR VALUES FROM ('2026-03-02') TO ('2026-03-03');"
              "CREATE TABLE r_3 PARTITION OF r FOR VALUES FROM ('2026-03-03') TO ('2027-01-01');"
              "CREATE INDEX ON r USING brin (read_at);"
              "CREATE TABLE cursors (source int PRIMARY KEY, next bigint NOT NULL) WITH (fillfactor = 50);"
              "INSERT INTO cursors SELECT n, 0 FROM generate_series(0, 999) n");
    struct took began = now(j->ground.bare_pid);
    for (size_t k = 0; k < j->batches; k++) {
        char sql[200];
        int first = (int)(k * PARTS % FEEDER_SOURCES);
        ground_do(&j->ground, "BEGIN");
        ground_copy(&j->ground, j->readings + k * BATCH, BATCH);
        snprintf(sql, sizeof sql, "UPDATE cursors SET next = next + 100 WHERE source >= %d AND source < %d",
                 first, first + PARTS);
        ground_do(&j->ground, sql);
        ground_do(&j->ground, "COMMIT");
    }
    return since(began, j->ground.bare_pid);
}

/* Writes as many bytes as often into a file that is there already, as write-ahead log is. */
static void sync_bytes(struct job *j, size_t bytes)
{
    char path[] = "/tmp/vaneward-bench-XXXXXX";
    int fd = mkstemp(path);
    char *data = calloc(bytes, 1);
    if (fd < 0 || !data)
        bench_fail("cannot make a file in /tmp");
    unlink(path);
    for (size_t k = 0; k < j->batches; k++)
        if (write(fd, data, bytes) != (ssize_t)bytes)
            bench_fail("cannot write to /tmp");
    fsync(fd);
    lseek(fd, 0, SEEK_SET);
    for (size_t k = 0; k < j->batches; k++) {
        double began = bench_now_s();
        if (write(fd, data, bytes) != (ssize_t)bytes || fdatasync(fd) != 0)
            bench_fail("cannot write to /tmp");
        j->syncs_s[j->syncs++] = bench_now_s() - began;
    }
    close(fd);
    free(data);
}

static void tell_quantile(struct job *j, const char *what, const char *limit, double p, double limit_p,
                          double target)
{
    const struct bench_figure f = {.what = what,
                                   .figure = bench_quantile(j->commits_s, j->commits, p) * 1e3,
                                   .unit = "ms",
                                   .limit = limit,
                                   .limit_figure = bench_quantile(j->syncs_s, j->syncs, limit_p) * 1e3,
                                   .aim = target > 0 ? AIM_AT_MOST : AIM_NONE,
                                   .target = target};
    bench_tell(&f);
}

static void tell_commits(struct job *j)
{
    tell_quantile(j, "store.commit_p99", "bare fdatasync, median", 0.99, 0.5, 10);
    tell_quantile(j, "store.commit_p99.of_p99", "bare fdatasync, 99th percentile", 0.99, 0.99, 0);
    tell_quantile(j, "store.commit_median", "bare fdatasync, median", 0.5, 0.5, 0);
}

static struct took median_of(const struct took *rounds)
{
    double wall_s[BENCH_ROUNDS], cpu_s[BENCH_ROUNDS];
    for (int k = 0; k < BENCH_ROUNDS; k++) {
        wall_s[k] = rounds[k].wall_s;
        cpu_s[k] = rounds[k].cpu_s;
    }
    return (struct took){bench_median(wall_s, BENCH_ROUNDS), bench_median(cpu_s, BENCH_ROUNDS)};
}

/* The rate on the clock, which is judged, and that of a CPU second, which a busy machine changes less. */
static void tell_rate(const char *what, const char *limit, const struct took *ours, const struct took *theirs,
                      double readings, double target)
{
    struct took a = median_of(ours), b = median_of(theirs);
    char name[40];
    const struct bench_figure clock = {.what = what,
                                       .figure = readings / a.wall_s,
                                       .unit = "readings/s",
                                       .limit = limit,
                                       .limit_figure = readings / b.wall_s,
                                       .aim = AIM_AT_LEAST,
                                       .target = target};
    bench_tell(&clock);
    snprintf(name, sizeof name, "%s.cpu", what);
    const struct bench_figure cpu = {.what = name,
                                     .figure = readings / a.cpu_s,
                                     .unit = "readings/CPU-s",
                                     .limit = limit,
                                     .limit_figure = readings / b.cpu_s};
    bench_tell(&cpu);
}

static void make_readings(struct job *j)
{
    struct simulation s;
    j->readings = calloc(j->batches * BATCH, sizeof *j->readings);
    j->commits_s = calloc(j->batches * (BENCH_ROUNDS + 11), sizeof *j->commits_s);
    j->syncs_s = calloc(j->batches * BENCH_ROUNDS, sizeof *j->syncs_s);
    if (!j->readings || !j->commits_s || !j->syncs_s)
        err_no_memory();
    simulation_init(&s, FANS, 1772452800 * US_PER_S /* 2026-03-02T12:00Z */, 10 * US_PER_S);
    for (size_t k = 0; k < j->batches * BATCH; k++)
        j->readings[k] = simulation_next(&s);
    simulation_release(&s);
}

static double store_ten_times(struct job *j)
{
    double took_s = 0;
    for (int k = 0; k < 10; k++)
        took_s += store_journal(j).cpu_s;
    return took_s;
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    static struct job j;
    j.batches = (size_t)bench_size(30, 200);
    make_readings(&j);
    ground_open(&j.ground);
    feeder_init(&j.feeder, &j.ground);
    struct took journal[BENCH_ROUNDS], unlogged[BENCH_ROUNDS], rows[BENCH_ROUNDS];
    double wal = 0, readings = (double)j.batches * BATCH;
    ground_age_log(&j.ground);
    (void)store_journal(&j); /* statements are prepared, and planned for any parameters after five times */
    j.commits = 0;
    for (int k = 0; k < BENCH_ROUNDS; k++) {
        double before = ground_wal(&j.ground);
        journal[k] = store_journal(&j);
        double added = ground_wal(&j.ground) - before;
        wal += added;
        sync_bytes(&j, (size_t)(added / (double)j.batches));
        unlogged[k] = store_unlogged(&j);
        rows[k] = store_rows(&j);
    }
    tell_rate("store.unlogged", "unlogged COPY of plain rows", journal, unlogged, readings, 4);
    tell_rate("store.rows", "COPY of rows with cursors", journal, rows, readings, 8);
    tell_commits(&j);
    const struct bench_figure f = {
        .what = "store.wal", .figure = wal / BENCH_ROUNDS / readings, .unit = "bytes/reading"};
    bench_tell(&f);
    bench_tell_growth("store", median_of(journal).cpu_s, store_ten_times(&j));
}
