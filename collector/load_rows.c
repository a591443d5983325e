#include "load_rows.h"

#include "base/clock.h"
#include "base/text.h"
#include "columns.h"
#include "queries.h"

#include <string.h>

static const char *const state_words[] = {
    [STATE_NORMAL] = "normal",           [STATE_WARNING] = "warning", [STATE_ALARM] = "alarm",
    [STATE_UNAVAILABLE] = "unavailable", [STATE_LISTED] = "listed",
};

static void add_condition(struct columns *c, const struct batch *b, size_t at)
{
    const struct condition_row *row = &b->conditions[at];
    const struct observation *o = row->observation;
    const struct db_value cells[] = {
        db_text(b->site),
        db_text(b->source),
        db_text(b->to.instance),
        db_int((int64_t)o->sequence),
        db_moment(b->received_us),
        db_moment(o->at_us),
        db_text(o->device),
        db_text(o->item),
        db_text(o->type ? o->type : ""),
        db_text(state_words[o->state]),
        db_text(o->native_code),
        db_text(o->condition_id),
        db_text(o->native_severity),
        db_text(o->qualifier),
        db_text(o->value),
        db_text(row->machine),
        db_text(row->drive),
        db_text(row->axis),
    };
    columns_add(c, cells);
}

static void add_event(struct columns *c, const struct batch *b, size_t at)
{
    const struct event_row *row = &b->events[at];
    const struct observation *o = row->observation;
    const struct db_value cells[] = {
        db_text(b->site),
        db_text(b->source),
        db_text(b->to.instance),
        db_int((int64_t)o->sequence),
        db_moment(b->received_us),
        db_moment(o->at_us),
        db_text(o->device),
        db_text(o->item),
        db_text(row->role == ROLE_POWER ? "power" : "availability"),
        db_text(o->value),
    };
    columns_add(c, cells);
}

static void add_gap(struct columns *c, const struct batch *b, size_t at)
{
    const struct gap_row *gap = &b->gaps[at];
    const struct db_value cells[] = {
        db_text(b->site),
        db_text(b->source),
        db_text(gap->instance),
        load_sequence(gap->from_sequence),
        load_sequence(gap->to_sequence),
        db_moment(gap->from_us),
        db_moment(gap->to_us),
        db_text(gap->reason),
        db_moment(b->received_us),
    };
    columns_add(c, cells);
}

static void add_set_aside(struct columns *c, const struct batch *b, size_t at)
{
    const struct set_aside_row *row = &b->set_aside[at];
    const struct db_value cells[] = {
        db_text(b->site),          db_text(b->source),
        db_text(b->to.instance),   load_sequence(row->sequence <= INT64_MAX ? row->sequence : 0),
        db_moment(b->received_us), db_text(row->item),
        db_text(row->reason),
    };
    columns_add(c, cells);
}

static const struct {
    const struct query *statement;
    int width;
    void (*add)(struct columns *c, const struct batch *b, size_t at);
    const char *name;
} kinds[ROW_KINDS] = {
    [ROW_CONDITION] = {&q_condition_insert, 18, add_condition, "condition"},
    [ROW_EVENT] = {&q_device_event_insert, 10, add_event, "event"},
    [ROW_GAP] = {&q_gap_insert, 9, add_gap, "gap"},
    [ROW_SET_ASIDE] = {&q_set_aside_insert, 7, add_set_aside, "set aside"},
};

static size_t rows_in(enum row_kind kind, const struct batch *b)
{
    switch (kind) {
    case ROW_CONDITION:
        return b->condition_count;
    case ROW_EVENT:
        return b->event_count;
    case ROW_GAP:
        return b->gap_count;
    case ROW_SET_ASIDE:
        return b->set_aside_count;
    case ROW_KINDS:
        break;
    }
    BUG("no kind of row: %d", (int)kind);
}

struct row *load_rows_of(enum row_kind kind, const struct batch *const *batches, size_t count,
                         struct arena *mem, size_t *rows)
{
    size_t total = 0, n = 0;
    for (size_t k = 0; k < count; k++)
        total += rows_in(kind, batches[k]);
    struct row *all = arena_array(mem, struct row, total);
    for (size_t k = 0; k < count; k++)
        for (size_t at = 0; at < rows_in(kind, batches[k]); at++)
            all[n++] = (struct row){batches[k], at};
    *rows = total;
    return all;
}

bool load_rows_store(struct db *db, enum row_kind kind, const struct row *rows, size_t count,
                     struct arena *mem, struct err *err)
{
    struct columns *c = columns_new(mem, kinds[kind].width);
    for (size_t k = 0; k < count; k++)
        kinds[kind].add(c, rows[k].batch, rows[k].at);
    return columns_exec(c, db, kinds[kind].statement, NULL, err);
}

struct set_aside_row load_row_set_aside(enum row_kind kind, const struct row *row, const char *why,
                                        struct arena *mem)
{
    const struct batch *b = row->batch;
    const struct observation *o = kind == ROW_CONDITION ? b->conditions[row->at].observation
                                  : kind == ROW_EVENT   ? b->events[row->at].observation
                                                        : NULL;
    struct set_aside_row aside = {.reason = arena_printf(mem, "%s: %s", kinds[kind].name, why)};
    if (o) {
        aside.sequence = o->sequence;
        aside.item = o->item;
    } else if (kind == ROW_SET_ASIDE) {
        aside = b->set_aside[row->at];
        aside.reason = arena_printf(mem, "%s: %s", kinds[kind].name, why);
    }
    if (aside.item && !text_is_clean(aside.item, strlen(aside.item)))
        aside.item = NULL; /* it may be what was refused */
    return aside;
}
