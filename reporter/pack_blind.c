#include "pack_inside.h"

#include <math.h>

enum { UNKNOWN_SHOWN = 60, SILENT_AFTER_H = 24 };

struct blind {
    struct sheet *s;
    const struct pack_input *in;
    const struct site *site;
};

static void draw_unknown(struct blind *b)
{
    static const struct column columns[] = {{"Drive", 22, ALIGN_LEFT, 2},
                                            {"Machine", 26, ALIGN_LEFT, 2},
                                            {"Why it cannot be judged", 60, ALIGN_LEFT, 2}};
    const struct assessment *a = b->in->assessment;
    struct table *t = table_new(b->s, columns, sizeof columns / sizeof *columns);

    size_t unknown = 0;
    for (size_t i = 0; i < a->unknown_count; i++) {
        const struct drive_risk *r = &a->unknown[i];
        if (r->drive->machine->site != b->site || unknown++ >= UNKNOWN_SHOWN)
            continue;
        struct cell *c = table_row(t, ROW_PLAIN);
        c[0] = (struct cell){.text = r->drive->drive, .mark = MARK_UNKNOWN};
        c[1].text = r->drive->machine->name;
        c[2].text = r->unknown;
    }
    if (!table_rows(t))
        return;
    sheet_text(b->s, TYPE_BODY, "These drives are not ranked, which does not mean that they are well:");
    table_draw(t);
    if (unknown > table_rows(t))
        sheet_text(b->s, TYPE_NOTE,
                   arena_printf(b->s->mem, "%zu more are left out of this table.", unknown - table_rows(t)));
}

static void draw_sources(struct blind *b)
{
    static const struct column columns[] = {{"Source", 16, ALIGN_LEFT, 1},
                                            {"Last contact", 34, ALIGN_LEFT, 1},
                                            {"Misses", 9, ALIGN_RIGHT, 1},
                                            {"Gaps", 9, ALIGN_RIGHT, 1},
                                            {"What is wrong", 40, ALIGN_LEFT, 2}};
    const struct fleet *fleet = b->in->assessment->fleet;
    struct table *t = table_new(b->s, columns, sizeof columns / sizeof *columns);

    for (size_t i = 0; i < fleet->source_count; i++) {
        const struct source_state *source = &fleet->sources[i];
        bool silent = source->last_contact_us == TIME_UNKNOWN ||
                      fleet->as_of_us - source->last_contact_us > SILENT_AFTER_H * US_PER_HOUR;
        if (source->site != b->site || !(silent || source->failures || source->gaps || source->link_down))
            continue;
        struct cell *c = table_row(t, ROW_PLAIN);
        c[0] = (struct cell){.text = source->source, .strong = silent};
        c[1].text =
            source->last_contact_us == TIME_UNKNOWN
                ? "never"
                : arena_printf(b->s->mem, "%s%s", pack_moment(b->s->mem, source->last_contact_us, b->site),
                               silent ? " \u2013 silent" : "");
        c[2].text = arena_printf(b->s->mem, "%d", source->failures);
        c[3].text = arena_printf(b->s->mem, "%d", source->gaps);
        c[4].text = source->last_error ? source->last_error
                    : source->link_down
                        ? arena_printf(b->s->mem, "answers, but its machine does not: %s", source->link_down)
                        : NULL;
    }
    if (!table_rows(t)) {
        sheet_text(b->s, TYPE_BODY, "Every source of this site answers, without a recorded gap.");
        return;
    }
    sheet_text(b->s, TYPE_BODY,
               arena_printf(b->s->mem,
                            "Sources with misses or gaps, or whose machine is not connected (silent: no "
                            "contact for %d hours):",
                            SILENT_AFTER_H));
    table_draw(t);
}

static void draw_counts(struct blind *b)
{
    const struct fleet *fleet = b->in->assessment->fleet;
    int no_speed = 0, hidden = 0, hidden_unknown = 0, no_waiting = 0, no_slot = 0, drives = 0;

    for (size_t i = 0; i < fleet->drive_count; i++) {
        const struct drive *d = &fleet->drives[i];
        bool bound = false;
        if (d->machine->site != b->site)
            continue;
        for (size_t k = 0; k < d->fan_count; k++)
            bound = bound || d->fans[k].bound;
        drives++;
        no_speed += !bound;
        hidden += d->warning_hidden == ANSWER_YES;
        hidden_unknown += d->warning_hidden == ANSWER_UNKNOWN;
        no_waiting += isnan(d->waiting_time_min) ? 1 : 0;
        no_slot += !d->cabinet_slot;
    }
    sheet_text(
        b->s, TYPE_BODY,
        arena_printf(
            b->s->mem,
            "Of %d drives: without fan speed (judged by age and past faults alone) %d; warning hidden "
            "%d, not known whether hidden %d; without waiting time in the register %d; without cabinet "
            "slot %d.",
            drives, no_speed, hidden, hidden_unknown, no_waiting, no_slot));
}

void pack_blind_spots(struct sheet *s, const struct pack_input *in, const struct site *site)
{
    struct blind b = {s, in, site};

    sheet_head(s, "Blind spots", 60);
    draw_counts(&b);
    draw_sources(&b);
    draw_unknown(&b);
}
