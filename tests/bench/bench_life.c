/*
 * Weibull fits of many lives against survreg of R's survival package on the same lives in the same run; the
 * figures of both must agree. CPU seconds of both, since survreg has one thread too.
 */
#include "bench.h"
#include "life.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#ifndef LIFE_R
#error "LIFE_R is the path of life.R"
#endif

/* Numbers that are the same in every run. */
static double uniform(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return ((double)(*state >> 11) + 0.5) / 9007199254740992.0;
}

/* Fans of shape 2.3 and scale 45,000 h, looked at when they are up to eight years old. */
static struct lifetime *draw(size_t n)
{
    uint64_t state = 1;
    struct lifetime *lives = calloc(n, sizeof *lives);
    if (!lives)
        bench_fail("no memory for %zu lives", n);
    for (size_t i = 0; i < n; i++) {
        double life = 45000 * pow(-log(uniform(&state)), 1 / 2.3), seen = 70000 * uniform(&state);
        lives[i] = (struct lifetime){
            .exit = fmin(life, seen), .exit_high = (double)NAN, .failed = life <= seen, .count = 1};
    }
    return lives;
}

static double fit_s(const struct lifetime *lives, size_t n, struct life_model *m)
{
    double spans[BENCH_ROUNDS];
    for (int i = 0; i < BENCH_ROUNDS; i++) {
        struct arena *mem = arena_new(SIZE_MAX);
        double began = bench_cpu_s();
        life_fit(lives, n, LIFE_ASSUMED_SHAPE, mem, m);
        spans[i] = bench_cpu_s() - began;
        arena_free(mem);
    }
    return bench_median(spans, BENCH_ROUNDS);
}

static void write_lives(const struct lifetime *lives, size_t n, FILE *out)
{
    int count = (int)n;
    fwrite(&count, sizeof count, 1, out);
    for (size_t i = 0; i < n; i++)
        fwrite(&lives[i].exit, sizeof lives[i].exit, 1, out);
    for (size_t i = 0; i < n; i++) {
        int failed = lives[i].failed;
        fwrite(&failed, sizeof failed, 1, out);
    }
    if (fclose(out) != 0)
        bench_fail("cannot write the lives");
}

static void check(const char *what, double got, double want, double tolerance)
{
    if (!(fabs(got / want - 1) <= tolerance))
        bench_fail("%s: %.12g, survreg says %.12g", what, got, want);
}

/* What survreg takes; NAN: R or its package is missing. */
static double survreg_s(const struct lifetime *lives, size_t n, const struct life_model *m)
{
    enum { ROUNDS = 3 };
    char path[] = "/tmp/bench_life_XXXXXX", command[600];
    double spans[ROUNDS], shape, scale, l;
    int fd = mkstemp(path), given = 0;
    FILE *file = fd < 0 ? NULL : fdopen(fd, "wb");
    if (!file)
        bench_fail("cannot make a file in /tmp");
    write_lives(lives, n, file);
    snprintf(command, sizeof command, "Rscript --vanilla '%s' '%s' %d 2>&1", LIFE_R, path, ROUNDS);
    FILE *r = popen(command, "r");
    while (r && given < ROUNDS && fscanf(r, "%lf", &spans[given]) == 1)
        given++;
    bool whole = given == ROUNDS && fscanf(r, "%lf %lf %lf", &shape, &scale, &l) == 3;
    if (r)
        pclose(r);
    unlink(path);
    if (!whole)
        return (double)NAN;
    check("shape", m->shape, shape, 1e-7);
    check("scale", m->scale, scale, 1e-7);
    check("log-likelihood", m->log_likelihood, l, 1e-9);
    return bench_median(spans, ROUNDS);
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    const size_t n = 1000000;
    struct life_model m;
    struct lifetime *lives = draw(n);
    double small_s = fit_s(lives, n / 10, &m), large_s = fit_s(lives, n, &m), r_s = survreg_s(lives, n, &m);

    struct bench_figure f = {.what = "life",
                             .figure = 1e-6 * (double)n / large_s,
                             .unit = "million lives/CPU-s",
                             .limit = "survreg of R",
                             .limit_figure = 1e-6 * (double)n / r_s,
                             .aim = AIM_AT_LEAST,
                             .target = 20};
    if (isnan(r_s)) {
        puts("Rscript or its package survival is missing (Debian: r-cran-survival): nothing to compare with");
        f.limit = NULL;
        f.aim = AIM_NONE;
    }
    bench_tell(&f);
    bench_tell_growth("life", small_s, large_s);
    free(lives);
}
