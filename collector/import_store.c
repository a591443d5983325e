#include "import_store.h"

#include "columns.h"
#include "journal.h"
#include "queries.h"

#include <stdio.h>
#include <string.h>

enum { PIECE_ROWS = 50000, CONDITION_COLUMNS = 18, SOURCE_TEXT = 32 };

struct site {
    const char *key; /* of the register, which outlives this */
    int64_t rows;
    size_t waiting; /* readings of the running piece */
};

struct waiting {
    size_t site;
    struct reading reading;
};

struct import_store {
    struct db *db;
    const char *sha256;
    char source[SOURCE_TEXT];
    int64_t received_us;
    struct arena *lasting, *piece;
    struct site *sites;
    size_t site_count, site_room;
    struct waiting *waiting; /* readings, PIECE_ROWS of them */
    size_t count;
    struct columns *conditions;
};

static const size_t PIECE_MEMORY = (size_t)512 << 20;

struct import_store *import_store_new(struct db *db, const char *sha256, int64_t received_us)
{
    struct arena *lasting = arena_new(PIECE_MEMORY);
    struct import_store *s = arena_alloc(lasting, sizeof *s);
    *s = (struct import_store){.db = db, .sha256 = sha256, .received_us = received_us, .lasting = lasting};
    snprintf(s->source, sizeof s->source, "file:%.16s", sha256);
    s->waiting = arena_array(lasting, struct waiting, PIECE_ROWS);
    s->piece = arena_new(PIECE_MEMORY);
    s->conditions = columns_new(s->piece, CONDITION_COLUMNS);
    return s;
}

void import_store_free(struct import_store *s)
{
    if (!s)
        return;
    arena_free(s->piece);
    arena_free(s->lasting);
}

/* Sites are few, and neighbouring rows mostly belong to the one that came last. */
static size_t site_place(struct import_store *s, const char *key)
{
    for (size_t k = s->site_count; k-- > 0;)
        if (strcmp(s->sites[k].key, key) == 0)
            return k;
    if (s->site_count == s->site_room) {
        s->site_room = s->site_room ? s->site_room * 2 : 16;
        s->sites = arena_grow(s->lasting, s->sites, s->site_count, s->site_room, sizeof *s->sites);
    }
    s->sites[s->site_count] = (struct site){.key = key};
    return s->site_count++;
}

static bool flush_site(struct import_store *s, size_t site, struct err *err)
{
    struct reading *readings = arena_array(s->piece, struct reading, s->sites[site].waiting);
    size_t n = 0;
    for (size_t k = 0; k < s->count; k++)
        if (s->waiting[k].site == site)
            readings[n++] = s->waiting[k].reading;
    s->sites[site].waiting = 0;
    return journal_write(s->db, s->sites[site].key, s->received_us, s->received_us, readings, n, s->piece,
                         err);
}

static bool flush(struct import_store *s, struct err *err)
{
    for (size_t k = 0; k < s->site_count; k++)
        if (s->sites[k].waiting && !flush_site(s, k, err))
            return false;
    s->count = 0;
    if (!columns_exec(s->conditions, s->db, &q_condition_insert, NULL, err))
        return false;
    arena_reset(s->piece);
    s->conditions = columns_new(s->piece, CONDITION_COLUMNS);
    return true;
}

static void add_condition(struct import_store *s, const struct import_row *row, int line)
{
    const char *item = row->axis ? row->axis : row->drive;
    const char *code = *row->code ? arena_strdup(s->piece, row->code) : NULL;
    const char *text = *row->text ? arena_strdup(s->piece, row->text) : NULL;
    const struct db_value cells[CONDITION_COLUMNS] = {db_text(row->site),
                                                      db_text(s->source),
                                                      db_text("file"),
                                                      db_int(line),
                                                      db_moment(s->received_us),
                                                      db_moment(row->at_us),
                                                      db_text(row->machine),
                                                      db_text(item),
                                                      db_text(""),
                                                      db_text(arena_strdup(s->piece, row->state)),
                                                      db_text(code),
                                                      db_null(),
                                                      db_null(),
                                                      db_null(),
                                                      db_text(text),
                                                      db_text(row->machine),
                                                      db_text(row->drive),
                                                      db_text(row->axis)};
    columns_add(s->conditions, cells);
}

bool import_store_row(struct import_store *s, enum import_kind kind, const struct import_row *row, int line,
                      struct err *err)
{
    size_t site = site_place(s, row->site);
    s->sites[site].rows++;
    if (kind == IMPORT_READINGS) {
        s->waiting[s->count++] = (struct waiting){site, row->reading};
        s->sites[site].waiting++;
    } else {
        add_condition(s, row, line);
    }
    return (s->count < PIECE_ROWS && columns_rows(s->conditions) < PIECE_ROWS) || flush(s, err);
}

bool import_store_end(struct import_store *s, const char *path, struct err *err)
{
    if (!flush(s, err))
        return false;
    for (size_t k = 0; k < s->site_count; k++) {
        const struct db_value params[] = {db_text(s->sites[k].key), db_text(s->sha256), db_text(path),
                                          db_moment(s->received_us), db_int(s->sites[k].rows)};
        if (!db_exec(s->db, &q_import_record, params, 5, NULL, err))
            return false;
    }
    return true;
}
