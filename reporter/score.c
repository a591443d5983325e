#include "score.h"
#include "numeric.h"

#include <math.h>
#include <stdlib.h>

static int by_probability(const void *a, const void *b)
{
    const struct score_case *x = a, *y = b;
    return (x->probability > y->probability) - (x->probability < y->probability);
}

static struct score_case *sorted(const struct score_case *cases, size_t n, struct arena *mem)
{
    struct score_case *own = arena_array(mem, struct score_case, n);
    for (size_t i = 0; i < n; i++)
        own[i] = cases[i];
    if (n)
        qsort(own, n, sizeof *own, by_probability);
    return own;
}

/* Cases of one probability, in an ordered list from 'at' on. */
struct group {
    double probability, weight, happened;
    size_t end;
};

static struct group group_at(const struct score_case *ordered, size_t n, size_t at)
{
    struct group g = {.probability = ordered[at].probability, .end = at};
    for (; g.end < n && ordered[g.end].probability == g.probability; g.end++) {
        g.weight += ordered[g.end].weight;
        g.happened += ordered[g.end].happened ? ordered[g.end].weight : 0;
    }
    return g;
}

struct brier score_brier(const struct score_case *cases, size_t n, struct arena *mem)
{
    struct brier b = {0};
    double happened = 0;

    for (size_t i = 0; i < n; i++) {
        double miss = cases[i].probability - cases[i].happened;
        b.weight += cases[i].weight;
        happened += cases[i].happened ? cases[i].weight : 0;
        b.score += cases[i].weight * miss * miss;
    }
    b.score /= b.weight;
    b.share = happened / b.weight;
    b.uncertainty = b.share * (1 - b.share);
    b.skill = 1 - b.score / b.uncertainty;
    const struct score_case *ordered = sorted(cases, n, mem);
    for (size_t at = 0; at < n;) {
        struct group g = group_at(ordered, n, at);
        at = g.end;
        if (!(g.weight > 0))
            continue;
        double share = g.happened / g.weight;
        b.reliability += g.weight / b.weight * (g.probability - share) * (g.probability - share);
        b.resolution += g.weight / b.weight * (share - b.share) * (share - b.share);
    }
    return b;
}

double score_log(const struct score_case *cases, size_t n)
{
    const double least = 1e-6;
    double sum = 0, weight = 0;

    for (size_t i = 0; i < n; i++) {
        double p = cases[i].happened ? cases[i].probability : 1 - cases[i].probability;
        sum -= cases[i].weight * log(fmax(p, least));
        weight += cases[i].weight;
    }
    return sum / weight;
}

double score_area(const struct score_case *cases, size_t n, struct arena *mem)
{
    const struct score_case *ordered = sorted(cases, n, mem);
    double below = 0, pairs = 0, won = 0, happened = 0;

    for (size_t at = 0; at < n;) {
        struct group g = group_at(ordered, n, at);
        at = g.end;
        won += g.happened * (below + (g.weight - g.happened) / 2);
        below += g.weight - g.happened;
        happened += g.happened;
    }
    pairs = below * happened;
    return pairs > 0 ? won / pairs : D_NAN;
}

double score_precision(const struct score_case *cases, size_t n, double k, struct arena *mem)
{
    const struct score_case *ordered = sorted(cases, n, mem);
    double taken = 0, hits = 0;

    for (size_t left = n; left > 0 && taken < k;) {
        size_t at = left - 1;
        while (at > 0 && ordered[at - 1].probability == ordered[left - 1].probability)
            at--;
        struct group g = group_at(ordered, n, at);
        left = at;
        if (!(g.weight > 0))
            continue;
        double part = fmin(1, (k - taken) / g.weight);
        hits += part * g.happened;
        taken += part * g.weight;
    }
    return taken > 0 ? hits / taken : D_NAN;
}

static int tenth_of(double probability)
{
    int k = (int)(probability * SCORE_TENTHS);
    return k < 0 ? 0 : k >= SCORE_TENTHS ? SCORE_TENTHS - 1 : k;
}

static int by_cluster(const void *a, const void *b)
{
    const struct score_case *x = a, *y = b;
    int tenth = tenth_of(x->probability) - tenth_of(y->probability);
    return tenth ? tenth : (x->cluster > y->cluster) - (x->cluster < y->cluster);
}

/*
 * Within a cluster misses go together, so the sampling error is the larger of two: that of independent
 * cases, and that of sums over clusters.
 */
static void set_tenth(const struct score_case *cases, size_t n, struct score_tenth *out)
{
    double independent = 0, clustered = 0, miss = 0;

    *out = (struct score_tenth){.count = n, .forecast = D_NAN, .observed = D_NAN, .error = D_NAN};
    if (!n)
        return;
    double forecast = 0, happened = 0;
    for (size_t i = 0; i < n; i++) {
        double p = cases[i].probability, w = cases[i].weight;
        out->weight += w;
        forecast += w * p;
        happened += cases[i].happened ? w : 0;
        independent += w * w * p * (1 - p);
        miss += w * (cases[i].happened - p);
        if (i + 1 == n || cases[i + 1].cluster != cases[i].cluster) {
            clustered += miss * miss;
            miss = 0;
        }
    }
    out->forecast = forecast / out->weight;
    out->observed = happened / out->weight;
    out->error = NORMAL_95 * sqrt(fmax(independent, clustered)) / out->weight;
}

void score_tenths(const struct score_case *cases, size_t n, struct arena *mem,
                  struct score_tenth out[SCORE_TENTHS])
{
    struct score_case *own = arena_array(mem, struct score_case, n);
    size_t count = 0, at = 0;

    for (size_t i = 0; i < n; i++)
        if (cases[i].weight > 0)
            own[count++] = cases[i];
    if (count)
        qsort(own, count, sizeof *own, by_cluster);
    for (int k = 0; k < SCORE_TENTHS; k++) {
        size_t from = at;
        while (at < count && tenth_of(own[at].probability) == k)
            at++;
        set_tenth(own + from, at - from, &out[k]);
    }
}

struct concordance score_concordance(const struct score_life *lives, size_t n)
{
    struct concordance c = {0};

    for (size_t i = 0; i < n; i++)
        for (size_t k = i + 1; k < n; k++) {
            const struct score_life *a = &lives[i], *b = &lives[k];
            if (a->time > b->time || (a->time == b->time && b->failed)) {
                a = &lives[k];
                b = &lives[i];
            }
            if (!a->failed)
                continue;
            if (a->time == b->time && b->failed)
                c.tied_time++;
            else if (a->risk == b->risk)
                c.tied_risk++;
            else if (a->risk > b->risk)
                c.concordant++;
            else
                c.discordant++;
        }
    double pairs = c.concordant + c.discordant + c.tied_risk;
    c.c = pairs > 0 ? (c.concordant + c.tied_risk / 2) / pairs : D_NAN;
    return c;
}

static int by_end(const void *a, const void *b)
{
    const struct score_life *const *x = a, *const *y = b;
    if ((*x)->time != (*y)->time)
        return (*x)->time < (*y)->time ? -1 : 1;
    return (*y)->failed - (*x)->failed; /* failures first */
}

void score_weights(const struct score_life *lives, size_t n, double horizon, struct arena *mem,
                   double *weights)
{
    const struct score_life **order = arena_array(mem, const struct score_life *, n);
    double kept = 1, before = 1; /* G now, and just before the time at hand */
    size_t i = 0;

    for (size_t k = 0; k < n; k++) {
        order[k] = &lives[k];
        weights[k] = 0;
    }
    if (n)
        qsort(order, n, sizeof *order, by_end);
    for (; i < n && (order[i]->time < horizon || (order[i]->time == horizon && order[i]->failed)); i++) {
        if (i && order[i]->time != order[i - 1]->time)
            before = kept;
        if (order[i]->failed)
            weights[order[i] - lives] = 1 / before;
        else
            kept *= 1 - 1.0 / (double)(n - i);
    }
    for (; i < n; i++)
        weights[order[i] - lives] = 1 / kept;
}
