/*
 * What all benchmarks share: their size, clocks, and how a figure is told.
 *
 * A figure stands beside the bare limit that was measured in the same run. What is judged is the ratio of the
 * two, or the figure itself where the target is a number of its own. Each is printed as a line of text and a
 * line of JSON.
 */
#ifndef BENCH_H
#define BENCH_H

#include "base/err.h"

#include <stddef.h>

enum { BENCH_ROUNDS = 5 };

enum bench_aim { AIM_NONE, AIM_AT_LEAST, AIM_AT_MOST };

struct bench_figure {
    const char *what; /* "store.rows" */
    double figure;
    const char *unit;
    const char *limit; /* what it is compared with; NULL: nothing */
    double limit_figure;
    enum bench_aim aim;
    double target; /* of figure / limit_figure where there is a limit, else of the figure */
};

/* Reads --quick or --full. */
void bench_begin(int argc, char **argv);
/* Whether the long form was asked for. */
bool bench_is_full(void);
double bench_size(double quick, double full);

double bench_now_s(void);
double bench_cpu_s(void);          /* of this process */
double bench_cpu_of_s(int pid);    /* of another process */
double bench_memory_mb(void);      /* held now */
double bench_most_memory_mb(void); /* held at most */

double bench_median(double *values, size_t count); /* sorts them */
double bench_quantile(double *values, size_t count, double p);

void bench_tell(const struct bench_figure *f);
/* Ten times the work took so long. */
void bench_tell_growth(const char *what, double small_s, double large_s);

/* Ends the program with the reason. */
_Noreturn void bench_fail(const char *fmt, ...) PRINTF_LIKE(1, 2);
/* Ends it unless ok. */
void bench_must(bool ok, const struct err *err);

#endif
