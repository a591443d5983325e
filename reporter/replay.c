#include "replay.h"

#include <string.h>

/* The fan in place at the moment: what the register has from before it, or the last replacement until then.
 */
static void cut_fitting(struct fan *fan, int32_t today)
{
    if (fan->registered_day != DAY_UNKNOWN && fan->registered_day > today) {
        fan->registered_day = DAY_UNKNOWN;
        fan->registered_hours = 0;
    }
    fan->installed_day = fan->registered_day;
    fan->hours_at_install = fan->registered_hours;
    for (size_t i = 0; i < fan->work_count; i++) {
        int32_t day = day_of(fan->work[i].done_us);
        if (fan->work[i].action != WORK_REPLACED ||
            (fan->installed_day != DAY_UNKNOWN && fan->installed_day >= day))
            continue;
        fan->installed_day = day;
        fan->hours_at_install = 0;
    }
}

static void cut_fan(struct fan *fan, const struct drive *drive, int64_t at_us)
{
    int32_t today = day_of(at_us);

    fan->drive = drive;
    while (fan->day_count && fan->days[fan->day_count - 1].day >= today)
        fan->day_count--;
    while (fan->work_count && fan->work[fan->work_count - 1].done_us > at_us)
        fan->work_count--;
    cut_fitting(fan, today);
}

static void cut_episode(struct episode *e, int64_t at_us)
{
    if (e->alarm_us != TIME_UNKNOWN && e->alarm_us > at_us)
        e->alarm_us = TIME_UNKNOWN;
    if (e->ended_us != TIME_UNKNOWN && e->ended_us <= at_us)
        return;
    e->ended_us = TIME_UNKNOWN;
    e->outcome = EPISODE_OPEN;
    e->end_seen = false;
    e->reports = 1; /* how many of them had come is not kept */
}

static void cut_drive(struct drive *d, int64_t at_us, struct arena *mem)
{
    const struct fan *fans = d->fans;
    const struct episode *episodes = d->episodes;

    d->fans = arena_array(mem, struct fan, d->fan_count);
    for (size_t k = 0; k < d->fan_count; k++) {
        d->fans[k] = fans[k];
        cut_fan(&d->fans[k], d, at_us);
    }
    while (d->episode_count && episodes[d->episode_count - 1].began_us > at_us)
        d->episode_count--;
    d->episodes = arena_array(mem, struct episode, d->episode_count);
    for (size_t i = 0; i < d->episode_count; i++) {
        d->episodes[i] = episodes[i];
        cut_episode(&d->episodes[i], at_us);
    }
}

void replay_cut(const struct fleet *fleet, int64_t at_us, struct arena *mem, struct fleet *out)
{
    *out = *fleet;
    out->as_of_us = at_us;
    out->track = NULL; /* what was learned since */
    out->calibration = NULL;
    out->drives = arena_array(mem, struct drive, fleet->drive_count);
    for (size_t i = 0; i < fleet->drive_count; i++) {
        out->drives[i] = fleet->drives[i];
        cut_drive(&out->drives[i], at_us, mem);
    }
}

/* First moment after at_us at which a fan of the drive, or the drive, was replaced; until_us: none before. */
static int64_t changed_at(const struct drive *drive, int64_t at_us, int64_t until_us)
{
    for (size_t k = 0; k < drive->fan_count; k++)
        for (size_t i = 0; i < drive->fans[k].work_count; i++) {
            const struct work *w = &drive->fans[k].work[i];
            if ((w->action == WORK_REPLACED || w->action == WORK_DRIVE) && w->done_us > at_us &&
                w->done_us < until_us)
                until_us = w->done_us;
        }
    return until_us;
}

struct replay_outcome replay_outcome(const struct drive *drive, int64_t at_us, int64_t until_us)
{
    int64_t end_us = changed_at(drive, at_us, until_us);
    enum fate fate = end_us < until_us ? FATE_CHANGED : FATE_OPEN;

    for (size_t i = 0; i < drive->episode_count; i++)
        if (drive->episodes[i].began_us > at_us && drive->episodes[i].began_us <= end_us) {
            end_us = drive->episodes[i].began_us;
            fate = FATE_FAULT;
            break;
        }
    return (struct replay_outcome){fate, (double)(end_us - at_us) / (double)US_PER_DAY};
}

bool replay_in_fault(const struct drive *drive, int64_t at_us)
{
    for (size_t i = 0; i < drive->episode_count && drive->episodes[i].began_us <= at_us; i++)
        if (drive->episodes[i].ended_us == TIME_UNKNOWN || drive->episodes[i].ended_us > at_us)
            return true;
    return false;
}
