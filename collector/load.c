#include "load.h"

#include "base/clock.h"
#include "base/log.h"
#include "columns.h"
#include "journal.h"
#include "queries.h"
#include "schedule.h"

#include <string.h>

enum { JOURNAL_READINGS = 500000 };

static const char *const state_words[] = {
    [STATE_NORMAL] = "normal",
    [STATE_WARNING] = "warning",
    [STATE_ALARM] = "alarm",
    [STATE_UNAVAILABLE] = "unavailable",
};

static struct db_value sequence_value(uint64_t sequence)
{
    return sequence ? db_int((int64_t)sequence) : db_null();
}

/* From the first batch of a source to its last. */
struct move {
    const struct batch *first, *last;
};

struct moves {
    struct move *all;
    size_t count;
    struct move **slots; /* by source */
    size_t slot_count;
};

static struct move *move_of(struct moves *m, const struct batch *b)
{
    size_t at = (size_t)schedule_hash(b->source) & (m->slot_count - 1);
    for (; m->slots[at]; at = (at + 1) & (m->slot_count - 1)) {
        if (strcmp(m->slots[at]->first->source, b->source) == 0)
            return m->slots[at];
    }
    m->slots[at] = &m->all[m->count++];
    *m->slots[at] = (struct move){b, NULL};
    return m->slots[at];
}

static bool same_cursor(const struct cursor *a, const struct cursor *b)
{
    return a->next == b->next && strcmp(a->instance, b->instance) == 0;
}

/* False when the batches of a source do not follow each other. */
static bool moves_of(const struct batch *const *batches, size_t count, struct arena *mem, struct moves *m)
{
    m->slot_count = 16;
    while (m->slot_count < 2 * count)
        m->slot_count *= 2;
    m->slots = arena_array(mem, struct move *, m->slot_count);
    m->all = arena_array(mem, struct move, count);
    for (size_t k = 0; k < count; k++) {
        struct move *move = move_of(m, batches[k]);
        if (move->last && !same_cursor(&move->last->to, &batches[k]->from))
            return false;
        move->last = batches[k];
    }
    return true;
}

static void add_move(struct columns *c, const struct move *m)
{
    const struct batch *b = m->last;
    bool has_offset = b->clock_offset_us != TIME_UNKNOWN;
    const struct db_value cells[] = {
        db_text(b->site),
        db_text(b->source),
        db_text(m->first->from.instance),
        db_int((int64_t)m->first->from.next),
        db_text(b->to.instance),
        db_int((int64_t)b->to.next),
        sequence_value(b->last_sequence),
        sequence_value(b->buffer_size),
        db_moment(b->received_us),
        has_offset ? db_int(b->clock_offset_us / 1000) : db_null(),
    };
    columns_add(c, cells);
}

static bool create_cursors(struct db *db, const struct moves *m, struct arena *mem, struct err *err)
{
    struct columns *fresh = columns_new(mem, 2);
    for (size_t k = 0; k < m->count; k++) {
        const struct batch *b = m->all[k].first;
        const struct db_value cells[] = {db_text(b->site), db_text(b->source)};
        if (!b->from.instance[0])
            columns_add(fresh, cells);
    }
    return columns_exec(fresh, db, &q_cursor_create, NULL, err);
}

/* *moved is false when some cursor stood elsewhere. */
static bool move_cursors(struct db *db, const struct moves *m, struct arena *mem, bool *moved,
                         struct err *err)
{
    struct columns *c = columns_new(mem, 10);
    for (size_t k = 0; k < m->count; k++)
        add_move(c, &m->all[k]);
    int64_t affected;
    if (!create_cursors(db, m, mem, err) || !columns_exec(c, db, &q_cursor_move, &affected, err))
        return err_in(err, "cursors");
    *moved = affected == (int64_t)m->count;
    return true;
}

/* The readings of all batches of a site, beginning with batches[first], which is the site's first. */
static bool store_site_readings(struct db *db, const struct batch *const *batches, size_t count, size_t first,
                                struct arena *mem, struct err *err)
{
    const char *site = batches[first]->site;
    size_t total = 0, n = 0;
    int64_t received_us = batches[first]->received_us;
    for (size_t k = first; k < count; k++)
        total += strcmp(batches[k]->site, site) == 0 ? batches[k]->reading_count : 0;
    struct reading *all = arena_array(mem, struct reading, total);
    for (size_t k = first; k < count; k++) {
        const struct batch *b = batches[k];
        if (strcmp(b->site, site) != 0 || !b->reading_count)
            continue;
        memcpy(all + n, b->readings, b->reading_count * sizeof *all);
        n += b->reading_count;
        received_us = b->received_us > received_us ? b->received_us : received_us;
    }
    for (size_t at = 0; at < total; at += JOURNAL_READINGS) {
        size_t part = total - at < JOURNAL_READINGS ? total - at : JOURNAL_READINGS;
        if (!journal_write(db, site, received_us, clock_now_us(), all + at, part, mem, err))
            return err_in(err, "readings of site '%s'", site);
    }
    return true;
}

static bool store_readings(struct db *db, const struct batch *const *batches, size_t count, struct arena *mem,
                           struct err *err)
{
    for (size_t k = 0; k < count; k++) {
        bool is_first = true;
        for (size_t before = 0; before < k && is_first; before++)
            is_first = strcmp(batches[before]->site, batches[k]->site) != 0;
        if (is_first && !store_site_readings(db, batches, count, k, mem, err))
            return false;
    }
    return true;
}

static void add_condition(struct columns *c, const struct batch *b, const struct condition_row *row)
{
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

static void add_event(struct columns *c, const struct batch *b, const struct event_row *row)
{
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

static void add_gap(struct columns *c, const struct batch *b, const struct gap_row *gap)
{
    const struct db_value cells[] = {
        db_text(b->site),
        db_text(b->source),
        db_text(gap->instance),
        sequence_value(gap->from_sequence),
        sequence_value(gap->to_sequence),
        db_moment(gap->from_us),
        db_moment(gap->to_us),
        db_text(gap->reason),
        db_moment(b->received_us),
    };
    columns_add(c, cells);
}

static void add_set_aside(struct columns *c, const struct batch *b, const struct set_aside_row *row)
{
    const struct db_value cells[] = {
        db_text(b->site),          db_text(b->source),
        db_text(b->to.instance),   sequence_value(row->sequence <= INT64_MAX ? row->sequence : 0),
        db_moment(b->received_us), db_text(row->item),
        db_text(row->reason),
    };
    columns_add(c, cells);
}

static bool store_rows(struct db *db, const struct batch *const *batches, size_t count, struct arena *mem,
                       struct err *err)
{
    struct columns *conditions = columns_new(mem, 18), *events = columns_new(mem, 10);
    struct columns *gaps = columns_new(mem, 9), *aside = columns_new(mem, 7);
    for (size_t k = 0; k < count; k++) {
        const struct batch *b = batches[k];
        for (size_t n = 0; n < b->condition_count; n++)
            add_condition(conditions, b, &b->conditions[n]);
        for (size_t n = 0; n < b->event_count; n++)
            add_event(events, b, &b->events[n]);
        for (size_t n = 0; n < b->gap_count; n++)
            add_gap(gaps, b, &b->gaps[n]);
        for (size_t n = 0; n < b->set_aside_count; n++)
            add_set_aside(aside, b, &b->set_aside[n]);
    }
    return columns_exec(conditions, db, &q_condition_insert, NULL, err) &&
           columns_exec(events, db, &q_device_event_insert, NULL, err) &&
           columns_exec(gaps, db, &q_gap_insert, NULL, err) &&
           columns_exec(aside, db, &q_set_aside_insert, NULL, err);
}

/* One transaction. True with LOAD_STALE: nothing was stored. */
static bool load_together(struct db *db, const struct batch *const *batches, size_t count, struct arena *mem,
                          enum load_fate *fate, struct err *err)
{
    struct moves moves = {0};
    *fate = LOAD_STALE;
    if (!moves_of(batches, count, mem, &moves))
        return true;
    if (!db_begin(db, err))
        return false;
    bool moved = false;
    if (!move_cursors(db, &moves, mem, &moved, err) ||
        (moved && (!store_readings(db, batches, count, mem, err) ||
                   !store_rows(db, batches, count, mem, err) || !db_commit(db, err)))) {
        db_rollback(db);
        return false;
    }
    if (moved)
        *fate = LOAD_STORED;
    else
        db_rollback(db);
    return true;
}

/* Serialisation failures and deadlocks are nobody's fault: the cursor tells what to do next. */
static bool is_passing(const struct err *err)
{
    return strncmp(err->sqlstate, "40", 2) == 0;
}

static bool load_apart(struct db *db, const struct batch *const *batches, size_t count, struct arena *mem,
                       struct load_result *result, struct err *err)
{
    struct err why = {0};
    *result = (struct load_result){.fate = LOAD_STALE};
    if (load_together(db, batches, count, mem, &result->fate, &why))
        return true;
    if (why.kind != ERR_REJECTED) {
        *err = why;
        return false;
    }
    if (is_passing(&why)) {
        result->fate = LOAD_STALE;
        return true;
    }
    *result = (struct load_result){LOAD_REFUSED, arena_strdup(mem, why.text)};
    log_error("load.refused", "source=%s sqlstate=%s why='%s'", batches[0]->source, why.sqlstate, why.text);
    return true;
}

/* Each source for itself. */
static bool load_one_by_one(struct db *db, const struct batch *batches, size_t count, struct arena *mem,
                            struct load_result *results, struct err *err)
{
    const struct batch **own = arena_array(mem, const struct batch *, count);
    bool *done = arena_array(mem, bool, count);
    for (size_t k = 0; k < count; k++) {
        if (done[k])
            continue;
        size_t n = 0;
        for (size_t m = k; m < count; m++) {
            if (strcmp(batches[m].source, batches[k].source) == 0)
                own[n++] = &batches[m];
        }
        if (!load_apart(db, own, n, mem, &results[k], err))
            return false;
        for (size_t m = k; m < count; m++) {
            if (strcmp(batches[m].source, batches[k].source) == 0) {
                results[m] = results[k];
                done[m] = true;
            }
        }
    }
    return true;
}

bool load_batches(struct db *db, const struct batch *batches, size_t count, struct arena *mem,
                  struct load_result *results, struct err *err)
{
    const struct batch **all = arena_array(mem, const struct batch *, count);
    for (size_t k = 0; k < count; k++) {
        all[k] = &batches[k];
        results[k] = (struct load_result){.fate = LOAD_STALE};
    }
    enum load_fate fate = LOAD_STALE;
    struct err why = {0};
    if (!count)
        return true;
    if (load_together(db, all, count, mem, &fate, &why) && fate == LOAD_STORED) {
        for (size_t k = 0; k < count; k++)
            results[k].fate = LOAD_STORED;
        return true;
    }
    if (why.kind != ERR_NONE && why.kind != ERR_REJECTED) {
        *err = why;
        return false;
    }
    return load_one_by_one(db, batches, count, mem, results, err);
}
