#include "life.h"
#include "numeric.h"

#include <math.h>
#include <stdlib.h>

/* Something that happens to the set at risk at an age: units enter, leave, or leave by failing. */
struct change {
    double age, enter, leave, fail;
    int cause; /* of the failure */
};

static int by_age(const void *a, const void *b)
{
    double x = ((const struct change *)a)->age, y = ((const struct change *)b)->age;
    return (x > y) - (x < y);
}

/* A failure at age 0 counts within the first hour, as in the fit. */
static double end_of(const struct lifetime *row)
{
    double age = isnan(row->exit_high) ? row->exit : row->exit_high;
    return row->failed && age <= 0 ? LIFE_RESOLUTION_HOURS : age;
}

static size_t changes_of(const struct lifetime *lives, const int *cause, size_t count, struct change *changes)
{
    size_t n = 0;
    for (size_t i = 0; i < count; i++) {
        const struct lifetime *row = &lives[i];
        double age = end_of(row);
        if (row->entry >= age) /* never at risk */
            continue;
        changes[n++] = (struct change){.age = row->entry, .enter = row->count};
        changes[n++] = (struct change){.age = age,
                                       .leave = row->count,
                                       .fail = row->failed ? row->count : 0,
                                       .cause = cause && row->failed ? cause[i] : 0};
    }
    qsort(changes, n, sizeof *changes, by_age);
    return n;
}

/* Log-log limits of the survival; none at 0 and 1. */
static void set_limits(struct life_step *step, double greenwood)
{
    step->lower = step->upper = D_NAN;
    if (!(step->survival > 0 && step->survival < 1))
        return;
    double log_survival = log(step->survival);
    double width = NORMAL_95 * sqrt(greenwood) / fabs(log_survival);
    step->lower = exp(log_survival * exp(width));
    step->upper = exp(log_survival * exp(-width));
}

size_t life_curve(const struct lifetime *lives, size_t count, struct arena *mem, struct life_step **steps)
{
    struct change *changes = arena_array(mem, struct change, 2 * count);
    size_t n = changes_of(lives, NULL, count, changes), made = 0;
    double at_risk = 0, survival = 1, hazard = 0, hazard_variance = 0, greenwood = 0;

    *steps = arena_array(mem, struct life_step, count);
    for (size_t i = 0, next; i < n; i = next) {
        struct change now = {.age = changes[i].age};
        for (next = i; next < n && changes[next].age == now.age; next++) {
            now.enter += changes[next].enter;
            now.leave += changes[next].leave;
            now.fail += changes[next].fail;
        }
        if (now.fail > 0 &&
            at_risk > 0) { /* who enters at this age is not yet at risk, who leaves still is */
            survival *= fmax(0, 1 - now.fail / at_risk);
            hazard += now.fail / at_risk;
            hazard_variance += now.fail / (at_risk * at_risk);
            greenwood += now.fail / (at_risk * (at_risk - now.fail));
            struct life_step *step = &(*steps)[made++];
            *step = (struct life_step){.age = now.age,
                                       .at_risk = at_risk,
                                       .failed = now.fail,
                                       .survival = survival,
                                       .se = survival > 0 ? survival * sqrt(greenwood) : D_NAN,
                                       .hazard = hazard,
                                       .hazard_se = sqrt(hazard_variance)};
            set_limits(step, greenwood);
        }
        at_risk += now.enter - now.leave;
    }
    return made;
}

void life_curve_logit(const struct life_step *step, double limits[2])
{
    double s = step->survival;
    for (int side = 0; side < 2; side++) {
        double w = exp((side ? -NORMAL_95 : NORMAL_95) * step->se / (s * (1 - s)));
        limits[side] = s > 0 && s < 1 ? s / (s + (1 - s) * w) : D_NAN;
    }
}

double life_curve_age(const struct life_step *steps, size_t count, double share, double limits[2])
{
    double age = D_NAN;
    limits[0] = limits[1] = D_NAN;
    for (size_t i = count; i-- > 0;) {
        age = steps[i].survival <= 1 - share ? steps[i].age : age;
        limits[0] = steps[i].lower <= 1 - share ? steps[i].age : limits[0];
        limits[1] = steps[i].upper <= 1 - share ? steps[i].age : limits[1];
    }
    return age;
}

double life_curve_mean(const struct life_step *steps, size_t count, double until, double *se)
{
    double mean = 0, variance = 0, end = until;
    for (size_t i = count; i-- > 0;) {
        const struct life_step *s = &steps[i];
        if (s->age >= until)
            continue;
        mean += s->survival * (end - s->age); /* beyond this step */
        if (s->failed < s->at_risk)
            variance += mean * mean * s->failed / (s->at_risk * (s->at_risk - s->failed));
        end = s->age;
    }
    *se = sqrt(variance);
    return mean + end;
}

/*
 * What the variance of a share F(t) is made of: sums over the ages s up to t of
 * (F(t) - F(s))^2 d / (n (n - d)) + S^2 (n - d_k) d_k / n^3 - 2 (F(t) - F(s)) S d_k / n^2,
 * S being the survival just before s, d all failures, d_k those of the cause.
 */
struct incidence_sums {
    double all, by_share, by_square, own, cross, cross_by_share;
};

static double incidence_variance(const struct incidence_sums *v, double share)
{
    return share * share * v->all - 2 * share * v->by_share + v->by_square + v->own -
           2 * (share * v->cross - v->cross_by_share);
}

static void add_incidence(struct incidence_sums *v, double share, double survival, double n, double d,
                          double d_k)
{
    double all = n > d ? d / (n * (n - d)) : 0, cross = survival * d_k / (n * n);
    v->all += all;
    v->by_share += all * share;
    v->by_square += all * share * share;
    v->own += survival * survival * (n - d_k) * d_k / (n * n * n);
    v->cross += cross;
    v->cross_by_share += cross * share;
}

size_t life_incidence(const struct lifetime *lives, const int *cause, size_t count, struct arena *mem,
                      struct life_incidence **steps)
{
    struct change *changes = arena_array(mem, struct change, 2 * count);
    struct incidence_sums sums[LIFE_MOST_CAUSES] = {{0}};
    size_t n = changes_of(lives, cause, count, changes), made = 0;
    struct life_incidence now = {.survival = 1};

    *steps = arena_array(mem, struct life_incidence, count);
    for (size_t i = 0, next; i < n; i = next) {
        double failed[LIFE_MOST_CAUSES] = {0}, all = 0, change = 0;
        for (next = i; next < n && changes[next].age == changes[i].age; next++) {
            failed[changes[next].cause] += changes[next].fail;
            all += changes[next].fail;
            change += changes[next].enter - changes[next].leave;
        }
        now.age = changes[i].age;
        if (all > 0 && now.at_risk > 0) {
            for (int k = 0; k < LIFE_MOST_CAUSES; k++) {
                now.share[k] += now.survival * failed[k] / now.at_risk;
                add_incidence(&sums[k], now.share[k], now.survival, now.at_risk, all, failed[k]);
                now.se[k] = sqrt(fmax(0, incidence_variance(&sums[k], now.share[k])));
            }
            now.survival *= fmax(0, 1 - all / now.at_risk);
            (*steps)[made++] = now;
        }
        now.at_risk += change;
    }
    return made;
}
