/*
 * Scores random samples for the comparison with R (score.R). Reads rows "sample,time,status,risk", samples
 * numbered from 1 and in order; prints "sample,concordant,discordant,tied risk,tied time,c" for each.
 */
#include "score.h"

#include <stdio.h>

enum { MOST_LIVES = 5000 };

static void print_sample(int sample, const struct score_life *lives, size_t n)
{
    struct concordance c = score_concordance(lives, n);
    printf("%d,%.17g,%.17g,%.17g,%.17g,%.17g\n", sample, c.concordant, c.discordant, c.tied_risk, c.tied_time,
           c.c);
}

int main(int argc, char **argv)
{
    static struct score_life lives[MOST_LIVES];
    FILE *in = argc > 1 ? fopen(argv[1], "r") : stdin;
    int sample, now = 0, failed;
    struct score_life life;
    size_t n = 0;

    while (in && fscanf(in, "%d,%lf,%d,%lf", &sample, &life.time, &failed, &life.risk) == 4) {
        if (sample != now && n) {
            print_sample(now, lives, n);
            n = 0;
        }
        now = sample;
        life.failed = failed == 1;
        if (n < MOST_LIVES)
            lives[n++] = life;
    }
    if (!n)
        return 1;
    print_sample(now, lives, n);
    return 0;
}
