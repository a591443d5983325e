#include "source_notes.h"

#include "columns.h"
#include "queries.h"

static bool store_failures(const struct roster *r, struct db *db, struct arena *mem, struct err *err)
{
    struct columns *c = columns_new(mem, 5);
    for (size_t k = 0; k < r->count; k++) {
        struct station *st = r->stations[k];
        if (!st->failure_is_new)
            continue;
        st->failure_is_new = false;
        const struct db_value cells[] = {db_text(st->source->site), db_text(st->key), db_int(st->failures),
                                         db_moment(st->failed_us), db_text(st->why)};
        columns_add(c, cells);
    }
    return columns_exec(c, db, &q_cursor_failed, NULL, err);
}

static bool store_certificates(const struct roster *r, struct db *db, struct arena *mem, struct err *err)
{
    struct columns *c = columns_new(mem, 3);
    for (size_t k = 0; k < r->count; k++) {
        struct station *st = r->stations[k];
        if (!st->certificate_is_new)
            continue;
        st->certificate_is_new = false;
        const struct db_value cells[] = {db_text(st->source->site), db_text(st->key),
                                         db_moment(st->certificate_end_us)};
        columns_add(c, cells);
    }
    return columns_exec(c, db, &q_cursor_certificate, NULL, err);
}

static void add_checks(struct columns *c, const struct source *s)
{
    for (size_t k = 0; k < s->slot_count; k++) {
        const struct item_binding *b = s->slots[k];
        if (!b || !b->check || !b->check->is_new)
            continue;
        const struct db_value cells[] = {
            db_text(s->site),           db_text(s->source),       db_text(b->device),
            db_text(b->item),           db_text(b->check->type),  db_text(b->check->units),
            db_text(b->check->stopped), db_text(b->check->place), db_text(b->check->name)};
        columns_add(c, cells);
    }
}

static void checks_are_stored(struct station *st)
{
    st->checks_are_new = false;
    for (size_t k = 0; k < st->source->slot_count; k++) {
        const struct item_binding *b = st->source->slots[k];
        if (b && b->check)
            b->check->is_new = false;
    }
}

static bool store_checks(const struct roster *r, struct db *db, struct arena *mem, struct err *err)
{
    struct columns *c = columns_new(mem, 9);
    for (size_t k = 0; k < r->count; k++) {
        if (r->stations[k]->checks_are_new)
            add_checks(c, r->stations[k]->source);
    }
    if (!columns_exec(c, db, &q_bound_item_store, NULL, err))
        return false;
    for (size_t k = 0; k < r->count; k++) {
        if (r->stations[k]->checks_are_new)
            checks_are_stored(r->stations[k]);
    }
    return true;
}

bool source_notes_store(struct source_notes *n, const struct roster *roster, struct db *db, struct arena *mem,
                        struct err *err)
{
    if (n->failures) {
        n->failures = false;
        if (!store_failures(roster, db, mem, err))
            return false;
    }
    if (n->certificates) {
        n->certificates = false;
        if (!store_certificates(roster, db, mem, err))
            return false;
    }
    if (n->checks && !store_checks(roster, db, mem, err))
        return false;
    n->checks = false;
    return true;
}
