#include "bench.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>
#include <unistd.h>

static bool is_full;

void bench_begin(int argc, char **argv)
{
    for (int k = 1; k < argc; k++) {
        if (strcmp(argv[k], "--full") == 0)
            is_full = true;
        else if (strcmp(argv[k], "--quick") != 0)
            bench_fail("usage: %s [--quick|--full]", argv[0]);
    }
    setvbuf(stdout, NULL, _IOLBF, 0);
}

bool bench_is_full(void)
{
    return is_full;
}

double bench_size(double quick, double full)
{
    return is_full ? full : quick;
}

static double read_clock(clockid_t id)
{
    struct timespec t;
    clock_gettime(id, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

double bench_now_s(void)
{
    return read_clock(CLOCK_MONOTONIC);
}

double bench_cpu_s(void)
{
    return read_clock(CLOCK_PROCESS_CPUTIME_ID);
}

double bench_cpu_of_s(int pid)
{
    clockid_t id;
    if (clock_getcpuclockid(pid, &id) != 0)
        bench_fail("process %d has no clock", pid);
    return read_clock(id);
}

double bench_memory_mb(void)
{
    long pages = 0, held = 0;
    FILE *in = fopen("/proc/self/statm", "r");
    if (!in || fscanf(in, "%ld %ld", &pages, &held) != 2)
        bench_fail("cannot read /proc/self/statm");
    fclose(in);
    return (double)held * (double)sysconf(_SC_PAGESIZE) / 1048576;
}

double bench_most_memory_mb(void)
{
    struct rusage used;
    getrusage(RUSAGE_SELF, &used);
    return (double)used.ru_maxrss / 1024;
}

static int by_size(const void *left, const void *right)
{
    const double *a = left, *b = right;
    return (*a > *b) - (*a < *b);
}

double bench_quantile(double *values, size_t count, double p)
{
    qsort(values, count, sizeof *values, by_size);
    size_t at = (size_t)(p * (double)count);
    return values[at < count ? at : count - 1];
}

double bench_median(double *values, size_t count)
{
    return bench_quantile(values, count, 0.5);
}

static void json_number(const char *name, double value)
{
    if (isfinite(value))
        printf(", \"%s\": %.6g", name, value);
    else
        printf(", \"%s\": null", name);
}

void bench_tell(const struct bench_figure *f)
{
    double judged = f->limit ? f->figure / f->limit_figure : f->figure;
    bool is_met = f->aim == AIM_AT_LEAST ? judged >= f->target : judged <= f->target;

    printf("%s: %.4g %s", f->what, f->figure, f->unit);
    if (f->limit)
        printf("; %s: %.4g %s; ratio %.3g", f->limit, f->limit_figure, f->unit, judged);
    if (f->aim != AIM_NONE)
        printf("; target at %s %g: %s", f->aim == AIM_AT_LEAST ? "least" : "most", f->target,
               is_met ? "met" : "MISSED");
    printf("\n{\"bench\": \"%s\", \"size\": \"%s\", \"unit\": \"%s\"", f->what, is_full ? "full" : "quick",
           f->unit);
    json_number("figure", f->figure);
    if (f->limit) {
        printf(", \"limit\": \"%s\"", f->limit);
        json_number("limit_figure", f->limit_figure);
        json_number("ratio", judged);
    }
    if (f->aim != AIM_NONE) {
        printf(", \"aim\": \"%s\"", f->aim == AIM_AT_LEAST ? "at least" : "at most");
        json_number("target", f->target);
        printf(", \"met\": %s", is_met ? "true" : "false");
    }
    puts("}");
}

void bench_tell_growth(const char *what, double small_s, double large_s)
{
    char name[80];
    snprintf(name, sizeof name, "%s.growth", what);
    const struct bench_figure f = {.what = name,
                                   .figure = large_s / small_s,
                                   .unit = "times for 10 times the work",
                                   .aim = AIM_AT_MOST,
                                   .target = 12};
    bench_tell(&f);
}

_Noreturn void bench_fail(const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    fputs("bench: ", stderr);
    vfprintf(stderr, fmt, args);
    fputc('\n', stderr);
    va_end(args);
    exit(1);
}

void bench_must(bool ok, const struct err *err)
{
    if (!ok)
        bench_fail("%s", err->text);
}
