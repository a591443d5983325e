#include "fleet.h"

#include <string.h>

enum story_kind {
    STORY_WEAR,      /* a fan on its way to the warning speed, reached 'at_days' from the end */
    STORY_STOP,      /* stopped 'at_days' from the end and not repaired yet */
    STORY_STANDING,  /* an alarm that stands for weeks, across the first reading and the restart */
    STORY_CONNECTOR, /* drop-outs for 'span_days' up to the end, not found yet */
    STORY_RESTLESS,  /* a drive without speeds with warnings that clear, the newest 'at_days' from the end */
    STORY_DIRTY,     /* a cabinet that has collected dirt for 'span_days' */
    STORY_FORGOTTEN, /* warnings inside and outside of what the small buffer forgets */
    STORY_HIDDEN,    /* failed in the past on a machine that hides the warning */
    STORY_OLD,       /* replaced for its age */
    STORY_SILENT     /* the link to the machine is down at the end */
};

static const struct story {
    enum story_kind kind;
    const char *source;
    int nth; /* drive that suits, or machine, of the source */
    double at_days, span_days;
} stories[] = {
    {STORY_WEAR, "mue-a", 1, 3.2, 55},     {STORY_WEAR, "pen-a", 0, 8, 70},
    {STORY_WEAR, "cam-a", 0, 14, 80},      {STORY_WEAR, "pen-c", 2, 21, 90},
    {STORY_WEAR, "mue-c", 3, 33, 100},     {STORY_WEAR, "cam-b", 4, 5.5, 38},
    {STORY_STOP, "cam-a", 2, -0.13, 45},   {STORY_STANDING, "pen-c", 0, 0, 30},
    {STORY_CONNECTOR, "pen-d", 1, 0, 16},  {STORY_RESTLESS, "mue-c", 0, -0.9, 0},
    {STORY_DIRTY, "mue-a", 1, 0, 70},      {STORY_FORGOTTEN, "mue-d", 0, 0, 0},
    {STORY_HIDDEN, "mue-a", 3, -9.3, 60},  {STORY_HIDDEN, "mue-c", 1, -96.4, 70},
    {STORY_HIDDEN, "cam-b", 0, -41.7, 50}, {STORY_OLD, "mue-b", 0, -121, 0},
    {STORY_OLD, "pen-b", 3, -203, 0},      {STORY_OLD, "cam-b", 1, -62, 0},
    {STORY_SILENT, "cam-c", 3, -0.21, 0},
};
enum { STORIES = sizeof stories / sizeof *stories };

static int64_t days_ms(double days)
{
    return (int64_t)(days * (double)MS_PER_DAY);
}

/* The n-th drive of the source, of those that report speed or of those that do not; NONE when there are
 * fewer. */
static int find_drive(const struct fleet *f, const struct story *story, bool speaks)
{
    int left = story->nth;

    for (size_t d = 0; d < f->drive_count; d++)
        if (strcmp(source_of(f, (int)d)->source, story->source) == 0 &&
            drive_model_of(f, (int)d)->reports_speed == speaks && left-- == 0)
            return (int)d;
    return NONE;
}

static struct machine *find_machine(struct fleet *f, const struct story *story)
{
    int left = story->nth;

    for (size_t m = 0; m < f->machine_count; m++)
        if (strcmp(f->sources[f->machines[m].source].source, story->source) == 0 && left-- == 0)
            return f->machines + m;
    return NULL;
}

static void assign_fan(struct fleet *f, const struct story *story, struct fan *fan)
{
    int64_t crossing_ms = f->end_ms + days_ms(story->at_days);

    switch (story->kind) {
    case STORY_STANDING:
        crossing_ms = f->first_read_ms - days_ms(f->options.days / 200.0);
        fan->story_repair_ms = f->restart_ms + days_ms(f->options.days / 130.0);
        break;
    case STORY_CONNECTOR:
        fan->dropout = (struct dropout){f->end_ms - days_ms(story->span_days), NEVER, 0.3, false};
        crossing_ms = f->end_ms + days_ms(10 * HORIZON_DAYS);
        break;
    case STORY_RESTLESS:
    case STORY_FORGOTTEN:
        crossing_ms = f->end_ms + days_ms(10 * HORIZON_DAYS);
        break;
    case STORY_OLD:
        fan->age_ms = crossing_ms;
        fan->installed_ms = f->start_ms - days_ms(1730);
        fan->hours_at_install = 0;
        crossing_ms = f->end_ms + days_ms(10 * HORIZON_DAYS);
        break;
    case STORY_HIDDEN:
        f->drives[fan->drive].warning_hidden = true;
        break;
    case STORY_WEAR:
    case STORY_STOP:
    case STORY_DIRTY:
    case STORY_SILENT:
        break;
    }
    fan->story_open = story->kind == STORY_STOP;
    fan->story_stops =
        story->kind == STORY_STOP || story->kind == STORY_STANDING || story->kind == STORY_HIDDEN;
    fan->story_crossing_ms = crossing_ms;
    fan->story_onset_ms = crossing_ms - days_ms(story->span_days);
}

void stories_assign(struct fleet *f)
{
    f->live_drive = NONE;
    for (int i = 0; i < STORIES; i++) {
        const struct story *story = stories + i;
        struct machine *m;
        int drive;

        if (story->kind == STORY_DIRTY || story->kind == STORY_SILENT) {
            m = find_machine(f, story);
            if (m && story->kind == STORY_DIRTY)
                m->burst =
                    (struct burst){f->end_ms - days_ms(story->span_days), NEVER, 0.15, story->span_days};
            continue;
        }
        drive = find_drive(f, story, story->kind != STORY_RESTLESS);
        if (drive == NONE)
            continue;
        f->drives[drive].in_story = true;
        f->drives[drive].warning_hidden = false;
        f->machines[f->drives[drive].machine].off_at_weekends = false;
        assign_fan(f, story, f->fans + f->drives[drive].fans[INTERNAL_1]);
        if (f->live_drive == NONE)
            f->live_drive = drive;
    }
}

/* Warnings that clear by themselves, at moments counted in days from the end. */
static void play_warnings(struct fleet *f, int fan, const double *at_days, int count, double low)
{
    for (int i = 0; i < count; i++)
        fate_brief_warning(f, fan, f->end_ms + days_ms(at_days[i]), 18 + 9 * i, low);
}

static void play(struct fleet *f, const struct story *story)
{
    static const double worn[] = {-2.21, -0.87}, loose[] = {-5.13, -2.34, -0.81},
                        restless[] = {-8.6, -3.4, -0.9};
    double away = (double)(f->end_ms - f->first_read_ms) / (double)MS_PER_DAY;
    double forgotten[] = {-0.93 * away, -0.2 * away, -1.2 * away};
    int drive = find_drive(f, story, story->kind != STORY_RESTLESS), fan;

    if (story->kind == STORY_SILENT) {
        struct machine *m = find_machine(f, story);

        if (m)
            windows_add(&m->silent, f->end_ms + days_ms(story->at_days), NEVER);
        return;
    }
    if (drive == NONE)
        return;
    fan = f->drives[drive].fans[INTERNAL_1];
    if (story->kind == STORY_WEAR && story->at_days < 7)
        play_warnings(f, fan, worn, 2, 0.975);
    else if (story->kind == STORY_CONNECTOR)
        play_warnings(f, fan, loose, 3, 0);
    else if (story->kind == STORY_RESTLESS)
        play_warnings(f, fan, restless, 3, 0.96);
    else if (story->kind == STORY_FORGOTTEN)
        play_warnings(f, fan, forgotten, 3, 0.97);
}

void stories_play(struct fleet *f)
{
    for (int i = 0; i < STORIES; i++)
        play(f, stories + i);
}
