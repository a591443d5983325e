#include "register_store.h"

#include "queries.h"

#include <string.h>

enum {
    ROWS_AT_ONCE = 5000,
    MOST_STORED_COLUMNS = REGISTER_MOST_COLUMNS + 2, /* site and fan number are worked out */
    CHUNK_MEMORY = 512 * 1024 * 1024
};

/* What is known */

static bool take_known(void *context, const struct rows *row, struct err *err)
{
    enum { KIND, KEY, POSITION, SITE, BELONGS_TO, MACHINE, NUMBER, REPLACED_AT };
    (void)err;
    struct register_load *r = context;
    int kind = 0;
    while (strcmp(register_tables[kind].file, rows_text(row, 0, KIND)) != 0)
        kind++;
    const char *position = rows_text(row, 0, POSITION);
    const char *key = position ? register_fan_key(rows_text(row, 0, KEY), position, r->mem)
                               : arena_strdup(r->mem, rows_text(row, 0, KEY));
    struct thing *t =
        register_known(r, (enum register_kind)kind, key, arena_strdup(r->mem, rows_text(row, 0, SITE)));
    t->of = arena_strdup(r->mem, rows_text(row, 0, BELONGS_TO));
    t->machine = arena_strdup(r->mem, rows_text(row, 0, MACHINE));
    t->number = rows_null(row, 0, NUMBER) ? -1 : rows_int(row, 0, NUMBER);
    t->replaced_us = rows_moment(row, 0, REPLACED_AT);
    return true;
}

bool register_read_things(struct register_load *r, struct db *db, const enum register_kind *kinds,
                          size_t count, struct err *err)
{
    const char *names[REGISTER_KINDS];
    for (size_t k = 0; k < count; k++)
        names[k] = register_tables[kinds[k]].file;
    const struct db_value param = db_text_array(r->mem, names, count);
    return db_stream(db, &q_register_known, &param, 1, take_known, r, err);
}

static bool read_known(struct register_load *r, struct db *db, struct err *err)
{
    enum register_kind kinds[REGISTER_KINDS];
    size_t count = 0;
    for (int k = 0; k < REGISTER_KINDS; k++)
        if (register_needs(r, (enum register_kind)k))
            kinds[count++] = (enum register_kind)k;
    return register_read_things(r, db, kinds, count, err);
}

/* Storing */

/* Which columns of a file go into the database, in which order. */
struct layout {
    const char *names[MOST_STORED_COLUMNS];
    int place[MOST_STORED_COLUMNS]; /* in the file's table, or one of: */
    size_t count;
};
enum { PLACE_SITE = -1, PLACE_FAN_NO = -2 };

static void lay(struct layout *l, const char *name, int place)
{
    l->names[l->count] = name;
    l->place[l->count++] = place;
}

static struct layout layout_of(const struct register_file *f)
{
    struct layout l = {.count = 0};
    const struct register_column *columns = register_tables[f->kind].columns;
    for (int k = 0; columns[k].name; k++)
        if (f->has[k] && columns[k].type != COLUMN_REMARK)
            lay(&l, columns[k].name, k);
    switch (f->kind) {
    case REGISTER_FANS:
        lay(&l, "fan_no", PLACE_FAN_NO);
        lay(&l, "site", PLACE_SITE);
        break;
    case REGISTER_DRIVES:
    case REGISTER_AXES:
    case REGISTER_BINDINGS:
    case REGISTER_WORK:
        lay(&l, "site", PLACE_SITE);
        break;
    case REGISTER_SITES:
    case REGISTER_MACHINES:
    case REGISTER_DRIVE_MODELS:
    case REGISTER_PARTS:
    case REGISTER_FAN_MODELS:
    case REGISTER_FITMENTS:
    case REGISTER_STOCK:
    case REGISTER_SOURCES:
    case REGISTER_CODE_MAP:
    case REGISTER_KINDS:
        break;
    }
    return l;
}

static const char *stored_cell(const struct register_row *row, int place, struct arena *mem)
{
    if (place == PLACE_SITE)
        return row->site;
    if (place == PLACE_FAN_NO)
        return arena_printf(mem, "%lld", (long long)row->fan_no);
    const char *text = row->cell[place];
    return *text ? text : register_tables[row->file->kind].columns[place].when_empty;
}

static const char *stored_row(const struct register_row *row, const struct layout *l, struct arena *mem)
{
    const char *cells[MOST_STORED_COLUMNS];
    for (size_t k = 0; k < l->count; k++)
        cells[k] = stored_cell(row, l->place[k], mem);
    return db_text_array(mem, cells, l->count).pointer;
}

static bool store_rows(const struct register_file *f, const struct layout *l, size_t from, size_t to,
                       struct db *db, struct arena *mem, struct register_outcome *outcome, struct err *err)
{
    const char **rows = arena_array(mem, const char *, to - from);
    for (size_t k = from; k < to; k++)
        rows[k - from] = stored_row(f->rows[k], l, mem);
    const struct db_value params[] = {db_text(register_tables[f->kind].table),
                                      db_text_array(mem, l->names, l->count),
                                      db_text_array(mem, rows, to - from)};
    struct rows *result;
    if (!db_query(db, &q_register_store, params, 3, &result, err))
        return err_in(err, "%s", f->path);
    outcome->added += rows_int(result, 0, 0);
    outcome->changed += rows_int(result, 0, 1);
    rows_free(result);
    return true;
}

/* Loading a binding confirms it: whatever its item is now is what is meant. */
static bool forget_items(const struct register_file *f, struct db *db, struct arena *mem, struct err *err)
{
    enum { SOURCE, DEVICE, ITEM, KEYS }; /* the first columns of the table */
    const char **keys[KEYS];
    for (int k = 0; k < KEYS; k++) {
        keys[k] = arena_array(mem, const char *, f->count);
        for (size_t row = 0; row < f->count; row++)
            keys[k][row] = f->rows[row]->cell[k];
    }
    const struct db_value params[] = {db_text_array(mem, keys[SOURCE], f->count),
                                      db_text_array(mem, keys[DEVICE], f->count),
                                      db_text_array(mem, keys[ITEM], f->count)};
    return db_exec(db, &q_bound_item_forget, params, KEYS, NULL, err);
}

static bool store_file(const struct register_file *f, struct db *db, struct register_outcome *outcome,
                       struct err *err)
{
    const struct layout l = layout_of(f);
    struct arena *mem = arena_new(CHUNK_MEMORY);
    bool good = true;
    for (size_t from = 0; good && from < f->count; from += ROWS_AT_ONCE) {
        size_t to = f->count - from < ROWS_AT_ONCE ? f->count : from + ROWS_AT_ONCE;
        good = store_rows(f, &l, from, to, db, mem, outcome, err);
        arena_reset(mem);
    }
    if (good && f->count && f->kind == REGISTER_BINDINGS)
        good = forget_items(f, db, mem, err);
    arena_free(mem);
    outcome->same = (int64_t)f->count - outcome->added - outcome->changed;
    return good;
}

/* Kinds in order: what is referred to comes first. */
static bool store_files(const struct register_load *r, struct db *db, struct register_outcome *outcomes,
                        struct err *err)
{
    for (int kind = 0; kind < REGISTER_KINDS; kind++)
        for (size_t k = 0; k < r->file_count; k++)
            if (r->files[k]->kind == (enum register_kind)kind &&
                !store_file(r->files[k], db, &outcomes[k], err))
                return false;
    return true;
}

static bool in_transaction(struct register_load *r, struct db *db, struct register_outcome *outcomes,
                           struct err *err)
{
    if (!db_exec(db, &q_register_lock, NULL, 0, NULL, err) || !read_known(r, db, err))
        return false;
    register_check(r);
    return r->issue_count > 0 || store_files(r, db, outcomes, err);
}

bool register_load_store(struct register_load *r, struct db *db, struct register_outcome **outcomes,
                         struct err *err)
{
    *outcomes = arena_array(r->mem, struct register_outcome, r->file_count);
    if (!db_begin(db, err))
        return false;
    bool good = in_transaction(r, db, *outcomes, err);
    if (good && r->issue_count == 0)
        return db_commit(db, err);
    db_rollback(db);
    return good;
}
