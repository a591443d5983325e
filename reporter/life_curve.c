#include "life.h"
#include "numeric.h"

#include <math.h>
#include <stdlib.h>

/* Something that happens to the set at risk at an age: units enter, leave, or leave by failing. */
struct change {
    double age, enter, leave, fail;
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

static size_t changes_of(const struct lifetime *lives, size_t count, struct change *changes)
{
    size_t n = 0;
    for (size_t i = 0; i < count; i++) {
        const struct lifetime *row = &lives[i];
        double age = end_of(row);
        if (row->entry >= age) /* never at risk */
            continue;
        changes[n++] = (struct change){.age = row->entry, .enter = row->count};
        changes[n++] = (struct change){.age = age, .leave = row->count, .fail = row->failed ? row->count : 0};
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
    size_t n = changes_of(lives, count, changes), made = 0;
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
