/*
 * Fits samples of lives for the comparison with R (life.R). Reads rows
 * "sample,entry,exit,event,count,exit_high" (NA where there is no exit_high), samples numbered from 1 and in
 * order; prints one "fit" row a sample and one "step" row a distinct failure age.
 */
#include "life.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_LIVES = 5000 };

static void print_numbers(const double *x, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (isnan(x[i]))
            printf(",NA");
        else
            printf(",%.17g", x[i]);
    putchar('\n');
}

static void print_sample(int sample, const struct lifetime *lives, size_t count, struct arena *mem)
{
    struct life_model m;
    struct life_step *steps;

    life_fit(lives, count, LIFE_ASSUMED_SHAPE, mem, &m);
    printf("fit,%d,%s", sample, life_method_word(m.method));
    print_numbers((double[]){(double)m.n, m.failures, m.shape, m.scale, m.log_likelihood, m.var_log_scale,
                             m.var_log_shape, m.cov_log, m.shape_lr[0], m.shape_lr[1], m.scale_lr[0],
                             m.scale_lr[1]},
                  12);
    size_t n = life_curve(lives, count, mem, &steps);
    for (size_t i = 0; i < n; i++) {
        const struct life_step *s = &steps[i];
        printf("step,%d", sample);
        print_numbers((double[]){s->age, s->at_risk, s->failed, s->survival, s->se, s->lower, s->upper,
                                 s->hazard, s->hazard_se},
                      9);
    }
}

static bool read_row(const char *line, int *sample, struct lifetime *row)
{
    char high[40];
    int failed;
    if (sscanf(line, "%d,%lf,%lf,%d,%lf,%39s", sample, &row->entry, &row->exit, &failed, &row->count, high) !=
        6)
        return false;
    row->failed = failed == 1;
    row->exit_high = strcmp(high, "NA") == 0 ? (double)NAN : strtod(high, NULL);
    return true;
}

int main(int argc, char **argv)
{
    static struct lifetime lives[MOST_LIVES];
    FILE *file = argc == 2 ? fopen(argv[1], "r") : NULL;
    struct arena *mem = arena_new((size_t)64 << 20);
    struct lifetime row;
    char line[400];
    int sample = 0, at;
    size_t count = 0;

    if (!file) {
        fprintf(stderr, "usage: fit_lives FILE.csv\n");
        arena_free(mem);
        return 64;
    }
    while (fgets(line, sizeof line, file)) {
        if (!read_row(line, &at, &row))
            continue; /* the head */
        if (at != sample && count > 0) {
            print_sample(sample, lives, count, mem);
            arena_reset(mem);
            count = 0;
        }
        sample = at;
        if (count == MOST_LIVES)
            BUG("sample %d has more than %d lives", sample, MOST_LIVES);
        lives[count++] = row;
    }
    if (count > 0)
        print_sample(sample, lives, count, mem);
    fclose(file);
    arena_free(mem);
    return 0;
}
