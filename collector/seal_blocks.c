#include "seal_blocks.h"

#include "base/clock.h"
#include "queries.h"
#include "summary.h"

enum { HOUR, DAY };
enum { BLOCK_RECEIVED, BLOCK_DATA };
static const size_t UNIT_BYTES = (size_t)1024 * 1024 * 1024; /* a block's, in all forms */

void seal_blocks_init(struct sealing *s, struct db *db, struct arena *mem, const char *site,
                      int64_t open_from_us)
{
    *s = (struct sealing){.db = db,
                          .mem = mem,
                          .scratch = arena_new(UNIT_BYTES),
                          .site = site,
                          .raw_from = DAY_UNKNOWN,
                          .pile = {.open_from_us = open_from_us},
                          .keys = {columns_new(mem, 2), columns_new(mem, 2)},
                          .lowest_fan = UINT32_MAX};
}

void seal_blocks_release(struct sealing *s)
{
    pile_free(&s->pile);
    arena_free(s->scratch);
}

void seal_blocks_key(struct sealing *s, bool is_day, uint32_t fan_no, int64_t starts_us)
{
    struct columns *keys = s->keys[is_day];
    if (!columns_rows(keys) || starts_us < s->first_us[is_day])
        s->first_us[is_day] = starts_us;
    if (!columns_rows(keys) || starts_us > s->last_us[is_day])
        s->last_us[is_day] = starts_us;
    s->lowest_fan = fan_no < s->lowest_fan ? fan_no : s->lowest_fan;
    s->highest_fan = fan_no > s->highest_fan ? fan_no : s->highest_fan;
    const struct db_value cells[] = {db_int(fan_no), db_moment(starts_us)};
    columns_add(keys, cells);
}

void seal_blocks_keys_of_pile(struct sealing *s)
{
    struct unit u;
    pile_sort(&s->pile);
    for (size_t at = 0; pile_unit(&s->pile, &at, &u);)
        seal_blocks_key(s, u.is_day, u.fan_no, u.starts_us);
}

static bool pile_rows(struct sealing *s, const struct rows *r, struct err *err)
{
    for (size_t k = 0; k < rows_count(r); k++) {
        size_t bytes;
        arena_reset(s->scratch);
        const uint8_t *block = rows_bytes(r, k, BLOCK_DATA, s->scratch, &bytes);
        if (!pile_block(&s->pile, block, bytes, rows_moment(r, k, BLOCK_RECEIVED), s->scratch, err))
            return err_in(err, "blocks of site '%s'", s->site);
    }
    return true;
}

static bool take_blocks(struct sealing *s, const struct query *q, bool days, struct err *err)
{
    if (!columns_rows(s->keys[days]))
        return true;
    struct db_value params[7] = {db_text(s->site)};
    columns_params(s->keys[days], &params[1]);
    params[3] = db_moment(s->first_us[days]);
    params[4] = db_moment(s->last_us[days]);
    params[5] = db_int(s->lowest_fan);
    params[6] = db_int(s->highest_fan);
    struct rows *r;
    if (!db_query(s->db, q, params, 7, &r, err))
        return false;
    bool ok = pile_rows(s, r, err);
    rows_free(r);
    return ok;
}

/* They hold until the next unit's. */
static struct reading *readings_of(struct sealing *s, const struct unit *u)
{
    arena_reset(s->scratch);
    struct reading *readings = arena_array(s->scratch, struct reading, u->count);
    for (size_t k = 0; k < u->count; k++)
        readings[k] = u->readings[k].reading;
    return readings;
}

static bool write_block(struct sealing *s, const struct unit *u, struct err *err)
{
    size_t bytes;
    const uint8_t *block = block_encode(readings_of(s, u), u->count, s->scratch, &bytes);
    const struct db_value cells[] = {
        db_text(s->site),          db_int(u->fan_no),         db_moment(u->starts_us),
        db_moment(u->received_us), db_int((int64_t)u->count), db_bytes(block, bytes),
    };
    return db_copy_row(s->db, cells, 6, err);
}

static bool write_blocks(struct sealing *s, bool days, struct err *err)
{
    struct unit u;
    if (!columns_rows(s->keys[days]))
        return true;
    if (!db_copy_begin(s->db, days ? &q_seal_day_blocks : &q_seal_hour_blocks, err))
        return false;
    for (size_t at = 0; pile_unit(&s->pile, &at, &u);) {
        if (u.is_day == days && !write_block(s, &u, err))
            return false;
    }
    return db_copy_end(s->db, NULL, err);
}

static bool write_figures(struct sealing *s, const struct unit *u, struct err *err)
{
    struct day_figures f = summary_of_day(readings_of(s, u), u->count, u->starts_us, s->scratch);
    const struct db_value cells[] = {
        db_text(s->site),
        db_int(u->fan_no),
        db_day(day_of(u->starts_us)),
        db_moment(u->received_us),
        db_int(f.readings),
        db_int(f.unavailable),
        db_int(f.zero),
        db_int(f.covered_s),
        db_real(f.median),
        db_real(f.mean),
        db_real(f.min),
        db_real(f.max),
        db_real(f.spread),
        db_real(f.last),
        db_moment(f.last_us),
    };
    return db_copy_row(s->db, cells, 15, err);
}

/* Days whose summary stays as it is: their raw readings were dropped, and what came late is not all of them.
 */
struct kept_days {
    struct rows *rows; /* by fan and day; NULL: none */
    size_t next;
};

static bool is_before_raw(const struct sealing *s, const struct unit *u)
{
    return u->is_day && s->raw_from != DAY_UNKNOWN && day_of(u->starts_us) < s->raw_from;
}

static bool find_kept(struct sealing *s, struct kept_days *kept, struct err *err)
{
    struct columns *c = columns_new(s->mem, 2);
    struct unit u;
    *kept = (struct kept_days){0};
    for (size_t at = 0; pile_unit(&s->pile, &at, &u);) {
        const struct db_value cells[] = {db_int(u.fan_no), db_day(day_of(u.starts_us))};
        if (is_before_raw(s, &u))
            columns_add(c, cells);
    }
    if (!columns_rows(c))
        return true;
    struct db_value params[3] = {db_text(s->site)};
    columns_params(c, &params[1]);
    return db_query(s->db, &q_seal_summarised, params, 3, &kept->rows, err);
}

/* Units come in the same order as the kept days. */
static bool is_kept(struct kept_days *kept, const struct unit *u)
{
    enum { FAN_NO, KEPT_DAY };
    if (!kept->rows)
        return false;
    for (; kept->next < rows_count(kept->rows); kept->next++) {
        int64_t fan_no = rows_int(kept->rows, kept->next, FAN_NO);
        int32_t day = rows_day(kept->rows, kept->next, KEPT_DAY), own = day_of(u->starts_us);
        if (fan_no > u->fan_no || (fan_no == u->fan_no && day >= own))
            return fan_no == u->fan_no && day == own;
    }
    return false;
}

/* The older versions of the summaries that are about to be written. */
static bool close_figures(struct sealing *s, struct kept_days *kept, struct err *err)
{
    struct columns *c = columns_new(s->mem, 3);
    struct unit u;
    for (size_t at = 0; pile_unit(&s->pile, &at, &u);) {
        const struct db_value cells[] = {db_int(u.fan_no), db_day(day_of(u.starts_us)),
                                         db_moment(u.received_us)};
        if (u.is_day && !is_kept(kept, &u))
            columns_add(c, cells);
    }
    kept->next = 0;
    struct db_value params[4] = {db_text(s->site)};
    columns_params(c, &params[1]);
    return !columns_rows(c) || (db_exec(s->db, &q_fan_day_forget, params, 4, NULL, err) &&
                                db_exec(s->db, &q_fan_day_close, params, 4, NULL, err));
}

static bool write_new_figures(struct sealing *s, struct kept_days *kept, int64_t *fan_days, struct err *err)
{
    struct unit u;
    if (!close_figures(s, kept, err) || !db_copy_begin(s->db, &q_fan_day_copy, err))
        return false;
    for (size_t at = 0; pile_unit(&s->pile, &at, &u);) {
        if (u.is_day && !is_kept(kept, &u) && !write_figures(s, &u, err))
            return false;
    }
    return db_copy_end(s->db, fan_days, err);
}

static bool write_days(struct sealing *s, int64_t *fan_days, struct err *err)
{
    struct kept_days kept;
    if (!columns_rows(s->keys[DAY]))
        return true;
    if (!find_kept(s, &kept, err))
        return false;
    bool ok = write_new_figures(s, &kept, fan_days, err);
    rows_free(kept.rows);
    return ok;
}

bool seal_blocks_write(struct sealing *s, int64_t *fan_days, struct err *err)
{
    *fan_days = 0;
    if (!take_blocks(s, &q_seal_take_days, DAY, err) ||
        !take_blocks(s, &q_seal_take_hours_of_days, DAY, err) ||
        !take_blocks(s, &q_seal_take_hours, HOUR, err))
        return err_in(err, "blocks");
    pile_sort(&s->pile);
    return (write_blocks(s, DAY, err) && write_blocks(s, HOUR, err) && write_days(s, fan_days, err)) ||
           err_in(err, "blocks");
}
