/*
 * Regressions and shares of causes of samples of lives for the comparison with R (regression.R). Reads rows
 * "sample,exit,exit_high,event,x,y,cause" (NA where there is no exit_high; cause 1, 2 or 0), samples numbered
 * from 1 and in order; prints a "fit" row a sample and a "share" row an age at which a life ended by a cause.
 */
#include "life_regression.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_LIVES = 2000, COVARIATES = 2 };

struct sample {
    int number;
    size_t count;
    struct lifetime lives[MOST_LIVES];
    double x[MOST_LIVES * COVARIATES];
    int cause[MOST_LIVES];
};

static void print_sample(const struct sample *s, struct arena *mem)
{
    static const char *const names[] = {"x", "y"};
    const struct life_covariates c = {COVARIATES, names, s->x};
    struct life_incidence *steps;
    struct life_regression r;

    life_regress(s->lives, s->count, &c, mem, &r);
    if (r.why_not) {
        printf("none,%d,%s\n", s->number, r.why_not);
        return;
    }
    printf("fit,%d,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g", s->number, r.intercept, r.effects[0].value,
           r.effects[1].value, 1 / r.shape, r.log_likelihood, r.log_likelihood_without);
    for (int i = 0; i < 16; i++)
        printf(",%.17g", r.covariance[i]);
    putchar('\n');
    size_t n = life_incidence(s->lives, s->cause, s->count, mem, &steps);
    for (size_t i = 0; i < n; i++)
        printf("share,%d,%.17g,%.17g,%.17g\n", s->number, steps[i].age, steps[i].share[0], steps[i].share[1]);
}

static bool read_row(const char *line, int *number, struct sample *s)
{
    struct lifetime *l = &s->lives[s->count];
    double *x = &s->x[s->count * COVARIATES];
    char high[40];
    int failed, cause;
    if (s->count == MOST_LIVES)
        BUG("more than %d lives", MOST_LIVES);
    if (sscanf(line, "%d,%lf,%39[^,],%d,%lf,%lf,%d", number, &l->exit, high, &failed, &x[0], &x[1], &cause) !=
        7)
        return false;
    l->entry = 0;
    l->count = 1;
    l->failed = failed == 1;
    l->exit_high = strcmp(high, "NA") == 0 ? (double)NAN : strtod(high, NULL);
    s->cause[s->count] = cause > 0 ? cause - 1 : 0;
    return true;
}

int main(int argc, char **argv)
{
    static struct sample s;
    FILE *file = argc == 2 ? fopen(argv[1], "r") : NULL;
    struct arena *mem = arena_new((size_t)64 << 20);
    char line[400];
    int number;

    if (!file) {
        fprintf(stderr, "usage: regress_lives FILE.csv\n");
        arena_free(mem);
        return 64;
    }
    while (fgets(line, sizeof line, file)) {
        if (!read_row(line, &number, &s))
            continue; /* the head */
        if (s.number != number && s.count > 0) {
            struct sample next = {.number = number, .count = 0};
            next.lives[0] = s.lives[s.count];
            next.cause[0] = s.cause[s.count];
            memcpy(next.x, &s.x[s.count * COVARIATES], COVARIATES * sizeof *next.x);
            print_sample(&s, mem);
            arena_reset(mem);
            s = next;
        }
        s.number = number;
        s.count++;
    }
    print_sample(&s, mem);
    fclose(file);
    arena_free(mem);
    return 0;
}
