#include "pack_inside.h"

#include "chart.h"

#include <math.h>
#include <string.h>

enum { PAST_DAYS = 120, MIN_AHEAD_DAYS = 30, MAX_AHEAD_DAYS = 90 };

static struct chart_line speed_line(struct arena *mem, const struct fan *fan)
{
    int32_t *days = arena_array(mem, int32_t, fan->day_count + 1);
    double *medians = arena_array(mem, double, fan->day_count + 1);

    for (size_t i = 0; i < fan->day_count; i++) {
        days[i] = fan->days[i].day;
        medians[i] = fan->days[i].median;
    }
    return (struct chart_line){fan->position, days, medians, fan->day_count};
}

static enum chart_event_kind kind_of_work(enum work_action action)
{
    switch (action) {
    case WORK_CLEANED:
        return EVENT_CLEANED;
    case WORK_RESEATED:
        return EVENT_RESEATED;
    case WORK_REPLACED:
        return EVENT_REPLACED;
    case WORK_HOUSING:
    case WORK_CONNECTOR:
    case WORK_BOARD:
    case WORK_DRIVE:
    case WORK_NONE:
        break;
    }
    return EVENT_OTHER_WORK;
}

static void add_event(struct chart_event *events, size_t *count, int64_t at_us, enum chart_event_kind kind)
{
    if (at_us == TIME_UNKNOWN)
        return;
    size_t i = (*count)++;
    for (; i && events[i - 1].day > day_of(at_us); i--)
        events[i] = events[i - 1];
    events[i] = (struct chart_event){day_of(at_us), kind};
}

static size_t events_of(const struct drive *drive, const struct fan *fan, struct arena *mem,
                        struct chart_event **out)
{
    struct chart_event *events =
        arena_array(mem, struct chart_event, 3 * drive->episode_count + fan->work_count + 1);
    size_t count = 0;

    for (size_t i = 0; i < drive->episode_count; i++) {
        const struct episode *e = &drive->episodes[i];
        if (e->alarm_us == TIME_UNKNOWN || day_of(e->alarm_us) != day_of(e->began_us))
            add_event(events, &count, e->began_us, EVENT_WARNING);
        add_event(events, &count, e->alarm_us, EVENT_ALARM);
        if (e->ended_us != TIME_UNKNOWN && day_of(e->ended_us) != day_of(e->began_us))
            add_event(events, &count, e->ended_us, EVENT_CLEARED);
    }
    for (size_t i = 0; i < fan->work_count; i++)
        add_event(events, &count, fan->work[i].done_us, kind_of_work(fan->work[i].action));
    *out = events;
    return count;
}

void pack_job_picture(struct sheet *s, const struct pack_input *in, const struct drive_risk *risk,
                      const struct fan_risk *f, double height)
{
    const struct drive *drive = risk->drive;
    int32_t today = day_of(in->assessment->fleet->as_of_us);
    double ahead = isfinite(f->days_to_warning[1]) ? f->days_to_warning[1] * 1.4 : MIN_AHEAD_DAYS;
    struct chart_line *others = arena_array(s->mem, struct chart_line, drive->fan_count + 1);
    size_t other_count = 0;

    for (size_t i = 0; i < drive->fan_count; i++)
        if (&drive->fans[i] != f->fan && drive->fans[i].day_count && drive->fans[i].model == f->fan->model)
            others[other_count++] = speed_line(s->mem, &drive->fans[i]);
    struct chart_speed chart = {
        .from_day = today - PAST_DAYS,
        .today = today,
        .to_day = today + (int32_t)fmin(fmax(ahead, MIN_AHEAD_DAYS), MAX_AHEAD_DAYS),
        .line = speed_line(s->mem, f->fan),
        .others = others,
        .other_count = other_count,
        .baseline = f->baseline_rpm,
        .warning = f->warning_rpm,
        .baseline_label = f->baseline_own ? "own baseline" : "baseline (peers or rated)",
        .warning_label = "warning speed",
        .speed_today = isnan(f->rpm) ? f->level_rpm : f->rpm,
        .ahead = f->ahead,
        .ahead_count = RISK_AHEAD_STEPS + 1,
        .ahead_days = RISK_AHEAD_STEP_DAYS,
        .slope = {f->rate_per_day[0], f->rate_per_day[1], f->rate_per_day[2]},
    };
    memcpy(chart.days_to_warning, f->days_to_warning, sizeof chart.days_to_warning);
    struct chart_event *events;
    chart.event_count = events_of(drive, f->fan, s->mem, &events);
    chart.events = events;
    chart_speed(s->pdf, &chart, &(struct chart_frame){s->left, s->y, sheet_width(s), height});
}

bool pack_job_has_speed(const struct pack_input *in, const struct fan_risk *fan)
{
    int32_t from = day_of(in->assessment->fleet->as_of_us) - PAST_DAYS;

    if (!fan)
        return false;
    for (size_t i = 0; i < fan->fan->day_count; i++)
        if (fan->fan->days[i].day >= from && !isnan(fan->fan->days[i].median))
            return true;
    return false;
}
