#include "physics.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <string.h>

/* From the warning to the end of the repair, at most. */
#define STOP_MS (8 * MS_PER_HOUR)

/* Spans in which no fault may stand: they would be cut in two by what a client can and cannot read. */
static bool crosses_border(const struct fleet *f, const struct source *s, int64_t from_ms, int64_t to_ms)
{
    double away = (double)(f->end_ms - f->first_read_ms);
    struct window borders[5];
    size_t count = 0;

    borders[count++] = (struct window){f->start_ms, f->start_ms + MS_PER_HOUR};
    if (s->forgets || s->restarts)
        borders[count++] = (struct window){f->first_read_ms - MS_PER_HOUR, f->first_read_ms + MS_PER_HOUR};
    if (s->restarts)
        borders[count++] = (struct window){f->restart_ms - MS_PER_HOUR, f->restart_ms + MS_PER_HOUR};
    if (s->forgets) { /* the buffer's beginning, as it is at the first and at the last reading */
        borders[count++] =
            (struct window){f->end_ms - (int64_t)(0.9 * away), f->end_ms - (int64_t)(0.45 * away)};
        borders[count++] = (struct window){f->first_read_ms - (int64_t)(0.9 * away),
                                           f->first_read_ms - (int64_t)(0.45 * away)};
    }
    for (size_t i = 0; i < count; i++)
        if (from_ms < borders[i].to_ms && to_ms > borders[i].from_ms)
            return true;
    return false;
}

bool fate_fits(const struct fleet *f, int drive, int64_t from_ms, int64_t to_ms)
{
    static const int64_t margin_ms = 2 * MS_PER_HOUR;

    for (size_t i = 0; i < f->fault_count; i++) {
        const struct fault *other = f->faults + i;

        if (other->drive == drive && other->slow_ms - margin_ms < to_ms &&
            (other->clear_ms == NEVER || other->clear_ms + margin_ms > from_ms))
            return false;
    }
    return true;
}

static bool stays_powered(const struct machine *m, int64_t from_ms, int64_t to_ms)
{
    for (size_t i = 0; i < m->off.count; i++)
        if (m->off.at[i].from_ms < to_ms && m->off.at[i].to_ms > from_ms)
            return false;
    return true;
}

int64_t fate_settle(const struct fleet *f, int drive, int64_t at_ms, int64_t needed_ms)
{
    const struct machine *m = machine_of(f, drive);
    const struct source *s = source_of(f, drive);

    for (int attempt = 0; attempt < 2000; attempt++) {
        /* later, a little earlier, still later, ... */
        int64_t shift_ms = (attempt + 1) / 2 * (97 * MS_PER_MIN) * (attempt % 2 ? 1 : -1);
        int64_t from_ms = at_ms + shift_ms - MS_PER_HOUR, to_ms = at_ms + shift_ms + needed_ms;

        if (at_ms < f->end_ms && at_ms + shift_ms >= f->end_ms)
            continue;
        if (stays_powered(m, from_ms, to_ms) && !crosses_border(f, s, from_ms, to_ms) &&
            fate_fits(f, drive, from_ms, to_ms))
            return at_ms + shift_ms;
    }
    return at_ms;
}

void fate_add_fault(struct fleet *f, struct fault fault)
{
    struct fan *fan = f->fans + fault.fan;

    f->faults = grown(f->faults, f->fault_count, sizeof *f->faults);
    fan->faults = grown(fan->faults, fan->fault_count, sizeof *fan->faults);
    fan->faults[fan->fault_count++] = (int)f->fault_count;
    f->faults[f->fault_count++] = fault;
}

void fate_add_work(struct fleet *f, struct work work)
{
    f->works = grown(f->works, f->work_count, sizeof *f->works);
    f->works[f->work_count++] = work;
}

const char *fate_technician(const struct fleet *f, int fan, int64_t at_ms)
{
    const struct site *site = f->sites + machine_of(f, f->fans[fan].drive)->site;

    return site->technicians[(uint64_t)(at_ms / MS_PER_HOUR) % 3];
}

bool fate_brief_warning(struct fleet *f, int fan, int64_t at_ms, int seconds, double low)
{
    int drive = f->fans[fan].drive;
    int64_t to_ms = at_ms + seconds * MS_PER_S;

    if (at_ms < f->start_ms + MS_PER_DAY || to_ms > f->end_ms - MS_PER_MIN ||
        !fate_fits(f, drive, at_ms, to_ms) ||
        !stays_powered(machine_of(f, drive), at_ms - MS_PER_HOUR, to_ms + MS_PER_HOUR) ||
        crosses_border(f, source_of(f, drive), at_ms - MS_PER_HOUR, to_ms + MS_PER_HOUR))
        return false;
    fate_add_fault(f, (struct fault){.kind = FAULT_FAN,
                                     .drive = drive,
                                     .fan = fan,
                                     .slow_ms = at_ms - 4 * MS_PER_S,
                                     .warning_ms = at_ms,
                                     .alarm_ms = NEVER,
                                     .clear_ms = to_ms,
                                     .low = low});
    return true;
}

static double duty(const struct machine *m)
{
    return m->off_at_weekends ? 5.0 / 7 : 1;
}

static double base_speed(gsl_rng *dice)
{
    return 1 + fmax(-0.02, fmin(0.02, gsl_ran_gaussian(dice, 0.009)));
}

static struct unit *add_unit(struct fleet *f, struct fan *fan, int64_t from_ms, gsl_rng *dice)
{
    const struct drive_model *model = drive_model_of(f, fan->drive);
    const char *key = fan->position == HEAT_SINK ? model->heat_sink_fan : model->internal_fan;
    struct unit u = {.from_ms = from_ms,
                     .to_ms = NEVER,
                     .base = base_speed(dice),
                     .onset_ms = NEVER,
                     .crossing_ms = NEVER};

    if (fan->unit_count && model->newer_internal_fan && fan->position != HEAT_SINK &&
        from_ms > f->end_ms - 150 * MS_PER_DAY)
        key = model->newer_internal_fan; /* the part that supersedes the old one */
    u.model = catalog_fan_model(f, key);
    if (fan->unit_count)
        fan->units[fan->unit_count - 1].to_ms = from_ms;
    fan->units = grown(fan->units, fan->unit_count, sizeof *fan->units);
    fan->units[fan->unit_count] = u;
    return fan->units + fan->unit_count++;
}

/* Weibull life of a fan that has already reached 'age_h'. */
static double draw_life_h(const struct fan_model *model, double age_h, gsl_rng *dice)
{
    double survived = pow(age_h / model->life_scale_h, model->life_shape);

    return model->life_scale_h * pow(survived + gsl_ran_exponential(dice, 1.0), 1 / model->life_shape);
}

/* The newest unit wears so that it is down to the warning speed at the crossing, with the air and dirt of
 * that day. */
static void wear_down(const struct fleet *f, struct fan *fan, int64_t onset_ms, int64_t crossing_ms,
                      gsl_rng *dice)
{
    struct unit *u = fan->units + fan->unit_count - 1;

    u->onset_ms = onset_ms;
    u->crossing_ms = crossing_ms;
    u->loss = fmax(0.02, 1 - f->fan_models[u->model].warning_rpm / physics_speed(f, fan, crossing_ms));
    physics_wear_path(u, dice);
}

/* The work at the end of a unit's life, and what was noted beside it. */
static void record_replacement(struct fleet *f, struct fan *fan, int64_t done_ms, const char *reason,
                               const char *finding, double before, gsl_rng *dice)
{
    int index = (int)(fan - f->fans);
    bool speaks = drive_model_of(f, fan->drive)->reports_speed && fan->position != HEAT_SINK;
    struct machine *m = f->machines + f->drives[fan->drive].machine;
    struct unit *u = add_unit(f, fan, done_ms, dice);
    const struct fan_model *model = f->fan_models + u->model;
    struct work w = {.fan = index,
                     .done_ms = done_ms - done_ms % MS_PER_MIN,
                     .action = "replaced",
                     .reason = reason,
                     .finding = finding,
                     .technician = fate_technician(f, index, done_ms),
                     .rpm_before = speaks ? before : -1,
                     .rpm_after = -1,
                     .part = model->part};

    if (speaks)
        w.rpm_after = 10 * floor(physics_speed(f, fan, done_ms) / 10 + 0.5);
    fate_add_work(f, w);
    windows_add(&m->off, done_ms - dice_whole(dice, 25, 50) * MS_PER_MIN, done_ms - 2 * MS_PER_MIN);
    if (model->housing && dice_chance(dice, 0.12)) {
        w.action = "housing";
        w.finding = "none";
        w.part = model->housing;
        w.note = "lug broken, housing not reused";
        w.rpm_before = w.rpm_after = -1;
        fate_add_work(f, w);
    }
}

/* Before the end some wear-outs announce themselves by warnings that clear. */
static int64_t precursors(struct fleet *f, int fan, int64_t crossing_ms, int count, gsl_rng *dice)
{
    int64_t first_ms = NEVER;

    for (int i = 0; i < count; i++) {
        int64_t at_ms = crossing_ms - (int64_t)(dice_between(dice, 0.3, 6) * (double)MS_PER_DAY);
        double low = dice_between(dice, 0.955, 0.99);

        if (fate_brief_warning(f, fan, at_ms, dice_whole(dice, 12, 50), low) && at_ms < first_ms)
            first_ms = at_ms;
    }
    return first_ms;
}

/* Warning, alarm about a minute later, repair within hours. Returns the moment of the repair. */
static int64_t stop_machine(struct fleet *f, struct fan *fan, int64_t at_ms, bool sudden, gsl_rng *dice)
{
    const struct family *family = family_of(f, fan->drive);
    int64_t repair_ms = dice_whole(dice, 70, 400) * MS_PER_MIN;
    struct fault fault = {.kind = fan->position == HEAT_SINK ? FAULT_HEAT_SINK_FAN : FAULT_FAN,
                          .drive = fan->drive,
                          .fan = (int)(fan - f->fans),
                          .alarm_ms = NEVER,
                          .clear_ms = NEVER,
                          .low = sudden ? 0 : dice_between(dice, 0.9, 0.97)};
    int64_t delay_ms;

    if (fan->story_repair_ms != NEVER)
        repair_ms = fan->story_repair_ms - at_ms;
    else
        at_ms = fate_settle(f, fan->drive, at_ms, STOP_MS);
    at_ms += dice_whole(dice, 0, 20 * 60000);
    fault.warning_ms = at_ms;
    fault.slow_ms = at_ms - (sudden ? dice_whole(dice, 60, 240) : 5) * MS_PER_S;
    delay_ms = drive_model_of(f, fan->drive)->warning_to_alarm_s * MS_PER_S + dice_whole(dice, -900, 900);
    fault.alarm_ms = at_ms + delay_ms;
    if (fault.kind == FAULT_HEAT_SINK_FAN && !family->heat_sink_warns)
        fault.warning_ms = NEVER;
    if (!fan->story_open && at_ms + repair_ms < f->end_ms)
        fault.clear_ms = at_ms + repair_ms;
    fate_add_fault(f, fault);
    return fault.clear_ms;
}

/* A neighbour in the same drive is often replaced along with the fan that failed. */
static void replace_neighbour(struct fleet *f, struct fan *fan, int64_t at_ms, gsl_rng *dice)
{
    int other = f->drives[fan->drive].fans[INTERNAL_2];

    if (fan->position == INTERNAL_1 && other != NONE && at_ms != NEVER && dice_chance(dice, 0.3))
        f->fans[other].forced_ms = at_ms;
}

static double speed_before(const struct fleet *f, const struct fan *fan, int64_t at_ms)
{
    return 10 * floor(physics_speed(f, fan, at_ms - MS_PER_HOUR) / 10 + 0.5);
}

/* Plays the failure of the fan's newest unit. Returns when it was replaced, NEVER when it was not. */
static int64_t play_failure(struct fleet *f, struct fan *fan, int64_t at_ms, bool sudden, gsl_rng *dice)
{
    bool speaks = fan->speed_item != NONE && !sudden;
    const char *finding = sudden && fan->speed_item != NONE ? "blocked" : "worn";
    double choice = gsl_rng_uniform(dice);
    int64_t done_ms, first_ms = NEVER;
    const struct fault *fault;

    if (speaks)
        first_ms = precursors(f, (int)(fan - f->fans), at_ms,
                              choice < 0.25 ? 1 : (int)gsl_ran_poisson(dice, 1.0), dice);
    if (speaks && choice < 0.45 && !fan->story_stops) {
        bool warned = choice < 0.25 && first_ms != NEVER;
        double early = warned ? dice_between(dice, 0.1, 0.5) * (double)(at_ms - first_ms)
                              : dice_between(dice, 7, 18) * (double)MS_PER_DAY;

        done_ms = fate_settle(f, fan->drive, at_ms - (int64_t)early, MS_PER_HOUR);
        if (done_ms > fan->units[fan->unit_count - 1].from_ms + MS_PER_DAY && done_ms < f->end_ms) {
            record_replacement(f, fan, done_ms, warned ? "warning" : "predicted", "worn",
                               speed_before(f, fan, done_ms), dice);
            replace_neighbour(f, fan, done_ms, dice);
            return done_ms;
        }
    }
    done_ms = stop_machine(f, fan, at_ms, sudden, dice);
    if (done_ms == NEVER)
        return NEVER;
    fault = f->faults + f->fault_count - 1;
    record_replacement(
        f, fan, done_ms, "alarm", dice_chance(dice, 0.1) ? "unknown" : finding,
        10 * floor(fault->low * f->fan_models[fan->units[fan->unit_count - 1].model].warning_rpm / 10), dice);
    replace_neighbour(f, fan, done_ms, dice);
    return done_ms;
}

/* Replaced although it was not worn: with its neighbour, or for its age. */
static bool replaced_early(struct fleet *f, struct fan *fan, int64_t failure_ms, gsl_rng *dice)
{
    bool forced = fan->forced_ms != NEVER;
    int64_t at_ms = forced ? fan->forced_ms : fan->age_ms;

    if (at_ms == NEVER || at_ms > failure_ms - 2 * MS_PER_DAY ||
        at_ms <= fan->units[fan->unit_count - 1].from_ms)
        return false;
    fan->forced_ms = fan->age_ms = NEVER;
    if (!forced)
        at_ms = fate_settle(f, fan->drive, at_ms, MS_PER_HOUR);
    record_replacement(f, fan, at_ms, forced ? "opportunity" : "age", "none", speed_before(f, fan, at_ms),
                       dice);
    return true;
}

static void live_on(struct fleet *f, struct fan *fan, gsl_rng *dice)
{
    const struct machine *m = machine_of(f, fan->drive);
    int64_t from_ms = f->start_ms;
    double age_h =
        fan->hours_at_install + duty(m) * (double)(f->start_ms - fan->installed_ms) / (double)MS_PER_HOUR;

    add_unit(f, fan, fan->installed_ms, dice);
    for (;;) {
        struct unit *u = fan->units + fan->unit_count - 1;
        double life_h = draw_life_h(f->fan_models + u->model, age_h, dice);
        double left_ms = (life_h - age_h) / duty(m) * (double)MS_PER_HOUR;
        double trend_ms = dice_between(dice, 25, 110) * (double)MS_PER_DAY;
        bool sudden = dice_chance(dice, 0.2) || fan->speed_item == NONE;
        int64_t failure_ms = left_ms > 1e13 ? NEVER : from_ms + (int64_t)left_ms, onset_ms;

        if (fan->story_crossing_ms != NEVER)
            failure_ms = fan->story_crossing_ms;
        else if (failure_ms < f->end_ms)
            failure_ms = fate_settle(f, fan->drive, failure_ms, STOP_MS);
        onset_ms = fan->story_onset_ms != NEVER ? fan->story_onset_ms : failure_ms - (int64_t)trend_ms;
        if (failure_ms < f->end_ms + (HORIZON_DAYS - 10) * MS_PER_DAY &&
            !(sudden && fan->story_crossing_ms == NEVER))
            wear_down(f, fan, onset_ms, failure_ms, dice);
        if (!replaced_early(f, fan, failure_ms, dice)) {
            if (failure_ms >= f->end_ms ||
                play_failure(f, fan, failure_ms, sudden && fan->story_crossing_ms == NEVER, dice) == NEVER)
                return;
        }
        fan->story_crossing_ms = fan->story_onset_ms = fan->story_repair_ms = NEVER;
        fan->story_open = fan->story_stops = false;
        from_ms = fan->units[fan->unit_count - 1].from_ms;
        age_h = 0;
    }
}

void fate_decide(struct fleet *f)
{
    for (size_t i = 0; i < f->fan_count; i++) {
        gsl_rng *dice = dice_new(f->options.seed, DICE_LIFE, i);

        live_on(f, f->fans + i, dice);
        gsl_rng_free(dice);
    }
}
