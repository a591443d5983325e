#include "files.h"

#include <stdlib.h>

/* What of a fault a client can read of drives that the register knows. */
struct seen {
    int64_t began_ms, alarm_ms, ended_ms;
    bool warned, cut; /* cut: part of it cannot be read */
};

static void look(const struct world *w, size_t source, struct seen *seen)
{
    const struct record *r = w->records + source;
    const struct source *s = w->fleet->sources + source;

    for (int i = 0; i < r->instance_count; i++)
        for (size_t n = 0; n < r->instances[i].count; n++) {
            const struct observation *o = r->instances[i].at + n;
            const struct item *item = s->items + o->item;
            const struct detail *d;
            struct seen *fault;

            if (item->category != CATEGORY_CONDITION || o->value == NONE || !binding_of(w->fleet, item).drive)
                continue;
            d = r->details + o->value;
            fault = seen + d->fault;
            if (!r->instances[i].readable[n]) {
                fault->cut |= o->state != STATE_NORMAL;
                continue;
            }
            if ((o->state == STATE_WARNING || o->state == STATE_ALARM) &&
                fault->began_ms > published_ms(s, o))
                fault->began_ms = published_ms(s, o);
            if (o->state == STATE_ALARM && fault->alarm_ms > published_ms(s, o))
                fault->alarm_ms = published_ms(s, o);
            fault->warned |= o->state == STATE_WARNING && d->native->kind[0] == 'f';
            if (d->ends)
                fault->ended_ms = published_ms(s, o);
        }
}

static void moment_or_nothing(struct out *o, int64_t ms)
{
    if (ms != NEVER)
        moment_out(o, ms, MOMENT_MILLI);
    out_text(o, ",");
}

static void write_episode(struct out *o, const struct fleet *f, const struct fault *fault,
                          const struct seen *seen)
{
    bool heat_sink = fault->kind == FAULT_HEAT_SINK_FAN;
    bool announced = seen->began_ms < seen->alarm_ms;

    if (fault->kind == FAULT_OTHER || seen->began_ms == NEVER)
        return;
    out_field(o, f->drives[fault->drive].drive, ',');
    out_field(o, heat_sink ? "heat_sink_fan" : "fan", ',');
    moment_or_nothing(o, seen->began_ms);
    moment_or_nothing(o, seen->alarm_ms);
    moment_or_nothing(o, seen->ended_ms);
    out_field(o,
              seen->ended_ms == NEVER   ? "open"
              : seen->alarm_ms == NEVER ? "cleared by itself"
              : announced               ? "ended in alarm"
                                        : "unannounced",
              '\n');
}

static void write_episodes(const struct world *w, const char *dir)
{
    const struct fleet *f = w->fleet;
    struct out o = out_to_file(dir, "truth", "episodes.csv");
    struct seen *seen = calloc(f->fault_count + 1, sizeof *seen);

    if (!seen)
        die("out of memory");
    for (size_t i = 0; i < f->fault_count; i++)
        seen[i].began_ms = seen[i].alarm_ms = seen[i].ended_ms = NEVER;
    for (size_t s = 0; s < f->source_count; s++)
        look(w, s, seen);
    out_text(&o, "drive,fault,began_at,alarm_at,ended_at,outcome\n");
    for (size_t i = 0; i < f->fault_count; i++) {
        if (seen[i].cut && seen[i].began_ms != NEVER)
            fprintf(stderr, "fleet-simulator: an episode of %s is cut by what cannot be read\n",
                    f->drives[f->faults[i].drive].drive);
        write_episode(&o, f, f->faults + i, seen + i);
    }
    free(seen);
    out_close(&o);
}

static bool fan_stands(const struct fleet *f, const struct fan *fan)
{
    for (size_t i = 0; i < fan->fault_count; i++) {
        const struct fault *fault = f->faults + fan->faults[i];

        if (fault->kind != FAULT_OTHER && fault->clear_ms == NEVER)
            return true;
    }
    return false;
}

/* What truly ails a fan at the end, and in how many days it would be down to its warning speed if nobody
 * came. */
static void write_fan(struct out *o, const struct fleet *f, const struct fan *fan)
{
    const struct unit *u = fan->units + fan->unit_count - 1;
    const struct machine *m = machine_of(f, fan->drive);
    double days = physics_days_to_warning(f, fan, f->end_ms);
    const char *ails = "none";

    if (fan_stands(f, fan))
        ails = "stopped";
    else if (fan->dropout.share > 0 && fan->dropout.to_ms > f->end_ms)
        ails = "connector";
    else if (u->path && u->onset_ms < f->end_ms)
        ails = "wear";
    else if (m->burst.peak > 0 && m->burst.to_ms > f->end_ms)
        ails = "dirt";
    out_field(o, f->drives[fan->drive].drive, ',');
    out_field(o, position_word(fan->position), ',');
    out_field(o, ails, ',');
    if (days >= 0 && (ails[0] == 'w' || ails[0] == 'd'))
        out_format(o, "%.2f", days);
    out_text(o, "\n");
}

void truth_write(const struct world *w, const char *dir)
{
    struct out o = out_to_file(dir, "truth", "fans.csv");

    out_text(&o, "drive,position,state,days_to_warning\n");
    for (size_t i = 0; i < w->fleet->fan_count; i++)
        write_fan(&o, w->fleet, w->fleet->fans + i);
    out_close(&o);
    write_episodes(w, dir);
}
