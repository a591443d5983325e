#include "life_recurrence.h"

#include "numeric.h"

#include <stdlib.h>

struct happening {
    double at;
    size_t place;
    bool is_end;
};

/* Events come before the ends of the same time: who leaves then is still there. */
static int by_time(const void *a, const void *b)
{
    const struct happening *x = a, *y = b;
    if (x->at != y->at)
        return x->at < y->at ? -1 : 1;
    if (x->is_end != y->is_end)
        return x->is_end - y->is_end;
    return (x->place > y->place) - (x->place < y->place);
}

static size_t happenings_of(const struct recurrence *places, size_t count, struct arena *mem,
                            struct happening **list)
{
    size_t n = count;
    for (size_t i = 0; i < count; i++)
        n += places[i].count;
    *list = arena_array(mem, struct happening, n);
    n = 0;
    for (size_t i = 0; i < count; i++) {
        for (size_t k = 0; k < places[i].count; k++)
            (*list)[n++] = (struct happening){places[i].at[k], i, false};
        (*list)[n++] = (struct happening){places[i].end, i, true};
    }
    if (n)
        qsort(*list, n, sizeof **list, by_time);
    return n;
}

/*
 * Each place at risk is off the mean by own - shared: what its own events added, less what all added up to
 * now. Sums over the places at risk follow each event without a walk over the places.
 */
struct spread {
    double *own;
    double at_risk, sum, squares, shared, left; /* left: squares of those that are gone */
};

static void leave(struct spread *s, size_t place)
{
    double own = s->own[place], off = own - s->shared;
    s->left += off * off;
    s->sum -= own;
    s->squares -= own * own;
    s->at_risk--;
}

static void happen(struct spread *s, size_t place, double share)
{
    double before = s->own[place], after = before + share;
    s->own[place] = after;
    s->sum += share;
    s->squares += after * after - before * before;
}

size_t recurrence_mean(const struct recurrence *places, size_t count, struct arena *mem,
                       struct recurrence_step **steps)
{
    struct happening *list;
    size_t n = happenings_of(places, count, mem, &list), made = 0;
    struct spread s = {.own = arena_array(mem, double, count), .at_risk = (double)count};
    double mean = 0;

    *steps = arena_array(mem, struct recurrence_step, n - count);
    for (size_t i = 0; i < n;) {
        double at = list[i].at, at_risk = s.at_risk, events = 0;
        for (; i < n && list[i].at == at && !list[i].is_end; i++, events++)
            happen(&s, list[i].place, 1 / at_risk);
        if (events > 0) {
            mean += events / at_risk;
            s.shared += events / (at_risk * at_risk);
            double variance = s.left + s.squares - 2 * s.shared * s.sum + s.at_risk * s.shared * s.shared;
            (*steps)[made++] = (struct recurrence_step){
                at, at_risk, events, mean, count > 1 ? fmax(0, variance) : D_NAN, s.shared};
        }
        for (; i < n && list[i].at == at && list[i].is_end; i++)
            leave(&s, list[i].place);
    }
    return made;
}

void recurrence_limits(const struct recurrence_step *step, double limits[2])
{
    double width = exp(NORMAL_95 * sqrt(step->variance) / step->mean);
    limits[0] = step->mean / width;
    limits[1] = step->mean * width;
}

/* sum T^growth log T / sum T^growth, with T in units of the longest. */
static double mean_log_end(const struct recurrence *places, size_t count, double longest, double growth)
{
    double sum = 0, logs = 0;
    for (size_t i = 0; i < count; i++) {
        double x = log(places[i].end / longest), w = exp(growth * x);
        sum += w;
        logs += w * x;
    }
    return logs / sum;
}

/* The score 1 / growth + mean log t - mean log end falls in growth: halving never fails. */
static double best_growth(const struct recurrence *places, size_t count, double longest, double mean_log)
{
    double low = log(1e-6), high = log(1e6);
    while (high - low > 1e-14) {
        double middle = (low + high) / 2, growth = exp(middle);
        if (middle == low || middle == high)
            break;
        if (1 / growth + mean_log - mean_log_end(places, count, longest, growth) > 0)
            low = middle;
        else
            high = middle;
    }
    return exp((low + high) / 2);
}

static double degrees(const struct power_law *law, bool ends_at_event)
{
    return ends_at_event ? 2 * (law->events - 1) : 2 * law->events;
}

void power_law_growth_limits(const struct power_law *law, bool ends_at_event, double confidence,
                             double limits[2])
{
    double freedom = degrees(law, ends_at_event);
    for (int side = 0; side < 2; side++) {
        double p = side ? (1 + confidence) / 2 : (1 - confidence) / 2;
        limits[side] = law->growth * chi_square_quantile(p, freedom) / (2 * law->events);
    }
}

static void set_tests(const struct recurrence *places, size_t count, bool ends_at_event,
                      struct power_law *out)
{
    double sum = 0, n = out->events, free = 0;
    for (size_t i = 0; i < count; i++) {
        for (size_t k = 0; k < places[i].count; k++)
            sum += log(places[i].end / places[i].at[k]);
        free += 2 * ((double)places[i].count - (ends_at_event && places[i].count ? 1 : 0));
    }
    out->trend = 2 * sum;
    double above = chi_square_above(out->trend, free);
    out->trend_p = fmin(1, 2 * fmin(above, 1 - above));
    if (count != 1)
        return;
    double used = ends_at_event ? n - 1 : n, times = 0, end = places->end;
    for (size_t k = 0; (double)k < used; k++)
        times += places->at[k];
    out->laplace = (times / used - end / 2) / (end * sqrt(1 / (12 * used)));
    out->unbiased = out->growth * (ends_at_event ? n - 2 : n - 1) / n;
    power_law_growth_limits(out, ends_at_event, 0.95, out->growth_ci);
}

void power_law_fit(const struct recurrence *places, size_t count, bool ends_at_event, struct power_law *out)
{
    double longest = 0, logs = 0, ends = 0;

    *out = (struct power_law){.rate = D_NAN,
                              .growth = D_NAN,
                              .growth_ci = {D_NAN, D_NAN},
                              .unbiased = D_NAN,
                              .trend = D_NAN,
                              .trend_p = D_NAN,
                              .laplace = D_NAN,
                              .log_likelihood = D_NAN};
    for (size_t i = 0; i < count; i++) {
        longest = fmax(longest, places[i].end);
        out->events += (double)places[i].count;
    }
    for (size_t i = 0; i < count; i++)
        for (size_t k = 0; k < places[i].count; k++)
            logs += log(places[i].at[k] / longest);
    if (!(out->events > 0) || !(logs < 0))
        return;
    double g = out->growth = best_growth(places, count, longest, logs / out->events);
    for (size_t i = 0; i < count; i++)
        ends += exp(g * log(places[i].end / longest));
    out->rate = out->events / (ends * pow(longest, g));
    out->log_likelihood =
        out->events * (log(out->rate) + log(g) - 1) + (g - 1) * (logs + out->events * log(longest));
    set_tests(places, count, ends_at_event, out);
}

double power_law_distance(const struct power_law *law, const struct recurrence *place, bool ends_at_event)
{
    size_t m = place->count - (ends_at_event ? 1 : 0);
    double sum = 1 / (12 * (double)m);
    for (size_t i = 0; i < m; i++) {
        double want = (2 * (double)i + 1) / (2 * (double)m);
        sum += pow(pow(place->at[i] / place->end, law->unbiased) - want, 2);
    }
    return sum;
}
