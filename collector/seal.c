#include "seal.h"

#include "base/clock.h"
#include "columns.h"
#include "pile.h"
#include "queries.h"
#include "summary.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

/* Every day that a step touches is a partition that it locks. */
enum { STEP_READINGS = 2000000, STEP_DAYS = 500, PARTITIONS_AT_ONCE = 32 };
static const char LOCK_NOT_AVAILABLE[] = "55P03";
static const size_t STEP_BYTES = (size_t)4 * 1024 * 1024 * 1024;

enum { JOURNAL_SITE, JOURNAL_NO, JOURNAL_RECEIVED, JOURNAL_DATA };
enum { DUE_SITE, DUE_FAN_NO, DUE_DAY };
enum { BLOCK_RECEIVED, BLOCK_DATA };

/* One step: some journal rows, or some fan-days that lie in hour blocks, with all that they are merged with.
 */
struct step {
    struct db *db;
    struct arena *mem;
    const char *site;
    struct pile pile;
    int64_t *journal_nos;
    size_t journal_count;
    struct columns *days, *hours;    /* (fan, start) of the units */
    int64_t first_us[2], last_us[2]; /* earliest and latest start of hours [0] and days [1] */
};

/* A transaction that no other sealer shares; *taken is false when one is at work. */
static bool begin_alone(struct db *db, bool *taken, struct err *err)
{
    struct rows *r;
    if (!db_begin(db, err))
        return false;
    if (!db_query(db, &q_seal_lock, NULL, 0, &r, err)) {
        db_rollback(db);
        return false;
    }
    *taken = rows_bool(r, 0, 0);
    rows_free(r);
    if (!*taken)
        db_rollback(db);
    return true;
}

/* Widens the span of days by the readings from 'first' on; false when a step should not be so wide. */
static bool widen(const struct pile *p, size_t first, int32_t *first_day, int32_t *last_day)
{
    for (size_t k = first; k < p->count; k++) {
        int32_t day = day_of(p->all[k].reading.at_us);
        *first_day = day < *first_day ? day : *first_day;
        *last_day = day > *last_day ? day : *last_day;
    }
    return *last_day - *first_day < STEP_DAYS;
}

/* Puts journal rows on the pile until they span too many days. */
static bool pile_journal(struct step *s, const struct rows *r, struct err *err)
{
    int32_t first_day = INT32_MAX, last_day = INT32_MIN;
    for (size_t k = 0; k < rows_count(r); k++) {
        size_t bytes, before = s->pile.count;
        const uint8_t *block = rows_bytes(r, k, JOURNAL_DATA, s->mem, &bytes);
        if (!pile_block(&s->pile, block, bytes, rows_moment(r, k, JOURNAL_RECEIVED), err))
            return err_in(err, "journal row %" PRId64 " of site '%s'", rows_int(r, k, JOURNAL_NO), s->site);
        if (!widen(&s->pile, before, &first_day, &last_day) && k) {
            s->pile.count = before;
            return true;
        }
        s->journal_nos[s->journal_count++] = rows_int(r, k, JOURNAL_NO);
    }
    return true;
}

static bool take_journal(struct step *s, int64_t now_us, int64_t max_readings, struct err *err)
{
    int64_t closed_us = now_us - SEAL_GRACE_US;
    const struct db_value params[] = {db_moment(closed_us - closed_us % US_PER_HOUR),
                                      db_moment(now_us - SEAL_LATEST_US), db_int(max_readings)};
    struct rows *r;
    if (!db_query(s->db, &q_seal_journal, params, 3, &r, err))
        return false;
    s->journal_nos = arena_array(s->mem, int64_t, rows_count(r));
    s->site = rows_count(r) ? arena_strdup(s->mem, rows_text(r, 0, JOURNAL_SITE)) : NULL;
    bool ok = pile_journal(s, r, err);
    rows_free(r);
    return ok;
}

static void add_key(struct step *s, bool is_day, uint32_t fan_no, int64_t starts_us)
{
    struct columns *keys = is_day ? s->days : s->hours;
    if (!columns_rows(keys) || starts_us < s->first_us[is_day])
        s->first_us[is_day] = starts_us;
    if (!columns_rows(keys) || starts_us > s->last_us[is_day])
        s->last_us[is_day] = starts_us;
    const struct db_value cells[] = {db_int(fan_no), db_moment(starts_us)};
    columns_add(keys, cells);
}

static void keys_of_pile(struct step *s)
{
    struct unit u;
    pile_sort(&s->pile);
    for (size_t at = 0; pile_unit(&s->pile, &at, &u);)
        add_key(s, u.is_day, u.fan_no, u.starts_us);
}

/* Days that are closed and still lie in hour blocks. */
static bool take_hours_due(struct step *s, int64_t max_readings, struct err *err)
{
    const struct db_value params[] = {db_moment(s->pile.open_from_us), db_int(max_readings)};
    struct rows *r;
    if (!db_query(s->db, &q_seal_open_days, params, 2, &r, err))
        return false;
    s->site = rows_count(r) ? arena_strdup(s->mem, rows_text(r, 0, DUE_SITE)) : NULL;
    for (size_t k = 0; k < rows_count(r); k++)
        add_key(s, true, (uint32_t)rows_int(r, k, DUE_FAN_NO), rows_moment(r, k, DUE_DAY));
    rows_free(r);
    return true;
}

/* Some of the partitions that are missing; *made is 0 when none is. */
static bool make_some_partitions(struct step *s, const struct db_value *params, int64_t *made, bool *taken,
                                 struct err *err)
{
    struct rows *r = NULL;
    *made = 0;
    if (!begin_alone(s->db, taken, err))
        return false;
    if (!*taken)
        return true;
    bool ok = db_query(s->db, &q_seal_partitions, params, 3, &r, err);
    *made = ok ? rows_int(r, 0, 0) : 0;
    rows_free(r);
    ok = ok && db_commit(s->db, err);
    if (!ok)
        db_rollback(s->db);
    return ok;
}

/* In transactions of their own, and few at a time: making one locks out readers for a moment. */
static bool make_partitions(struct step *s, bool days, bool *taken, struct err *err)
{
    const struct columns *keys = days ? s->days : s->hours;
    struct db_value fans_and_starts[2];
    columns_params(keys, fans_and_starts);
    const struct db_value params[] = {db_text(days ? "reading_day" : "reading_hour"), fans_and_starts[1],
                                      db_int(PARTITIONS_AT_ONCE)};
    int64_t made = columns_rows(keys) > 0;
    while (*taken && made) {
        if (!make_some_partitions(s, params, &made, taken, err))
            return err_in(err, "partitions");
    }
    return true;
}

static bool delete_journal(struct step *s, bool *all_there, struct err *err)
{
    int64_t affected = 0;
    const struct db_value params[] = {db_text(s->site),
                                      db_int_array(s->mem, s->journal_nos, s->journal_count)};
    if (s->journal_count && !db_exec(s->db, &q_seal_journal_delete, params, 2, &affected, err))
        return false;
    *all_there = affected == (int64_t)s->journal_count;
    return true;
}

static bool pile_rows(struct step *s, const struct rows *r, struct err *err)
{
    for (size_t k = 0; k < rows_count(r); k++) {
        size_t bytes;
        const uint8_t *block = rows_bytes(r, k, BLOCK_DATA, s->mem, &bytes);
        if (!pile_block(&s->pile, block, bytes, rows_moment(r, k, BLOCK_RECEIVED), err))
            return err_in(err, "blocks of site '%s'", s->site);
    }
    return true;
}

static bool take_blocks(struct step *s, const struct query *q, bool days, struct err *err)
{
    const struct columns *keys = days ? s->days : s->hours;
    if (!columns_rows(keys))
        return true;
    struct db_value params[5] = {db_text(s->site)};
    columns_params(keys, &params[1]);
    params[3] = db_moment(s->first_us[days]);
    params[4] = db_moment(s->last_us[days]);
    struct rows *r;
    if (!db_query(s->db, q, params, 5, &r, err))
        return false;
    bool ok = pile_rows(s, r, err);
    rows_free(r);
    return ok;
}

static bool write_block(struct step *s, const struct unit *u, struct err *err)
{
    struct reading *readings = arena_array(s->mem, struct reading, u->count);
    for (size_t k = 0; k < u->count; k++)
        readings[k] = u->readings[k].reading;
    size_t bytes;
    const uint8_t *block = block_encode(readings, u->count, s->mem, &bytes);
    const struct db_value cells[] = {
        db_text(s->site),          db_int(u->fan_no),         db_moment(u->starts_us),
        db_moment(u->received_us), db_int((int64_t)u->count), db_bytes(block, bytes),
    };
    return db_copy_row(s->db, cells, 6, err);
}

static bool write_blocks(struct step *s, bool days, struct err *err)
{
    struct unit u;
    if (!columns_rows(days ? s->days : s->hours))
        return true;
    if (!db_copy_begin(s->db, days ? &q_seal_day_blocks : &q_seal_hour_blocks, err))
        return false;
    for (size_t at = 0; pile_unit(&s->pile, &at, &u);) {
        if (u.is_day == days && !write_block(s, &u, err))
            return false;
    }
    return db_copy_end(s->db, NULL, err);
}

static bool write_figures(struct step *s, const struct unit *u, struct err *err)
{
    struct reading *readings = arena_array(s->mem, struct reading, u->count);
    for (size_t k = 0; k < u->count; k++)
        readings[k] = u->readings[k].reading;
    struct day_figures f = summary_of_day(readings, u->count, u->starts_us, s->mem);
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

/* The older versions of the summaries that are about to be written. */
static bool close_figures(struct step *s, struct err *err)
{
    struct columns *c = columns_new(s->mem, 3);
    struct unit u;
    for (size_t at = 0; pile_unit(&s->pile, &at, &u);) {
        const struct db_value cells[] = {db_int(u.fan_no), db_day(day_of(u.starts_us)),
                                         db_moment(u.received_us)};
        if (u.is_day)
            columns_add(c, cells);
    }
    struct db_value params[4] = {db_text(s->site)};
    columns_params(c, &params[1]);
    return db_exec(s->db, &q_fan_day_forget, params, 4, NULL, err) &&
           db_exec(s->db, &q_fan_day_close, params, 4, NULL, err);
}

static bool write_days(struct step *s, int64_t *fan_days, struct err *err)
{
    struct unit u;
    if (!columns_rows(s->days))
        return true;
    if (!close_figures(s, err) || !db_copy_begin(s->db, &q_fan_day_copy, err))
        return false;
    for (size_t at = 0; pile_unit(&s->pile, &at, &u);) {
        if (u.is_day && !write_figures(s, &u, err))
            return false;
    }
    return db_copy_end(s->db, fan_days, err);
}

/* *done is false when another sealer came first. */
static bool move_readings(struct step *s, bool *done, int64_t *fan_days, struct err *err)
{
    if (!delete_journal(s, done, err))
        return err_in(err, "journal");
    if (!*done)
        return true;
    if (!take_blocks(s, &q_seal_take_days, true, err) ||
        !take_blocks(s, &q_seal_take_hours_of_days, true, err) ||
        !take_blocks(s, &q_seal_take_hours, false, err))
        return err_in(err, "blocks");
    pile_sort(&s->pile);
    return (write_blocks(s, true, err) && write_blocks(s, false, err) && write_days(s, fan_days, err)) ||
           err_in(err, "blocks");
}

static bool run_step(struct step *s, struct seal_report *out, struct err *err)
{
    bool taken = true, done = false;
    int64_t fan_days = 0;
    size_t readings = s->pile.count;
    if (!make_partitions(s, true, &taken, err) || !make_partitions(s, false, &taken, err))
        return false;
    if (taken && !begin_alone(s->db, &taken, err))
        return false;
    if (taken && (!move_readings(s, &done, &fan_days, err) || (done && !db_commit(s->db, err)))) {
        db_rollback(s->db);
        return false;
    }
    if (!done) {
        if (taken)
            db_rollback(s->db);
        out->was_busy = true;
        return true;
    }
    out->steps++;
    out->journal_rows += (int64_t)s->journal_count;
    out->readings += (int64_t)readings;
    out->fan_days += fan_days;
    return true;
}

/* Whoever reads the table is not waited for: it will be dropped another time. */
static bool drop_partition(struct db *db, const char *partition, struct err *err)
{
    char text[400];
    snprintf(text, sizeof text,
             "SET LOCAL lock_timeout = '1s'; DO $$ BEGIN IF to_regclass('vaneward.%s') IS NOT NULL THEN"
             " IF NOT EXISTS (SELECT FROM vaneward.%s) THEN DROP TABLE vaneward.%s; END IF; END IF; END $$",
             partition, partition, partition);
    struct err why = {0};
    bool taken;
    if (!begin_alone(db, &taken, err))
        return false;
    if (!taken)
        return true;
    if (db_script(db, "drop a partition", text, &why) && db_commit(db, &why))
        return true;
    db_rollback(db);
    if (strcmp(why.sqlstate, LOCK_NOT_AVAILABLE) == 0)
        return true;
    *err = why;
    return err_in(err, "partition '%s'", partition);
}

/* Hour blocks of closed days have become day blocks: their partitions are empty. */
static bool drop_partitions(struct db *db, int64_t now_us, struct err *err)
{
    const struct db_value params[] = {db_day(day_of(now_us - SEAL_GRACE_US))};
    struct rows *r;
    if (!db_query(db, &q_seal_closed_partitions, params, 1, &r, err))
        return false;
    bool ok = true;
    for (size_t k = 0; ok && k < rows_count(r); k++)
        ok = drop_partition(db, rows_text(r, k, 0), err);
    rows_free(r);
    return ok;
}

bool seal_step(struct db *db, int64_t now_us, int64_t max_readings, struct seal_report *out, bool *more,
               struct err *err)
{
    struct arena *mem = arena_new(STEP_BYTES);
    int64_t open_from_us = day_start_us(day_of(now_us - SEAL_GRACE_US));
    struct step s = {.db = db,
                     .mem = mem,
                     .pile = {.mem = mem, .open_from_us = open_from_us},
                     .days = columns_new(mem, 2),
                     .hours = columns_new(mem, 2)};
    bool ok = take_journal(&s, now_us, max_readings, err);
    if (ok && s.journal_count)
        keys_of_pile(&s);
    else
        ok = ok && take_hours_due(&s, max_readings, err);
    *more = ok && s.site != NULL;
    if (*more)
        ok = run_step(&s, out, err);
    *more = *more && !out->was_busy;
    arena_free(mem);
    return ok && (*more || out->was_busy || drop_partitions(db, now_us, err));
}

bool seal(struct db *db, int64_t now_us, struct seal_report *out, struct err *err)
{
    *out = (struct seal_report){0};
    for (bool more = true; more;) {
        if (!seal_step(db, now_us, STEP_READINGS, out, &more, err))
            return false;
    }
    return true;
}
