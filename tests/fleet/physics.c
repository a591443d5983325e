#include "physics.h"

#include <gsl/gsl_randist.h>
#include <math.h>

static const double NOISE = 0.003;

/* Air pressure and hall temperature differ from day to day: an AR(1) series shared by the site. */
void physics_weather(struct fleet *f)
{
    size_t days = (size_t)f->options.days + HORIZON_DAYS + 2;

    for (size_t s = 0; s < f->site_count; s++) {
        gsl_rng *dice = dice_new(f->options.seed, DICE_WEATHER, s);
        double now = 0, *weather = NULL;

        for (size_t d = 0; d < days; d++) {
            now = 0.8 * now + gsl_ran_gaussian(dice, 0.0012);
            weather = grown(weather, d, sizeof *weather);
            weather[d] = now;
        }
        f->sites[s].weather = weather;
        gsl_rng_free(dice);
    }
}

static double ambient(const struct fleet *f, const struct site *s, int64_t at_ms)
{
    double days = (double)(at_ms - f->start_ms) / (double)MS_PER_DAY;
    double year = (double)at_ms / (365.25 * (double)MS_PER_DAY);
    double hour = (double)(at_ms % MS_PER_DAY) / (double)MS_PER_HOUR + s->utc_offset_h;
    size_t day = days > 0 ? (size_t)days : 0;
    double part = days > 0 ? days - (double)day : 0;

    return 0.006 * cos(2 * M_PI * (year - 0.05)) + 0.0015 * cos(2 * M_PI * (hour - 3) / 24) +
           (1 - part) * s->weather[day] + part * s->weather[day + 1];
}

void physics_wear_path(struct unit *u, gsl_rng *dice)
{
    size_t days = (size_t)((u->crossing_ms - u->onset_ms + MS_PER_DAY - 1) / MS_PER_DAY);
    double power = dice_between(dice, 1.2, 2.0), sum = 0, last;

    u->path = NULL;
    u->path_days = days + 1;
    for (size_t d = 0; d <= days; d++) {
        /* Wear never heals: the steps of a gamma process, the later ones larger. */
        double expected = days ? pow((double)d / (double)days, power - 1) : 0;

        sum += d ? expected * gsl_ran_gamma(dice, 2.0, 0.5) : 0;
        u->path = grown(u->path, d, sizeof *u->path);
        u->path[d] = (float)sum;
    }
    last = sum > 0 ? sum : 1;
    for (size_t d = 0; d <= days; d++)
        u->path[d] = (float)((double)u->path[d] / last);
}

static double wear(const struct unit *u, int64_t at_ms)
{
    double days;
    size_t day;

    if (!u->path || at_ms <= u->onset_ms)
        return 0;
    days = (double)(at_ms - u->onset_ms) / (double)MS_PER_DAY;
    day = (size_t)days;
    if (day + 1 >= u->path_days)
        return u->loss * (1 + 0.02 * (days - (double)u->path_days + 1)); /* goes on after the crossing */
    return u->loss *
           ((double)u->path[day] + (days - (double)day) * (double)(u->path[day + 1] - u->path[day]));
}

double physics_dirt(const struct machine *m, int64_t at_ms)
{
    int64_t clean = m->cleanings[0];
    double loss;

    for (size_t i = 1; i < m->cleaning_count && m->cleanings[i] <= at_ms; i++)
        clean = m->cleanings[i];
    loss = m->dirt_per_day * (double)(at_ms - clean) / (double)MS_PER_DAY;
    if (m->burst.peak > 0 && at_ms > m->burst.from_ms && at_ms < m->burst.to_ms)
        loss += m->burst.peak *
                pow((double)(at_ms - m->burst.from_ms) / (double)MS_PER_DAY / m->burst.grow_days, 1.3);
    return fmin(loss, 0.6);
}

const struct unit *physics_unit(const struct fan *fan, int64_t at_ms)
{
    const struct unit *u = fan->units;

    for (size_t i = 1; i < fan->unit_count && fan->units[i].from_ms <= at_ms; i++)
        u = fan->units + i;
    return u;
}

double physics_speed(const struct fleet *f, const struct fan *fan, int64_t at_ms)
{
    const struct unit *u = physics_unit(fan, at_ms);
    const struct machine *m = machine_of(f, fan->drive);

    return f->fan_models[u->model].rated_rpm * u->base * (1 + ambient(f, f->sites + m->site, at_ms)) *
           fmax(0, 1 - wear(u, at_ms)) * (1 - physics_dirt(m, at_ms));
}

bool machine_powered(const struct machine *m, int64_t at_ms)
{
    size_t low = 0, high = m->off.count;

    while (low < high) {
        size_t middle = (low + high) / 2;

        if (m->off.at[middle].to_ms <= at_ms)
            low = middle + 1;
        else
            high = middle;
    }
    return low == m->off.count || at_ms < m->off.at[low].from_ms;
}

static const struct fault *fault_now(const struct fleet *f, const struct fan *fan, int64_t at_ms)
{
    for (size_t i = 0; i < fan->fault_count; i++) {
        const struct fault *fault = f->faults + fan->faults[i];

        if (fault->kind == FAULT_FAN && at_ms >= fault->slow_ms && at_ms < fault->clear_ms)
            return fault;
    }
    return NULL;
}

static bool drops_out(const struct dropout *d, int64_t at_ms, gsl_rng *dice)
{
    double share;

    if (d->share <= 0 || at_ms < d->from_ms || at_ms >= d->to_ms)
        return false;
    share = d->share * (double)(at_ms - d->from_ms) / (double)MS_PER_DAY / 30;
    return dice_chance(dice, fmin(fmax(share, 0.02), d->share));
}

int32_t physics_reading(const struct fleet *f, const struct fan *fan, int64_t at_ms, gsl_rng *dice)
{
    const struct drive_model *model = drive_model_of(f, fan->drive);
    int warning = f->fan_models[physics_unit(fan, at_ms)->model].warning_rpm;
    int step = model->resolution_rpm;
    double noise = 1 + gsl_ran_gaussian_ziggurat(dice, NOISE), speed;
    const struct fault *fault;
    int32_t rpm;

    if (!machine_powered(machine_of(f, fan->drive), at_ms))
        return model->silent_when_off ? RPM_UNAVAILABLE : 0;
    fault = fault_now(f, fan, at_ms);
    if (!fault && drops_out(&fan->dropout, at_ms, dice))
        return fan->dropout.as_zero ? 0 : RPM_UNAVAILABLE;
    speed = fault ? fault->low * warning * noise : physics_speed(f, fan, at_ms) * noise;
    rpm = step * (int32_t)floor(speed / step + 0.5);
    /* The drive's own, faster filter decides on the warning: without one the speed is not below the limit. */
    if (fault)
        return rpm < warning ? rpm : step * ((warning - 1) / step);
    return rpm >= warning ? rpm : step * ((warning + step - 1) / step);
}

double physics_days_to_warning(const struct fleet *f, const struct fan *fan, int64_t at_ms)
{
    int warning = f->fan_models[physics_unit(fan, at_ms)->model].warning_rpm;

    for (int64_t t = at_ms; t < f->end_ms + (HORIZON_DAYS - 1) * MS_PER_DAY; t += MS_PER_HOUR)
        if (physics_speed(f, fan, t) < warning)
            return (double)(t - at_ms) / (double)MS_PER_DAY;
    return -1;
}
