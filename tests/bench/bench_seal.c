/*
 * The sealer: the time it takes for an hour and a day of a million fans, the write-ahead log of all passes,
 * and the bytes on disk against the entropy of the readings.
 *
 * Times are CPU seconds of the sealer and of its server process together, scaled to the million: what one
 * core would need.
 */
#include "base/clock.h"
#include "bench.h"
#include "sealed.h"

#include <stdio.h>

static const int64_t day_us = 1772409600 * US_PER_S; /* 2026-03-02 */
static const double fleet = 1e6;

static struct ground ground;
static struct sealed sealed;

static void tell_time(const char *what, int period_s, double cpu_s, uint32_t fans, double lasts_s)
{
    char name[40];
    snprintf(name, sizeof name, "seal.%s.%ds", what, period_s);
    const struct bench_figure f = {.what = name,
                                   .figure = cpu_s * fleet / fans,
                                   .unit = "CPU-s for 1,000,000 fans",
                                   .limit = "that it lasts",
                                   .limit_figure = lasts_s,
                                   .aim = AIM_AT_MOST,
                                   .target = 0.1};
    bench_tell(&f);
}

/* One hour of many fans. Returns the CPU seconds of sealing. */
static double seal_hour(uint32_t fans, int64_t begins_us, int period_s)
{
    sealed_init(&sealed, &ground, fans, begins_us, period_s * US_PER_S);
    sealed_hour(&sealed);
    sealed_release(&sealed);
    return sealed.hour.cpu_s;
}

static void seal_day(uint32_t fans, int64_t begins_us, int period_s)
{
    sealed_init(&sealed, &ground, fans, begins_us, period_s * US_PER_S);
    for (int hour = 0; hour < 24; hour++)
        sealed_hour(&sealed);
    sealed_release(&sealed);
}

static double disk_bytes(int64_t begins_us)
{
    return ground_number(&ground,
                         "SELECT pg_total_relation_size('vaneward.reading_day_' || "
                         "to_char(to_timestamp(%ld) AT TIME ZONE 'UTC', 'YYYYMMDD'))",
                         (long)(begins_us / US_PER_S));
}

static void tell_disk(int64_t begins_us, int period_s, double target)
{
    char name[40];
    snprintf(name, sizeof name, "seal.disk.%ds", period_s);
    const struct bench_figure f = {.what = name,
                                   .figure = disk_bytes(begins_us) / (double)sealed.readings,
                                   .unit = "bytes/reading",
                                   .limit = "entropy",
                                   .limit_figure = simulation_entropy_bytes(&sealed.simulation),
                                   .aim = AIM_AT_MOST,
                                   .target = target};
    bench_tell(&f);
}

static void tell_wal(double store, double hour, double day)
{
    printf("seal.wal: journal %.2f, hour %.2f, day %.2f bytes/reading\n", store, hour, day);
    const struct bench_figure f = {.what = "seal.wal",
                                   .figure = store + hour + day,
                                   .unit = "bytes/reading",
                                   .aim = AIM_AT_MOST,
                                   .target = 9};
    bench_tell(&f);
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    uint32_t hour_fans = (uint32_t)bench_size(10000, 100000), day_fans = (uint32_t)bench_size(300, 3000);
    ground_open(&ground);

    /* From late to early days: an hour that lies in a closed day would be folded into the day as well. */
    double few_s = seal_hour(hour_fans / 10, day_us + 2 * US_PER_DAY, 10);
    double hour_s = seal_hour(hour_fans, day_us + US_PER_DAY, 10);
    double store_wal = sealed.store.wal / (double)sealed.readings;
    double hour_wal = sealed.hour.wal / (double)sealed.readings;
    tell_time("hour", 10, hour_s, hour_fans, 3600);
    tell_time("hour", 60, seal_hour(hour_fans, day_us, 60), hour_fans, 3600);
    bench_tell_growth("seal.hour", few_s, hour_s);

    int64_t begins_us = day_us + 10 * US_PER_DAY;
    seal_day(day_fans / 10, begins_us, 10);
    double few_day_s = sealed.day.cpu_s;
    seal_day(day_fans, begins_us += US_PER_DAY, 10);
    tell_time("day", 10, sealed.day.cpu_s, day_fans, 86400);
    tell_disk(begins_us, 10, 1.5);
    tell_wal(store_wal, hour_wal, sealed.day.wal / (double)sealed.readings);
    bench_tell_growth("seal.day", few_day_s, sealed.day.cpu_s);
    seal_day(day_fans, begins_us += US_PER_DAY, 30);
    tell_time("day", 30, sealed.day.cpu_s, day_fans, 86400);
    tell_disk(begins_us, 30, 1.7);
}
