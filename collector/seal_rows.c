#include "seal_rows.h"

#include "base/clock.h"
#include "base/log.h"
#include "queries.h"

#include <inttypes.h>
#include <stdio.h>

enum { CHUNK_ROWS = 256 };
enum { ROW_NO, ROW_RECEIVED, ROW_LIES_AT, ROW_DATA };
static const size_t ROW_BYTES = (size_t)256 * 1024 * 1024, FOUND_BYTES = (size_t)1024 * 1024 * 1024;

void seal_rows_begin(struct seal_rows *r)
{
    r->row_mem = arena_new(ROW_BYTES);
    r->found_mem = arena_new(FOUND_BYTES);
    snprintf(r->after_at, sizeof r->after_at, "(0,0)");
}

void seal_rows_end(struct seal_rows *r)
{
    arena_free(r->row_mem);
    arena_free(r->found_mem);
}

bool seal_rows_due(const struct seal_due *due, int64_t at_us, int64_t received_us)
{
    return at_us < due->closed_us || received_us < due->latest_us;
}

/* Whether the tables could hold them: bytes may be damaged and still unpack. */
static bool are_storable(const struct reading *readings, size_t count)
{
    for (size_t k = 0; k < count; k++)
        if (readings[k].fan_no > INT32_MAX || readings[k].at_us < 0 || readings[k].at_us >= PILE_LATEST_US)
            return false;
    return true;
}

static bool is_any_due(const struct seal_rows *r, int64_t received_us, const struct reading *readings,
                       size_t count)
{
    for (size_t k = 0; k < count; k++)
        if (seal_rows_due(&r->due, readings[k].at_us, received_us))
            return true;
    return false;
}

static void note(struct seal_rows *r, struct columns **list, const char *why)
{
    struct arena *mem = r->found_mem;
    const struct db_value cells[] = {db_int(r->after_no), db_text(arena_strdup(mem, r->after_at)),
                                     db_text(why ? arena_strdup(mem, why) : NULL)};
    if (!*list)
        *list = columns_new(mem, why ? 3 : 2);
    columns_add(*list, cells);
    if (why)
        log_error("seal.set_aside", "site=%s journal_no=%" PRId64 " why='%s'", r->site, r->after_no, why);
}

/* A damaged row does not stand in the way of the others. */
static bool on_row(void *context, const struct rows *row, struct err *err)
{
    struct seal_rows *r = context;
    struct reading *readings;
    struct err why = {0};
    size_t size, count;
    (void)err;
    r->chunk++;
    r->after_no = rows_int(row, 0, ROW_NO);
    snprintf(r->after_at, sizeof r->after_at, "%s", rows_text(row, 0, ROW_LIES_AT));
    arena_reset(r->row_mem);
    const uint8_t *bytes = rows_bytes(row, 0, ROW_DATA, r->row_mem, &size);
    const struct origin from = {r->after_no, rows_moment(row, 0, ROW_RECEIVED)};
    if (!block_decode(bytes, size, r->row_mem, &readings, &count, &why)) {
        note(r, &r->damaged, why.text);
        return true;
    }
    r->unpacked += (int64_t)count;
    if (!are_storable(readings, count))
        note(r, &r->damaged, "fans or moments that cannot be");
    else if (r->is_untouched && !is_any_due(r, from.received_us, readings, count))
        note(r, &r->moving, NULL);
    else
        r->on_row(r->context, &from, readings, count);
    return true;
}

bool seal_rows_read(struct seal_rows *r, bool *more, struct err *err)
{
    const struct db_value params[] = {db_text(r->site), db_int(r->part), db_int(r->after_no),
                                      db_text(r->after_at), db_int(CHUNK_ROWS)};
    r->chunk = 0;
    bool ok = db_stream(r->db, &q_seal_journal, params, 5, on_row, r, err);
    *more = r->chunk == CHUNK_ROWS;
    return ok;
}

static bool settle(struct seal_rows *r, const struct query *q, struct columns *list, int width,
                   struct err *err)
{
    struct db_value params[5] = {db_text(r->site), db_int(r->part)};
    if (!list)
        return true;
    columns_params(list, &params[2]);
    return db_exec(r->db, q, params, 2 + width, NULL, err);
}

bool seal_rows_settle(struct seal_rows *r, struct err *err)
{
    if (!settle(r, &q_seal_damaged, r->damaged, 3, err) || !settle(r, &q_seal_move_rows, r->moving, 2, err))
        return err_in(err, "journal");
    r->damaged = r->moving = NULL;
    arena_reset(r->found_mem);
    return true;
}
