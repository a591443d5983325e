#include "physics.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <string.h>

bool windows_cover(const struct windows *w, int64_t at_ms)
{
    for (size_t i = 0; i < w->count; i++)
        if (at_ms >= w->at[i].from_ms && at_ms < w->at[i].to_ms)
            return true;
    return false;
}

/* Keeps order; spans that meet become one. */
void windows_add(struct windows *w, int64_t from_ms, int64_t to_ms)
{
    size_t first = 0, last;

    while (first < w->count && w->at[first].to_ms < from_ms)
        first++;
    for (last = first; last < w->count && w->at[last].from_ms <= to_ms; last++) {
        from_ms = from_ms < w->at[last].from_ms ? from_ms : w->at[last].from_ms;
        to_ms = to_ms > w->at[last].to_ms ? to_ms : w->at[last].to_ms;
    }
    if (first == last)
        w->at = grown(w->at, w->count, sizeof *w->at);
    memmove(w->at + first + 1, w->at + last, (w->count - last) * sizeof *w->at);
    w->count = w->count + 1 - (last - first);
    w->at[first] = (struct window){from_ms, to_ms};
}

/* Power off from Friday 22:00 to Sunday 22:00 of the site's standard time; day 0 of the count was a Thursday.
 */
void mishaps_weekends(struct fleet *f)
{
    for (size_t i = 0; i < f->machine_count; i++) {
        struct machine *m = f->machines + i;
        int64_t zone_ms = f->sites[m->site].utc_offset_h * MS_PER_HOUR;
        int64_t week = (f->start_ms + zone_ms) / (7 * MS_PER_DAY);

        for (; m->off_at_weekends; week++) {
            int64_t friday_ms = week * 7 * MS_PER_DAY + MS_PER_DAY + 22 * MS_PER_HOUR - zone_ms;

            friday_ms += (int64_t)(i * 37 % 50) * MS_PER_MIN;
            if (friday_ms > f->end_ms)
                break;
            if (friday_ms > f->start_ms + MS_PER_DAY)
                windows_add(&m->off, friday_ms, friday_ms + 2 * MS_PER_DAY);
        }
    }
}

static int64_t any_moment(const struct fleet *f, gsl_rng *dice)
{
    return f->start_ms + (int64_t)(dice_between(dice, 0.02, 0.99) * (double)(f->end_ms - f->start_ms));
}

static int scaled(const struct fleet *f, double per_400_days)
{
    return (int)ceil(per_400_days * f->options.days / 400 * (f->options.small ? 0.3 : 1));
}

static bool in_story(const struct fleet *f, const struct fan *fan)
{
    return f->drives[fan->drive].in_story;
}

/* A connector works loose for weeks; then someone finds it. */
static void loosen_connectors(struct fleet *f, gsl_rng *dice)
{
    for (int left = scaled(f, 6), tries = 0; left > 0 && tries < 500; tries++) {
        int index = dice_whole(dice, 0, (int)f->fan_count - 1);
        struct fan *fan = f->fans + index;
        int64_t from_ms = any_moment(f, dice), span_ms = dice_whole(dice, 10, 45) * MS_PER_DAY, done_ms;
        bool holder = dice_chance(dice, 0.4);

        if (fan->speed_item == NONE || in_story(f, fan) || fan->dropout.share > 0 ||
            from_ms + span_ms > f->end_ms || fan->unit_count > 1)
            continue;
        done_ms = fate_settle(f, fan->drive, from_ms + span_ms, MS_PER_HOUR);
        fan->dropout = (struct dropout){from_ms, done_ms, dice_between(dice, 0.1, 0.35),
                                        !drive_model_of(f, fan->drive)->silent_when_off};
        for (int i = 0; i < 5; i++)
            fate_brief_warning(
                f, index, from_ms + (int64_t)(dice_between(dice, 0.3, 0.98) * (double)(done_ms - from_ms)),
                dice_whole(dice, 6, 40), 0);
        fate_add_work(f, (struct work){index, done_ms - done_ms % MS_PER_MIN,
                                       holder ? "connector" : "reseated", "warning",
                                       holder ? "connector" : "loose", fate_technician(f, index, done_ms), -1,
                                       10 * floor(physics_speed(f, fan, done_ms) / 10),
                                       holder ? "GP 209-003" : NULL, NULL});
        left--;
    }
}

/* Warnings without a lasting cause; now and then someone looks and finds nothing. */
static void stray_warnings(struct fleet *f, gsl_rng *dice)
{
    for (int left = scaled(f, 14), tries = 0; left > 0 && tries < 500; tries++) {
        int index = dice_whole(dice, 0, (int)f->fan_count - 1);
        const struct fan *fan = f->fans + index;
        int64_t at_ms = any_moment(f, dice), done_ms = at_ms + dice_whole(dice, 60, 2000) * MS_PER_MIN;

        if (fan->position == HEAT_SINK || in_story(f, fan) ||
            !fate_brief_warning(f, index, at_ms, dice_whole(dice, 5, 52), dice_between(dice, 0.8, 0.99)))
            continue;
        left--;
        if (dice_chance(dice, 0.5) && done_ms < f->end_ms)
            fate_add_work(f, (struct work){index, done_ms - done_ms % MS_PER_MIN, "none", "warning", "none",
                                           fate_technician(f, index, done_ms), -1, -1, NULL,
                                           "turns freely, clean"});
    }
}

/* Two or three cabinets got very dirty in the past and were cleaned when warnings came. */
static void dirty_cabinets(struct fleet *f, gsl_rng *dice)
{
    for (int left = scaled(f, 3), tries = 0; left > 0 && tries < 200; tries++) {
        struct machine *m = f->machines + dice_whole(dice, 0, (int)f->machine_count - 1);
        double grow_days = dice_between(dice, 50, 90);
        int64_t to_ms = any_moment(f, dice), from_ms = to_ms - (int64_t)(grow_days * (double)MS_PER_DAY);
        int drive = (int)(m->first_drive + m->drive_count - 1);

        if (m->burst.peak > 0 || from_ms < f->start_ms || f->drives[drive].in_story)
            continue;
        m->burst = (struct burst){from_ms, to_ms, dice_between(dice, 0.12, 0.17), grow_days};
        for (size_t i = 0; i < m->cleaning_count; i++)
            if (m->cleanings[i] > from_ms && m->cleanings[i] < to_ms)
                m->cleanings[i] = from_ms;
        for (int i = 0; i < 2; i++)
            fate_brief_warning(f, f->drives[drive].fans[INTERNAL_1],
                               to_ms - (int64_t)(dice_between(dice, 0.2, 4) * (double)MS_PER_DAY),
                               dice_whole(dice, 10, 45), dice_between(dice, 0.96, 0.99));
        left--;
    }
}

static void record_cleaning(struct fleet *f, const struct machine *m, int64_t at_ms, const char *reason)
{
    for (size_t i = 0; i < f->fan_count; i++) {
        const struct fan *fan = f->fans + i;
        bool speaks = fan->speed_item != NONE && machine_powered(m, at_ms);

        if (machine_of(f, fan->drive) != m || fan->position == HEAT_SINK)
            continue;
        fate_add_work(f,
                      (struct work){(int)i, at_ms - at_ms % MS_PER_MIN, "cleaned", reason, "dirty",
                                    fate_technician(f, (int)i, at_ms),
                                    speaks ? 10 * floor(physics_speed(f, fan, at_ms - MS_PER_HOUR) / 10) : -1,
                                    speaks ? 10 * floor(physics_speed(f, fan, at_ms + MS_PER_HOUR) / 10) : -1,
                                    NULL, NULL});
    }
}

static void record_cleanings(struct fleet *f)
{
    for (size_t i = 0; i < f->machine_count; i++) {
        const struct machine *m = f->machines + i;

        for (size_t c = 0; c < m->cleaning_count; c++)
            if (m->cleanings[c] > f->start_ms && m->cleanings[c] < f->end_ms)
                record_cleaning(f, m, m->cleanings[c], "opportunity");
        if (m->burst.peak > 0 && m->burst.to_ms < f->end_ms)
            record_cleaning(f, m, m->burst.to_ms, "warning");
    }
}

/* Conditions that have nothing to do with fans. Where a bare normal clears all, they must not meet a fan's
 * fault. */
static void other_messages(struct fleet *f, gsl_rng *dice)
{
    int count = scaled(f, 1.2 * (double)f->drive_count);

    for (int i = 0; i < count; i++) {
        int drive = dice_whole(dice, 0, (int)f->drive_count - 1);
        int64_t at_ms = any_moment(f, dice), to_ms = at_ms + dice_whole(dice, 30, 5400) * MS_PER_S;
        enum code code = dice_chance(dice, 0.5) ? CODE_OTHER_1 : CODE_OTHER_2;

        if (to_ms > f->end_ms - MS_PER_MIN || at_ms < f->start_ms + MS_PER_HOUR ||
            !fate_fits(f, drive, at_ms, to_ms))
            continue;
        fate_add_fault(f, (struct fault){.kind = FAULT_OTHER,
                                         .other = code,
                                         .drive = drive,
                                         .fan = f->drives[drive].fans[INTERNAL_1],
                                         .slow_ms = at_ms,
                                         .warning_ms = at_ms,
                                         .alarm_ms = NEVER,
                                         .clear_ms = to_ms,
                                         .low = 1});
    }
}

void mishaps_decide(struct fleet *f)
{
    gsl_rng *dice = dice_new(f->options.seed, DICE_MISHAP, 0);

    dirty_cabinets(f, dice);
    loosen_connectors(f, dice);
    stray_warnings(f, dice);
    other_messages(f, dice);
    record_cleanings(f);
    gsl_rng_free(dice);
}

/* A silence may lie inside of a fault or outside, but never cut one. */
static bool cuts_fault(const struct fleet *f, const struct machine *m, int64_t from_ms, int64_t to_ms)
{
    static const int64_t margin_ms = 10 * MS_PER_MIN;

    for (size_t i = 0; i < f->fault_count; i++) {
        const struct fault *fault = f->faults + i;
        bool inside, outside;

        if (machine_of(f, fault->drive) != m)
            continue;
        inside = from_ms > fault->slow_ms + margin_ms &&
                 (fault->clear_ms == NEVER || to_ms < fault->clear_ms - margin_ms);
        outside = to_ms < fault->slow_ms - margin_ms ||
                  (fault->clear_ms != NEVER && from_ms > fault->clear_ms + margin_ms);
        if (!inside && !outside)
            return true;
    }
    return false;
}

void mishaps_silence(struct fleet *f)
{
    for (size_t i = 0; i < f->machine_count; i++) {
        struct machine *m = f->machines + i;
        gsl_rng *dice = dice_new(f->options.seed, DICE_SPELL, i);
        int count = (int)gsl_ran_poisson(dice, 3.0 * f->options.days / 400);

        for (int k = 0; k < count; k++) {
            int64_t from_ms = any_moment(f, dice);
            int64_t to_ms =
                from_ms + (int64_t)(exp(dice_between(dice, log(10), log(2000))) * (double)MS_PER_MIN);
            bool at_restart = f->sources[m->source].restarts && from_ms < f->restart_ms + MS_PER_HOUR &&
                              to_ms > f->restart_ms - MS_PER_HOUR;

            if (from_ms > f->start_ms + MS_PER_HOUR && to_ms < f->end_ms - MS_PER_HOUR && !at_restart &&
                !cuts_fault(f, m, from_ms, to_ms))
                windows_add(&m->silent, from_ms, to_ms);
        }
        gsl_rng_free(dice);
    }
}
