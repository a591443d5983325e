#include "numeric.h"
#include "risk_parts.h"

#include <math.h>
#include <string.h>

static int32_t last_good_day(const struct fan *fan)
{
    const struct fan_day *d = risk_last_good(fan);
    return d ? d->day : DAY_UNKNOWN;
}

/* The newest good day of all fans of the site. */
static int32_t site_last_day(const struct assessing *a)
{
    int32_t last = DAY_UNKNOWN;
    for (size_t i = 0; i < a->view_count; i++) {
        int32_t day = last_good_day(a->views[i].fan);
        last = day > last ? day : last;
    }
    return last;
}

/* Ran through a day on which another one read zeros; a machine that is switched off leaves zeros at all. */
static bool ran_through(const struct fan *fan, const struct fan_day *zeros)
{
    const struct fan_day *d = risk_last_good(fan);
    return d &&
           (d->day > zeros->day || (d->day == zeros->day && 2 * d->zero_readings < zeros->zero_readings));
}

/* A whole day of zeros as the newest word, while another of the machine's n fans ran through that day. */
static bool is_stopped(const struct fan *fan, const struct fan_view *machine, size_t n)
{
    if (!fan->day_count)
        return false;
    const struct fan_day *d = &fan->days[fan->day_count - 1];
    bool others = false;
    for (size_t m = 0; m < n; m++)
        others |= machine[m].fan != fan && ran_through(machine[m].fan, d);
    return others && isnan(d->median) && d->zero_readings > 0 && d->covered_s >= RISK_GOOD_COVER_S;
}

static const char *why_never(const struct fan *fan)
{
    const struct drive_model *m = fan->drive->model;
    if (fan->bound)
        return "no speed has come yet, although a data item is bound to it";
    if (m && m->reports_speed == ANSWER_NO)
        return "its drive has no speed diagnostic";
    if (strcmp(fan->position, "heat-sink") == 0)
        return "nothing reports the speed of this heat-sink fan";
    if (m && m->reports_speed == ANSWER_YES)
        return "its drive reports speeds, but no data item is bound to this one";
    return "no data item is bound to its speed, and whether its drive reports speeds is not known";
}

static const char *days_text(struct arena *mem, int days)
{
    return arena_printf(mem, "%d day%s", days, days == 1 ? "" : "s");
}

static const char *why_silent(const struct assessing *a, int32_t own, int32_t machine, int32_t site)
{
    char day[DAY_TEXT];
    day_format(own, day);
    const char *who = "its neighbours report";
    if (site - own <= RISK_SILENT_DAYS)
        who = "the whole site is silent";
    else if (machine - own <= RISK_SILENT_DAYS)
        who = "all fans of the machine are silent, the site is not";
    return arena_printf(a->mem, "no speed for %s, since %s: %s", days_text(a->mem, a->today - 1 - own), day,
                        who);
}

static void judge_silence(const struct assessing *a, struct fan_view *v, int32_t machine, int32_t site)
{
    struct fan_risk *r = v->risk;
    int32_t own = last_good_day(v->fan);
    const struct fan_day *last = risk_last_good(v->fan);

    r->rpm = last ? last->median : D_NAN;
    r->rpm_day = own;
    if (r->stopped)
        return;
    if (!last) {
        r->missing = why_never(v->fan);
        v->silent = v->fan->bound;
    } else if (site - own > RISK_SILENT_DAYS || a->today - own > RISK_LEVEL_SPAN_DAYS) {
        r->missing = why_silent(a, own, machine, site);
        v->silent = true;
        r->level_rpm = r->relative = r->peer_relative = D_NAN; /* of days gone by: says nothing of today */
    } else if (isnan(r->level_rpm)) {
        char day[DAY_TEXT];
        day_format(v->touched_day, day);
        r->missing = arena_printf(a->mem, "no full day of speed yet since the work of %s", day);
    }
}

void risk_silences(struct assessing *a)
{
    int32_t site = site_last_day(a);

    for (size_t i = 0, n; i < a->view_count; i += n) {
        n = risk_machine_views(a, i);
        for (size_t k = i; k < i + n; k++) {
            int32_t others = DAY_UNKNOWN;
            for (size_t m = i; m < i + n; m++) {
                int32_t day = last_good_day(a->views[m].fan);
                others = m != k && day > others ? day : others;
            }
            a->views[k].risk->stopped = is_stopped(a->views[k].fan, &a->views[i], n);
            judge_silence(a, &a->views[k], others, site);
        }
    }
}
