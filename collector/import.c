#include "import.h"

#include "base/clock.h"
#include "digest.h"
#include "fold.h"
#include "import_store.h"
#include "queries.h"
#include "register_store.h"
#include "seal.h"
#include "settings.h"

#include <stdio.h>
#include <string.h>

enum { MOST_PRINTED = 100 };

static const size_t REGISTER_MEMORY = (size_t)4 << 30, ROW_MEMORY = (size_t)64 << 20;

struct import {
    struct db *db;
    struct register_load *names; /* holds what 'known' points to, once a file needs it */
    struct import_register known;
    bool knows;
    const char *path;
    char sha256[DIGEST_TEXT];
    struct arena *row_mem;
    struct import_layout layout;
    bool has_header;
    int64_t rows, errors, without_zone;
    struct import_store *store; /* NULL while the file is checked */
};

static void complain(struct import *im, const struct csv_row *row, const struct import_fault *fault)
{
    if (im->errors++ < MOST_PRINTED)
        fprintf(stderr, "%s:%d:%d: %s '%.60s': %s\n", im->path, row->field_line[fault->field],
                row->column[fault->field], fault->column, row->field[fault->field], fault->why);
}

static bool on_row(void *context, const struct csv_row *row, struct err *err)
{
    struct import *im = context;
    struct import_row out;
    struct import_fault fault;
    if (!im->has_header) {
        im->has_header = true;
        struct err why = {0};
        if (import_header(row, &im->layout, &why))
            return true;
        return err_set(err, ERR_INPUT, "%s:%s", im->path, why.text);
    }
    arena_reset(im->row_mem);
    if (!import_row(&im->layout, &im->known, row, im->row_mem, &out, &fault)) {
        complain(im, row, &fault);
        return true;
    }
    im->rows++;
    im->without_zone += out.no_zone;
    return !im->store || import_store_row(im->store, im->layout.kind, &out, row->line, err);
}

static bool read_rows(struct import *im, struct err *err)
{
    im->has_header = false;
    im->rows = im->errors = im->without_zone = 0;
    if (!csv_read(im->path, on_row, im, err))
        return false;
    if (im->errors > MOST_PRINTED)
        fprintf(stderr, "and %lld more\n", (long long)(im->errors - MOST_PRINTED));
    if (im->errors)
        return err_set(err, ERR_INPUT, "%s: nothing was stored: %lld error%s", im->path,
                       (long long)im->errors, im->errors == 1 ? "" : "s");
    return im->has_header || err_set(err, ERR_INPUT, "%s:1:1: there is no header row", im->path);
}

static bool find_earlier(struct import *im, int64_t *at_us, struct err *err)
{
    const struct db_value sha256 = db_text(im->sha256);
    struct rows *rows;
    if (!db_query(im->db, &q_import_find, &sha256, 1, &rows, err))
        return false;
    *at_us = rows_count(rows) ? rows_moment(rows, 0, 0) : TIME_UNKNOWN;
    rows_free(rows);
    return true;
}

static bool is_same_file(const struct import *im, struct err *err)
{
    char again[DIGEST_TEXT];
    if (!digest_file(im->path, again, err))
        return false;
    return strcmp(again, im->sha256) == 0 ||
           err_set(err, ERR_INPUT, "%s: it was changed while it was read; nothing was stored", im->path);
}

/* The lock is held: two imports of one file at once store it once. */
static bool store_locked(struct import *im, int64_t *earlier_us, struct err *err)
{
    if (!db_exec(im->db, &q_import_lock, NULL, 0, NULL, err) || !find_earlier(im, earlier_us, err))
        return false;
    if (*earlier_us != TIME_UNKNOWN)
        return true;
    im->store = import_store_new(im->db, im->sha256, im->known.now_us);
    bool good = read_rows(im, err) && import_store_end(im->store, im->path, err) && is_same_file(im, err);
    import_store_free(im->store);
    im->store = NULL;
    return good;
}

static bool store(struct import *im, int64_t *earlier_us, struct err *err)
{
    if (!db_begin(im->db, err))
        return false;
    if (store_locked(im, earlier_us, err) && db_commit(im->db, err))
        return true;
    db_rollback(im->db);
    return false;
}

static const char *kind_word(const struct import *im)
{
    return im->layout.kind == IMPORT_READINGS ? "readings" : "conditions";
}

static void print_json_text(const char *text)
{
    putchar('"');
    for (; *text; text++) {
        if (*text == '"' || *text == '\\')
            printf("\\%c", *text);
        else if ((unsigned char)*text < 0x20)
            printf("\\u%04x", (unsigned)*text);
        else
            putchar(*text);
    }
    putchar('"');
}

static void print_json(const struct import *im, const char *earlier)
{
    fputs("  {\"file\": ", stdout);
    print_json_text(im->path);
    if (*earlier)
        printf(", \"already_imported_at\": \"%s\"}", earlier);
    else
        printf(", \"kind\": \"%s\", \"rows\": %lld}", kind_word(im), (long long)im->rows);
}

static void print_text(const struct import *im, const char *earlier)
{
    if (*earlier)
        printf("%s: already imported on %s\n", im->path, earlier);
    else
        printf("%s: %lld %s\n", im->path, (long long)im->rows, kind_word(im));
    if (im->without_zone)
        fprintf(stderr, "notice: %s: %lld moments without a time zone were taken as UTC\n", im->path,
                (long long)im->without_zone);
}

static void print_result(const struct import *im, int64_t earlier_us)
{
    char earlier[TIME_TEXT] = "";
    if (earlier_us != TIME_UNKNOWN)
        time_format(earlier_us - earlier_us % US_PER_S, earlier);
    if (settings.json)
        print_json(im, earlier);
    else
        print_text(im, earlier);
}

static bool know_names(struct import *im, struct err *err)
{
    static const enum register_kind kinds[] = {REGISTER_DRIVES, REGISTER_AXES, REGISTER_FANS};
    if (!im->knows)
        im->knows = register_read_things(im->names, im->db, kinds, 3, err);
    return im->knows;
}

static bool import_file(struct import *im, struct err *err)
{
    int64_t earlier_us;
    if (!digest_file(im->path, im->sha256, err) || !find_earlier(im, &earlier_us, err))
        return false;
    if (earlier_us == TIME_UNKNOWN &&
        (!know_names(im, err) || !read_rows(im, err) || !store(im, &earlier_us, err)))
        return false;
    print_result(im, earlier_us);
    return true;
}

/* What was stored is derived from at once: there may be no collector that runs. */
static bool derive(struct db *db, struct err *err)
{
    struct seal_report report = {0};
    int64_t drives;
    return fold_new(db, NULL, &drives, err) && seal(db, clock_now_us(), &report, err);
}

static bool import_files(struct db *db, const char *const *paths, int count, struct arena *mem,
                         struct err *err)
{
    struct register_load *r = register_new(mem, clock_now_us());
    struct import im = {.db = db,
                        .names = r,
                        .known = {&r->things[REGISTER_DRIVES], &r->things[REGISTER_AXES],
                                  &r->things[REGISTER_FANS], r->now_us},
                        .row_mem = arena_new(ROW_MEMORY)};
    bool good = true;
    fputs(settings.json ? "{\"files\": [\n" : "", stdout);
    for (int k = 0; good && k < count; k++) {
        im.path = paths[k];
        good = import_file(&im, err);
        if (settings.json && good)
            fputs(k + 1 < count ? ",\n" : "\n]}\n", stdout);
    }
    arena_free(im.row_mem);
    return derive(db, err) && good; /* also when a later file failed: each was stored for itself */
}

int import_command(const char *const *args, int count, struct err *err)
{
    struct db *db;
    if (!settings_open(&db, err))
        return err_exit_status(err->kind);
    struct arena *mem = arena_new(REGISTER_MEMORY);
    bool good = import_files(db, args, count, mem, err);
    arena_free(mem);
    db_close(db);
    return good ? 0 : err_exit_status(err->kind);
}
