#include "sealed.h"

#include "base/clock.h"
#include "bench.h"
#include "seal.h"

#include <stdio.h>

void sealed_register(struct ground *g, uint32_t fans)
{
    char sql[600];
    snprintf(sql, sizeof sql,
             "INSERT INTO vaneward.machine (site, machine) VALUES ('s', 'm') ON CONFLICT DO NOTHING;"
             "INSERT INTO vaneward.drive (site, drive, machine)"
             " SELECT 's', n::text, 'm' FROM generate_series(1, %u) n ON CONFLICT DO NOTHING;"
             "INSERT INTO vaneward.fan (site, drive, position, fan_no)"
             " SELECT 's', n::text, 'internal-1', n FROM generate_series(1, %u) n ON CONFLICT DO NOTHING",
             fans, fans);
    ground_do(g, sql);
}

void sealed_init(struct sealed *s, struct ground *g, uint32_t fans, int64_t begins_us, int64_t period_us)
{
    struct feeder kept = s->feeder;
    *s = (struct sealed){.ground = g, .feeder = kept, .period_us = period_us};
    if (!kept.db)
        feeder_init(&s->feeder, g);
    sealed_register(g, fans);
    simulation_init(&s->simulation, fans, begins_us, period_us);
}

void sealed_release(struct sealed *s)
{
    simulation_release(&s->simulation);
}

static struct pass now(const struct sealed *s)
{
    return (struct pass){bench_now_s(), ground_cpu_s(s->ground->db_pid), ground_wal(s->ground)};
}

static void add_since(struct pass *sum, const struct pass *began, const struct sealed *s)
{
    struct pass at = now(s);
    sum->wall_s += at.wall_s - began->wall_s;
    sum->cpu_s += at.cpu_s - began->cpu_s;
    sum->wal += at.wal - began->wal;
}

static void store_hour(struct sealed *s)
{
    static struct reading batch[FEEDER_BATCH];
    size_t left = s->simulation.fans * (size_t)(US_PER_HOUR / s->period_us);
    while (left) {
        size_t n = left < FEEDER_BATCH ? left : FEEDER_BATCH;
        for (size_t k = 0; k < n; k++) {
            batch[k] = simulation_next(&s->simulation);
            if (s->on_reading)
                s->on_reading(s->context, &batch[k]);
        }
        struct pass began = now(s);
        feeder_store(&s->feeder, batch, n);
        add_since(&s->store, &began, s);
        left -= n;
        s->readings += n;
    }
}

void sealed_hour(struct sealed *s)
{
    struct err err = {0};
    struct seal_report report;
    store_hour(s);
    int64_t end_us = s->simulation.begins_us + s->simulation.rounds * s->period_us;
    struct pass began = now(s);
    bench_must(seal(s->ground->db, end_us + SEAL_GRACE_US + US_PER_S, &report, &err), &err);
    add_since(end_us % US_PER_DAY == 0 ? &s->day : &s->hour, &began, s);
    if (ground_number(s->ground, "SELECT count(*) FROM vaneward.journal") != 0)
        bench_fail("the sealer left something in the journal");
}
