/*
 * What nobody could know better: probabilities that drives report a fan fault, from the laws by which this
 * fleet lives and the true state of a moment (ages, whether a fan wears and how far it is, loose connectors,
 * dirt), but nothing of what comes after. Drawn at random from what agrees with the state. The scripted part
 * of what happens is not known to it.
 */
#include "files.h"
#include "physics.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

enum { HORIZONS = 3, DRAWS = 400 };
static const double horizons[HORIZONS] = {7, 30, 90};

/* Of drawn futures: how much weight they have, and those with a report within each horizon. */
struct futures {
    double weight, reported[HORIZONS];
};

static void add_future(struct futures *f, double weight, double days)
{
    f->weight += weight;
    for (int h = 0; h < HORIZONS; h++)
        if (days <= horizons[h])
            f->reported[h] += weight;
}

static double days_between(int64_t from_ms, int64_t to_ms)
{
    return (double)(to_ms - from_ms) / (double)MS_PER_DAY;
}

/* Running hours of a unit at a moment. */
static double age_h(const struct fleet *f, const struct fan *fan, const struct unit *u, int64_t at_ms)
{
    double duty = machine_of(f, fan->drive)->off_at_weekends ? 5.0 / 7 : 1;
    return (u == fan->units ? fan->hours_at_install : 0) + 24 * duty * days_between(u->from_ms, at_ms);
}

/* The first report of a wear-out that ends 'days' ahead: some announce themselves (fate.c). */
static double first_report(const struct fleet *f, const struct fan *fan, double days, gsl_rng *dice)
{
    double choice = gsl_rng_uniform(dice), first = days;
    int count = choice < 0.25 ? 1 : (int)gsl_ran_poisson(dice, 1.0);

    if (f->drives[fan->drive].warning_hidden)
        return days;
    for (int i = 0; i < count; i++) {
        double at = days - dice_between(dice, 0.3, 6);
        first = at > 0 && at < first ? at : first;
    }
    return first;
}

/* It does not wear yet: life as by its law, and what shows the wear must lie ahead too. */
static void draw_sound(const struct fleet *f, const struct fan *fan, const struct unit *u, int64_t at_ms,
                       gsl_rng *dice, struct futures *out)
{
    const struct fan_model *m = f->fan_models + u->model;
    double duty = machine_of(f, fan->drive)->off_at_weekends ? 5.0 / 7 : 1, age = age_h(f, fan, u, at_ms);

    for (int i = 0; i < DRAWS; i++) {
        bool sudden = fan->speed_item == NONE || dice_chance(dice, 0.2);
        double survived = pow(age / m->life_scale_h, m->life_shape);
        double life = m->life_scale_h * pow(survived + gsl_ran_exponential(dice, 1.0), 1 / m->life_shape);
        double days = (life - age) / 24 / duty;
        if (sudden)
            add_future(out, 1, days);
        else if (days > dice_between(dice, 25, 110))
            add_future(out, 1, first_report(f, fan, days, dice));
    }
}

/* Log density of the path so far for a wear-out of so many days and such a power; its scale is drawn. */
static double path_fit(const struct unit *u, int seen, int days, double power, gsl_rng *dice)
{
    double mean = 0, variance = 0, share = (double)u->path[seen], fit = 0;

    for (int d = seen + 1; d <= days; d++) {
        double expected = pow((double)d / days, power - 1);
        mean += expected;
        variance += expected * expected / 2;
    }
    double rest = mean + gsl_ran_gaussian(dice, sqrt(variance));
    if (rest <= 0 || share >= 1)
        return -HUGE_VAL;
    double scale = rest / (1 - share);
    for (int d = 1; d <= seen; d++) {
        double expected = pow((double)d / days, power - 1);
        double x = (double)(u->path[d] - u->path[d - 1]) * scale / expected;
        if (x <= 0)
            return -HUGE_VAL;
        fit += log(scale / expected) + log(4 * x) - 2 * x;
    }
    return fit - log(1 - share);
}

/* It wears: how long it has, by the path so far. */
static void draw_worn(const struct fleet *f, const struct fan *fan, const struct unit *u, int64_t at_ms,
                      gsl_rng *dice, struct futures *out)
{
    double elapsed = days_between(u->onset_ms, at_ms), length[DRAWS], fit[DRAWS], best = -HUGE_VAL;
    int seen = (int)elapsed;

    for (int i = 0; i < DRAWS; i++) {
        length[i] = dice_between(dice, fmax(25, elapsed), 110);
        fit[i] = path_fit(u, seen, (int)ceil(length[i]), dice_between(dice, 1.2, 2), dice);
        best = fmax(best, fit[i]);
    }
    for (int i = 0; i < DRAWS; i++)
        if (isfinite(fit[i]))
            add_future(out, exp(fit[i] - best), first_report(f, fan, length[i] - elapsed, dice));
}

/* A loose connector: five warnings spread over the time until it is found. */
static void draw_loose(const struct fleet *f, const struct fan *fan, int64_t at_ms, gsl_rng *dice,
                       struct futures *out)
{
    double elapsed = days_between(fan->dropout.from_ms, at_ms);
    int past = 0;

    for (size_t i = 0; i < fan->fault_count; i++) {
        int64_t warned = f->faults[fan->faults[i]].warning_ms;
        past += warned > fan->dropout.from_ms && warned <= at_ms;
    }
    for (int i = 0; i < DRAWS; i++) {
        double span = dice_between(dice, fmax(10, elapsed), 46), weight = pow(span, -past), first = HUGE_VAL;
        double left = fmin(1, (0.98 * span - elapsed) / (0.68 * span));
        int ahead = past < 5 ? 5 - past : 0;
        if (left <= 0 && ahead)
            continue;
        for (int k = 0; k < ahead; k++) {
            weight *= left;
            first = fmin(first, dice_between(dice, fmax(elapsed, 0.3 * span), 0.98 * span) - elapsed);
        }
        add_future(out, weight, first);
    }
}

/* A cabinet that collects dirt: two warnings in the last days before it is cleaned. */
static void draw_dirty(const struct machine *m, int64_t at_ms, gsl_rng *dice, struct futures *out)
{
    double elapsed = days_between(m->burst.from_ms, at_ms);
    double lost = m->burst.peak * pow(elapsed / m->burst.grow_days, 1.3);

    for (int i = 0; i < DRAWS; i++) {
        double grow = dice_between(dice, fmax(50, elapsed), 90), scale = pow(grow / elapsed, 1.3);
        if (lost * scale < 0.12 || lost * scale > 0.17)
            continue;
        double first = HUGE_VAL;
        for (int k = 0; k < 2; k++) {
            double at = grow - dice_between(dice, 0.2, 4) - elapsed;
            first = at > 0 ? fmin(first, at) : first;
        }
        add_future(out, scale, first);
    }
}

/* Of any one, given what is known of each. */
static void join(double quiet[HORIZONS], const struct futures *f)
{
    for (int h = 0; h < HORIZONS && f->weight > 0; h++)
        quiet[h] *= 1 - f->reported[h] / f->weight;
}

static void join_rate(double quiet[HORIZONS], double a_day, double delay)
{
    for (int h = 0; h < HORIZONS; h++)
        quiet[h] *= exp(-a_day * fmax(0, horizons[h] - delay));
}

/* How many fans there are for what strikes at random: strays at internal ones, connectors at those with a
 * speed. */
static void count_fans(const struct fleet *f, double *internal, double *speaking)
{
    *internal = *speaking = 0;
    for (size_t i = 0; i < f->fan_count; i++) {
        *internal += f->fans[i].position != HEAT_SINK;
        *speaking += f->fans[i].speed_item != NONE;
    }
}

static void judge_fan(const struct fleet *f, const struct fan *fan, int64_t at_ms, gsl_rng *dice,
                      double quiet[HORIZONS])
{
    const struct unit *u = physics_unit(fan, at_ms);
    bool hidden = f->drives[fan->drive].warning_hidden;
    struct futures life = {0}, loose = {0};

    if (u->path && u->onset_ms <= at_ms)
        draw_worn(f, fan, u, at_ms, dice, &life);
    else
        draw_sound(f, fan, u, at_ms, dice, &life);
    join(quiet, &life);
    if (!hidden && fan->dropout.share > 0 && fan->dropout.from_ms < at_ms && at_ms < fan->dropout.to_ms)
        draw_loose(f, fan, at_ms, dice, &loose);
    join(quiet, &loose);
}

static void judge_drive(const struct fleet *f, size_t drive, int64_t at_ms, gsl_rng *dice,
                        double quiet[HORIZONS])
{
    const struct drive *d = f->drives + drive;
    const struct machine *m = f->machines + d->machine;
    double internal, speaking;

    count_fans(f, &internal, &speaking);
    for (int h = 0; h < HORIZONS; h++)
        quiet[h] = 1;
    for (int p = 0; p < POSITIONS; p++) {
        if (d->fans[p] == NONE)
            continue;
        const struct fan *fan = f->fans + d->fans[p];
        judge_fan(f, fan, at_ms, dice, quiet);
        if (!d->warning_hidden && p != HEAT_SINK)
            join_rate(quiet, 14 / 400.0 / internal, 0);
        if (!d->warning_hidden && fan->speed_item != NONE)
            join_rate(quiet, 6 / 400.0 / speaking, 12);
    }
    if (!d->warning_hidden && drive + 1 == m->first_drive + m->drive_count && m->burst.peak > 0 &&
        m->burst.from_ms < at_ms && at_ms < m->burst.to_ms) {
        struct futures dirty = {0};
        draw_dirty(m, at_ms, dice, &dirty);
        join(quiet, &dirty);
    }
}

void oracle_write(const struct world *w, const char *dir, int64_t before_ms)
{
    const struct fleet *f = w->fleet;
    struct out o = out_to_file(dir, "truth", "oracle.csv");
    gsl_rng *dice = dice_new(f->options.seed, DICE_ORACLE, 0);

    out_text(&o, "date,drive,within_7,within_30,within_90\n");
    for (int64_t at_ms = before_ms - 7 * MS_PER_DAY; at_ms > f->start_ms + 60 * MS_PER_DAY;
         at_ms -= 7 * MS_PER_DAY)
        for (size_t d = 0; d < f->drive_count; d++) {
            double quiet[HORIZONS];
            judge_drive(f, d, at_ms, dice, quiet);
            moment_out(&o, at_ms, MOMENT_MILLI);
            out_text(&o, ",");
            out_field(&o, f->drives[d].drive, ',');
            out_format(&o, "%.6f,%.6f,%.6f\n", 1 - quiet[0], 1 - quiet[1], 1 - quiet[2]);
        }
    gsl_rng_free(dice);
    out_close(&o);
}
