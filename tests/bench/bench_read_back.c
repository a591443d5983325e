/*
 * One fan's day of raw readings, read from its block and unpacked, against the same from rows with a primary
 * key.
 */
#include "base/clock.h"
#include "bench.h"
#include "queries.h"
#include "sealed.h"

#include <stdio.h>
#include <stdlib.h>

enum { PERIOD_S = 10, ASKED = 40 };

static const int64_t day_us = 1772409600 * US_PER_S; /* 2026-03-02 */

/* What the simulation said goes into rows as well. */
struct rows_copy {
    struct ground *ground;
    struct reading readings[FEEDER_BATCH];
    size_t count;
};

static void flush(struct rows_copy *c)
{
    ground_copy(c->ground, c->readings, c->count);
    c->count = 0;
}

static void on_reading(void *context, const struct reading *r)
{
    struct rows_copy *c = context;
    c->readings[c->count++] = *r;
    if (c->count == FEEDER_BATCH)
        flush(c);
}

/* Sum of the speeds, so that both sides can be compared. */
struct answer {
    struct arena *mem;
    size_t readings;
    int64_t sum;
};

static bool on_block(void *context, const struct rows *r, struct err *err)
{
    struct answer *a = context;
    size_t bytes, count;
    struct reading *readings;
    arena_reset(a->mem);
    const uint8_t *block = rows_bytes(r, 0, 0, a->mem, &bytes);
    if (!block_decode(block, bytes, a->mem, &readings, &count, err))
        return false;
    for (size_t i = 0; i < count; i++)
        a->sum += readings[i].milli_rpm / 1000;
    a->readings += count;
    return true;
}

static void from_blocks(struct ground *g, uint32_t fan, struct answer *a)
{
    struct err err = {0};
    const struct db_value params[] = {db_text("s"), db_int(fan), db_moment(day_us),
                                      db_moment(day_us + US_PER_DAY)};
    bench_must(db_stream(g->db, &q_fan_blocks, params, 4, on_block, a, &err), &err);
}

static int32_t get_32(const char *bytes)
{
    const unsigned char *b = (const unsigned char *)bytes;
    return (int32_t)((uint32_t)b[0] << 24 | (uint32_t)b[1] << 16 | (uint32_t)b[2] << 8 | b[3]);
}

static void from_rows(struct ground *g, uint32_t fan, struct answer *a)
{
    char number[16];
    const char *const params[] = {number};
    snprintf(number, sizeof number, "%u", fan);
    PGresult *r = PQexecParams(g->bare,
                               "SELECT read_at, rpm FROM r WHERE fan_no = $1::int AND read_at >= '2026-03-02'"
                               " AND read_at < '2026-03-03' ORDER BY read_at",
                               1, NULL, params, NULL, NULL, 1);
    for (int k = 0; k < PQntuples(r); k++)
        a->sum += get_32(PQgetvalue(r, k, 1));
    a->readings += (size_t)PQntuples(r);
    PQclear(r);
}

static void fill(struct sealed *s, struct ground *g, uint32_t fans)
{
    static struct rows_copy copy;
    copy.ground = g;
    ground_do(g, "SET TimeZone = 'UTC'; CREATE TABLE r (fan_no int NOT NULL, read_at timestamptz NOT NULL,"
                 " rpm int NOT NULL, PRIMARY KEY (fan_no, read_at))");
    sealed_init(s, g, fans, day_us, PERIOD_S * US_PER_S);
    s->on_reading = on_reading;
    s->context = &copy;
    for (int hour = 0; hour < 24; hour++)
        sealed_hour(s);
    flush(&copy);
    sealed_release(s);
    ground_do(g, "ANALYZE");
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    uint32_t fans = (uint32_t)bench_size(200, 2000);
    static struct ground g;
    static struct sealed s;
    struct arena *mem = arena_new((size_t)1 << 30);
    ground_open(&g);
    fill(&s, &g, fans);

    double ours[BENCH_ROUNDS], theirs[BENCH_ROUNDS];
    struct answer a = {.mem = mem}, b = {0};
    for (int round = 0; round < BENCH_ROUNDS; round++) {
        double began = bench_now_s();
        for (uint32_t k = 0; k < ASKED; k++)
            from_blocks(&g, 1 + k * fans / ASKED, &a);
        ours[round] = bench_now_s() - began;
        began = bench_now_s();
        for (uint32_t k = 0; k < ASKED; k++)
            from_rows(&g, 1 + k * fans / ASKED, &b);
        theirs[round] = bench_now_s() - began;
    }
    if (a.readings != b.readings || a.sum != b.sum)
        bench_fail("blocks and rows do not hold the same");
    double readings = (double)a.readings / BENCH_ROUNDS;
    const struct bench_figure f = {.what = "read_back",
                                   .figure = readings / bench_median(ours, BENCH_ROUNDS),
                                   .unit = "readings/s",
                                   .limit = "rows with a primary key",
                                   .limit_figure = readings / bench_median(theirs, BENCH_ROUNDS),
                                   .aim = AIM_AT_LEAST,
                                   .target = 30};
    bench_tell(&f);
    arena_free(mem);
}
