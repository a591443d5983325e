#include "load.h"

#include "base/clock.h"
#include "base/log.h"
#include "columns.h"
#include "journal.h"
#include "load_refused.h"
#include "load_rows.h"
#include "queries.h"
#include "schedule.h"

#include <stdlib.h>
#include <string.h>

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
        load_sequence(b->last_sequence),
        load_sequence(b->buffer_size),
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

static bool move_cursors(struct db *db, const struct moves *m, struct arena *mem, struct err *err)
{
    struct columns *c = columns_new(mem, 10);
    for (size_t k = 0; k < m->count; k++)
        add_move(c, &m->all[k]);
    if (!create_cursors(db, m, mem, err) || !columns_exec(c, db, &q_cursor_move, NULL, err))
        return err_in(err, "cursors");
    return true;
}

/* Sites together, the batches of each in their order. */
static int by_site(const void *a, const void *b)
{
    const struct batch *const *x = a, *const *y = b;
    int order = strcmp((*x)->site, (*y)->site);
    return order ? order : (*x > *y) - (*x < *y);
}

/* The readings of some batches of one site. */
static void add_readings(struct journal_rows *rows, const struct batch *const *batches, size_t count,
                         struct arena *mem)
{
    size_t total = 0, n = 0;
    int64_t received_us = batches[0]->received_us;
    for (size_t k = 0; k < count; k++)
        total += batches[k]->reading_count;
    struct reading *all = arena_array(mem, struct reading, total);
    for (size_t k = 0; k < count; k++) {
        const struct batch *b = batches[k];
        if (!b->reading_count)
            continue;
        memcpy(all + n, b->readings, b->reading_count * sizeof *all);
        n += b->reading_count;
        received_us = b->received_us > received_us ? b->received_us : received_us;
    }
    journal_rows_add(rows, batches[0]->site, received_us, clock_now_us(), all, total);
}

static bool store_readings(struct db *db, const struct batch *const *batches, size_t count, struct arena *mem,
                           struct err *err)
{
    const struct batch **sorted = arena_array(mem, const struct batch *, count);
    memcpy(sorted, batches, count * sizeof *sorted);
    qsort(sorted, count, sizeof *sorted, by_site);
    struct journal_rows *rows = journal_rows_new(mem);
    for (size_t first = 0, end; first < count; first = end) {
        for (end = first + 1; end < count && strcmp(sorted[end]->site, sorted[first]->site) == 0;)
            end++;
        add_readings(rows, sorted + first, end - first, mem);
    }
    return journal_rows_store(rows, db, err) || err_in(err, "readings");
}

static bool store_rows(struct db *db, const struct batch *const *batches, size_t count, struct arena *mem,
                       struct err *err)
{
    for (enum row_kind kind = 0; kind < ROW_KINDS; kind++) {
        size_t n;
        struct row *rows = load_rows_of(kind, batches, count, mem, &n);
        if (!load_rows_store(db, kind, rows, n, mem, err))
            return false;
    }
    return true;
}

/* All in one round trip; db_commit tells what became of it. */
static bool send_whole(struct db *db, const struct batch *const *batches, size_t count,
                       const struct moves *moves, struct arena *mem, struct err *err)
{
    return db_begin_piped(db, err) && move_cursors(db, moves, mem, err) &&
           store_readings(db, batches, count, mem, err) && store_rows(db, batches, count, mem, err) &&
           db_commit_send(db, err);
}

static bool store_sifted(struct db *db, const struct batch *const *batches, size_t count,
                         const struct moves *moves, struct arena *mem, struct refused_rows *refused,
                         struct err *err)
{
    return db_begin(db, err) && move_cursors(db, moves, mem, err) &&
           load_sifted(db, batches, count, mem, refused, err) && db_commit(db, err);
}

/* Some cursor stood elsewhere (0015_cursor_moves.sql). */
static bool is_stale(const struct err *err)
{
    return strcmp(err->sqlstate, "VS001") == 0;
}

/* One transaction. True with LOAD_STALE: nothing was stored. */
static bool load_together(struct db *db, const struct batch *const *batches, size_t count, bool sifted,
                          struct arena *mem, struct load_result *result, struct err *err)
{
    struct moves moves = {0};
    struct refused_rows refused = {0};
    struct err why = {0};
    *result = (struct load_result){.fate = LOAD_STALE};
    if (!moves_of(batches, count, mem, &moves))
        return true;
    if (sifted ? store_sifted(db, batches, count, &moves, mem, &refused, &why)
               : send_whole(db, batches, count, &moves, mem, &why) && db_commit(db, &why)) {
        *result = (struct load_result){.fate = LOAD_STORED, .refused = refused};
        return true;
    }
    db_rollback(db);
    if (is_stale(&why))
        return true;
    *err = why;
    return false;
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
    bool done = load_together(db, batches, count, false, mem, result, &why);
    if (!done && load_is_about_content(&why)) {
        err_clear(&why);
        done = load_together(db, batches, count, true, mem, result, &why);
    }
    if (done || is_passing(&why))
        return true;
    if (why.kind != ERR_REJECTED) {
        *err = why;
        return false;
    }
    *result = (struct load_result){.fate = LOAD_REFUSED, .why = arena_strdup(mem, why.text)};
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
                if (m > k)
                    results[m].refused = (struct refused_rows){0};
            }
        }
    }
    return true;
}

void load_send(struct load *l, struct db *db, const struct batch *batches, size_t count, struct arena *mem)
{
    const struct batch **all = arena_array(mem, const struct batch *, count);
    struct moves moves = {0};
    *l = (struct load){.db = db, .batches = batches, .count = count, .mem = mem};
    for (size_t k = 0; k < count; k++)
        all[k] = &batches[k];
    if (!count || !moves_of(all, count, mem, &moves))
        return;
    l->is_sent = send_whole(db, all, count, &moves, mem, &l->why);
    if (!l->is_sent)
        db_rollback(db);
}

bool load_is_over(const struct load *l)
{
    return !l->is_sent || db_commit_is_over(l->db);
}

bool load_end(struct load *l, struct load_result *results, struct err *err)
{
    bool is_stored = l->is_sent && db_commit(l->db, &l->why);
    for (size_t k = 0; k < l->count; k++)
        results[k] = (struct load_result){.fate = is_stored ? LOAD_STORED : LOAD_STALE};
    if (is_stored)
        return true;
    if (l->is_sent)
        db_rollback(l->db);
    if (l->why.kind != ERR_NONE && l->why.kind != ERR_REJECTED && !is_passing(&l->why)) {
        *err = l->why;
        return false;
    }
    return load_one_by_one(l->db, l->batches, l->count, l->mem, results, err);
}

bool load_batches(struct db *db, const struct batch *batches, size_t count, struct arena *mem,
                  struct load_result *results, struct err *err)
{
    struct load l;
    load_send(&l, db, batches, count, mem);
    return load_end(&l, results, err);
}
