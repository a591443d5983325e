#include "pack_inside.h"

#include "numeric.h"

#include <math.h>
#include <string.h>

enum { MAX_WORDS = 12 };

/* A list of sentences with room for MAX_WORDS. */
static void add(const char **list, size_t *count, const char *text)
{
    if (*count == MAX_WORDS)
        BUG("more than %d sentences on a job sheet", MAX_WORDS);
    list[(*count)++] = text;
}

static bool is_heat_sink(const struct fan_risk *fan)
{
    return fan && strcmp(fan->fan->position, "heat-sink") == 0;
}

static const struct part *part_of(const struct fan_risk *fan)
{
    return fan && fan->fan->model ? fan->fan->model->part : NULL;
}

static const char *causes_of(struct arena *mem, const struct drive_risk *risk)
{
    const char *text = NULL;
    bool used[CAUSE_COUNT] = {false};

    for (int round = 0; round < CAUSE_COUNT; round++) {
        int best = -1;
        for (int c = 0; c < CAUSE_COUNT; c++)
            if (!used[c] && risk->cause_weight[c] >= 0.05 &&
                (best < 0 || risk->cause_weight[c] > risk->cause_weight[best]))
                best = c;
        if (best < 0)
            break;
        used[best] = true;
        const char *one =
            arena_printf(mem, "%s %.0f %%", cause_word((enum cause)best), risk->cause_weight[best] * 100);
        text = text ? arena_printf(mem, "%s, %s", text, one) : one;
    }
    return text ? text : "nothing points to one cause more than to another";
}

/* In this order because it is the order of cost: most need no part at all. */
static void checks_of(struct arena *mem, const struct fan_risk *fan, struct job_words *w)
{
    const struct part *part = part_of(fan);
    const char **list = w->checks = arena_array(mem, const char *, MAX_WORDS);
    size_t *n = &w->check_count;

    add(list, n, "Dirt or blockage on grille, blades or filter: clean it.");
    add(list, n, "Air and sound against its neighbours', where rules allow.");
    add(list, n, "Reseat: take the fan unit out, push it in until it locks.");
    add(list, n, "Connector and holder: bent pin, loose crimp, broken clip.");
    add(list, n,
        part ? arena_printf(mem, "Fan: fit part %s.", part->part)
             : "Fan: fit the part read from the old one.");
    add(list, n, "Housing: a part of its own. Keep it unless it is broken.");
    add(list, n, "Drive or board: only if a new fan shows the same. Ask first.");
}

static const char *warning_span(struct arena *mem, const struct drive *drive)
{
    double seconds = drive->model ? drive->model->warning_to_alarm_s : D_NAN;
    return isnan(seconds) ? "about a minute" : arena_printf(mem, "about %.0f s", seconds);
}

static void special_access(struct arena *mem, const struct drive *drive, struct job_words *w)
{
    const char **list = w->special;
    size_t *n = &w->special_count;

    if (!drive->cabinet_slot)
        add(list, n,
            drive->serial
                ? arena_printf(mem, "Slot not known: find the drive by its label, serial %s.", drive->serial)
                : "Slot not known: find the drive by its label and by the axes it feeds, not by sound.");
    if (drive->obstructed == ANSWER_YES)
        add(list, n, "Something is mounted in front of or above it: allow time to take that off first.");
    else if (drive->obstructed == ANSWER_UNKNOWN)
        add(list, n, "Not known whether it can be reached freely: look before the stop.");
    add(list, n,
        "A position-feedback connector may be in the way: unplugging it can lose the axis' home position. "
        "Leave it plugged, or have someone there who can set it again.");
}

static void special_of(struct arena *mem, const struct drive_risk *risk, const struct fan_risk *fan,
                       struct job_words *w)
{
    const struct drive *drive = risk->drive;
    const char **list = w->special = arena_array(mem, const char *, MAX_WORDS);
    size_t *n = &w->special_count;

    if (is_heat_sink(fan))
        add(list, n, "Heat-sink fan: it has an alarm of its own, other than the internal fans'.");
    if (fan && drive->fan_count > 1)
        add(list, n,
            arena_printf(mem,
                         "The drive has %zu fans: this job is about %s. Check the others while it is open.",
                         drive->fan_count, fan->fan->position));
    if (drive->axis_count > 1)
        add(list, n,
            arena_printf(mem, "One drive, %zu axes (%s): the fault is reported once for each.",
                         drive->axis_count, pack_list(mem, drive->axes, drive->axis_count)));
    if (drive->warning_hidden == ANSWER_YES)
        add(list, n, "This machine hides the warning: the alarm comes unannounced.");
    else if (drive->warning_hidden == ANSWER_UNKNOWN)
        add(list, n, "Not known whether this machine shows the warning before the alarm.");
    if (fan && fan->meter_factor != 1 && !isnan(fan->meter_factor))
        add(list, n,
            arena_printf(mem, "Its speed reads %.2f times the truth: a setting, not a fault.",
                         fan->meter_factor));
    special_access(mem, drive, w);
    if (risk->action == ACTION_NOW)
        add(list, n,
            arena_printf(
                mem,
                "If it stopped where nobody can work: after power-on it stays in warning for %s; in that "
                "time axes can be moved by hand operation, where the site's rules allow it.",
                warning_span(mem, drive)));
}

static void cautions_of(struct arena *mem, const struct drive *drive, struct job_words *w)
{
    const struct machine *machine = drive->machine;
    const char *site = machine->site->lockout_procedure, *own = machine->lockout_procedure;
    const char **list = w->cautions = arena_array(mem, const char *, MAX_WORDS);
    size_t *n = &w->caution_count;

    add(list, n,
        "Qualified persons only, within local codes and the licences they ask for. This is electrical work.");
    add(list, n,
        arena_printf(
            mem,
            "Lock out by the site's procedure %s, machine's procedure %s: prepare, shut down, isolate, lock, "
            "release stored energy, verify.",
            pack_or(site, "(none in the register)"), pack_or(own, "(none in the register)")));
    add(list, n,
        isnan(drive->waiting_time_min)
            ? "Capacitors: waiting time NOT in the register. Read it from the drive's label; wait; then "
              "measure "
              "before touching."
            : arena_printf(
                  mem,
                  "Capacitors: wait %.0f min (drive's label; compare), then measure before touching. "
                  "Waiting alone proves nothing.",
                  drive->waiting_time_min));
    add(list, n,
        "Nothing on this sheet shows that a drive is off: neither a speed of 0 nor silence is a proof.");
    add(list, n,
        "An axis that can fall must be held or blocked before its drive loses power. Heat sinks stay hot.");
}

/* Without these the sheet must not go out. */
static void missing_of(struct arena *mem, const struct drive *drive, struct job_words *w)
{
    const char **list = w->missing = arena_array(mem, const char *, MAX_WORDS);

    if (!drive->machine->lockout_procedure && !drive->machine->site->lockout_procedure)
        add(list, &w->missing_count, "lockout procedure number");
    if (isnan(drive->waiting_time_min))
        add(list, &w->missing_count, "capacitor waiting time (drive's label)");
}

static void bring_of(struct arena *mem, const struct pack_input *in, const struct drive_risk *risk,
                     const struct fan_risk *fan, struct job_words *w)
{
    const struct part *part = part_of(fan);
    const char **list = w->bring = arena_array(mem, const char *, MAX_WORDS);
    size_t *n = &w->bring_count;

    if (part) {
        int shelf = pack_on_hand(in->assessment->fleet, risk->drive->machine->site, part);
        add(list, n,
            arena_printf(mem, "1 fan, part %s%s%s; on the site's shelf: %s", part->part,
                         part->description ? ", " : "", pack_or(part->description, ""),
                         shelf < 0 ? "not counted" : arena_printf(mem, "%d", shelf)));
        if (part->successor)
            add(list, n, arena_printf(mem, "or its successor, part %s", part->successor->part));
    } else {
        add(list, n,
            "Fan: part not in the register. Read the number on the fan, else from the drive's label.");
    }
    add(list, n, "Housing and connector holder, in case one is broken");
    add(list, n, "Lock and tag, voltage meter with proving unit, earthing strap");
    add(list, n, "Brush, vacuum, lint-free cloth; camera");
}

static const char *acceptance_of(struct arena *mem, const struct fan_risk *fan)
{
    static const char watch[] =
        "No warning and no alarm on the controller after power-on and 30 min at work; none "
        "in the 7 days after.";
    double rated = fan && fan->fan->model ? fan->fan->model->rated_rpm : D_NAN;
    bool has_baseline = fan && !isnan(fan->baseline_rpm);
    double target = has_baseline ? fan->baseline_rpm : rated;

    if (isnan(target))
        return arena_printf(mem, "No speed to compare with: air and sound like the neighbours'. %s", watch);
    return arena_printf(mem, "Speed at least %.0f rev/min (95 %% of %.0f, %s) after 30 min at work. %s",
                        target * 0.95, target,
                        !has_baseline       ? "its rated speed"
                        : fan->baseline_own ? "its own baseline"
                                            : "its peers' or rated speed",
                        watch);
}

/* The words of EN 13306 for kinds of maintenance. */
static const char *kind_of(const struct drive_risk *risk, const struct fan_risk *fan)
{
    if (risk->open && risk->open->alarm_us != TIME_UNKNOWN)
        return "corrective: an alarm is reported";
    if (risk->open)
        return "condition-based: a warning is reported";
    if (fan && fan->stopped)
        return "condition-based: the fan is reported standing";
    if (!fan || isnan(fan->from_trend) || fan->from_trend < fan->from_life)
        return fan && fan->from_events > fan->from_life ? "condition-based: past faults"
                                                        : "predetermined: by age";
    return fan->from_events > fan->from_trend ? "condition-based: past faults" : "predictive: by speed trend";
}

void pack_job_words(struct arena *mem, const struct pack_input *in, const struct drive_risk *risk,
                    const struct fan_risk *fan, struct job_words *out)
{
    *out = (struct job_words){
        .causes = causes_of(mem, risk), .acceptance = acceptance_of(mem, fan), .kind = kind_of(risk, fan)};
    checks_of(mem, fan, out);
    special_of(mem, risk, fan, out);
    cautions_of(mem, risk->drive, out);
    missing_of(mem, risk->drive, out);
    bring_of(mem, in, risk, fan, out);
}
