#include "seal_blocks.h"

#include "base/clock.h"
#include "base/log.h"
#include "queries.h"
#include "summary.h"

#include <inttypes.h>
#include <stdlib.h>

enum { HOUR, DAY };
enum { BLOCK_FAN, BLOCK_STARTS, BLOCK_RECEIVED, BLOCK_READINGS, BLOCK_DATA };
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

/* It is kept as it is, and does not stand in the way of the others. */
static bool set_aside(struct sealing *s, const struct rows *r, size_t row, const uint8_t *block, size_t bytes,
                      const struct err *why, struct err *err)
{
    int64_t fan_no = rows_int(r, row, BLOCK_FAN);
    const struct db_value params[] = {db_text(s->site),
                                      db_int(fan_no),
                                      db_moment(rows_moment(r, row, BLOCK_STARTS)),
                                      db_moment(rows_moment(r, row, BLOCK_RECEIVED)),
                                      db_int(rows_int(r, row, BLOCK_READINGS)),
                                      db_bytes(block, bytes),
                                      db_text(why->text)};
    log_error("seal.set_aside", "site=%s fan_no=%" PRId64 " why='%s'", s->site, fan_no, why->text);
    return db_exec(s->db, &q_seal_damaged_block, params, 7, NULL, err);
}

/* Bytes may be damaged and still unpack: all must be of this fan and span. */
static bool are_of(const struct piled *readings, size_t count, int64_t fan_no, int64_t starts_us,
                   int64_t lasts_us)
{
    for (size_t k = 0; k < count; k++) {
        const struct reading *r = &readings[k].reading;
        if (r->fan_no != fan_no || r->at_us < starts_us || r->at_us >= starts_us + lasts_us)
            return false;
    }
    return true;
}

static bool pile_row(struct sealing *s, const struct rows *r, size_t row, int64_t lasts_us, struct err *err)
{
    struct pile *p = &s->pile;
    struct err why = {0};
    size_t bytes, before = p->count;
    int64_t fan_no = rows_int(r, row, BLOCK_FAN), starts_us = rows_moment(r, row, BLOCK_STARTS);
    arena_reset(s->scratch);
    const uint8_t *block = rows_bytes(r, row, BLOCK_DATA, s->scratch, &bytes);
    bool good = pile_block(p, block, bytes, rows_moment(r, row, BLOCK_RECEIVED), s->scratch, &why);
    if (good && !are_of(p->all + before, p->count - before, fan_no, starts_us, lasts_us))
        good = err_set(&why, ERR_INPUT, "readings of another fan or time");
    if (good)
        return true;
    p->count = before;
    if (s->lost_count == s->lost_room) {
        s->lost_room = 2 * s->lost_room + 16;
        s->lost = arena_grow(s->mem, s->lost, s->lost_count, s->lost_room, sizeof *s->lost);
    }
    s->lost[s->lost_count++] = (struct lost_block){fan_no, day_of(starts_us)};
    return set_aside(s, r, row, block, bytes, &why, err);
}

static bool pile_rows(struct sealing *s, const struct rows *r, int64_t lasts_us, struct err *err)
{
    for (size_t k = 0; k < rows_count(r); k++)
        if (!pile_row(s, r, k, lasts_us, err))
            return false;
    return true;
}

static bool take_blocks(struct sealing *s, const struct query *q, bool days, int64_t lasts_us,
                        struct err *err)
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
    bool ok = pile_rows(s, r, lasts_us, err);
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

/* Days whose summary stays as it is: some of their raw readings are gone, and what is left or came late is
 * not all of them. */
struct kept_days {
    struct rows *rows; /* by fan and day; NULL: none */
    size_t next;
};

static int by_fan_and_day(const void *left, const void *right)
{
    const struct lost_block *a = left, *b = right;
    if (a->fan_no != b->fan_no)
        return a->fan_no < b->fan_no ? -1 : 1;
    return (a->day > b->day) - (a->day < b->day);
}

static bool has_lost(const struct sealing *s, const struct unit *u)
{
    const struct lost_block own = {u->fan_no, day_of(u->starts_us)};
    return s->lost_count && bsearch(&own, s->lost, s->lost_count, sizeof own, by_fan_and_day);
}

static bool is_incomplete(const struct sealing *s, const struct unit *u)
{
    return u->is_day &&
           ((s->raw_from != DAY_UNKNOWN && day_of(u->starts_us) < s->raw_from) || has_lost(s, u));
}

static bool find_kept(struct sealing *s, struct kept_days *kept, struct err *err)
{
    struct columns *c = columns_new(s->mem, 2);
    struct unit u;
    *kept = (struct kept_days){0};
    if (s->lost_count)
        qsort(s->lost, s->lost_count, sizeof *s->lost, by_fan_and_day);
    for (size_t at = 0; pile_unit(&s->pile, &at, &u);) {
        const struct db_value cells[] = {db_int(u.fan_no), db_day(day_of(u.starts_us))};
        if (is_incomplete(s, &u))
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
    if (!take_blocks(s, &q_seal_take_days, DAY, US_PER_DAY, err) ||
        !take_blocks(s, &q_seal_take_hours_of_days, DAY, US_PER_HOUR, err) ||
        !take_blocks(s, &q_seal_take_hours, HOUR, US_PER_HOUR, err))
        return err_in(err, "blocks");
    pile_sort(&s->pile);
    return (write_blocks(s, DAY, err) && write_blocks(s, HOUR, err) && write_days(s, fan_days, err)) ||
           err_in(err, "blocks");
}
