#include "seal_partitions.h"

#include "base/clock.h"
#include "base/log.h"
#include "queries.h"
#include "seal.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

enum { PARTITIONS_AT_ONCE = 32 };
enum { PARTITION_NAME, PARTITION_DAY };
static const char LOCK_NOT_AVAILABLE[] = "55P03";

bool seal_begin_alone(struct db *db, bool *taken, struct err *err)
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

/* Some of the partitions that are missing; *made is 0 when none is. */
static bool make_some(struct db *db, const struct db_value *params, int64_t *made, bool *taken,
                      struct err *err)
{
    struct rows *r = NULL;
    *made = 0;
    if (!seal_begin_alone(db, taken, err))
        return false;
    if (!*taken)
        return true;
    bool ok = db_query(db, &q_seal_partitions, params, 3, &r, err);
    *made = ok ? rows_int(r, 0, 0) : 0;
    rows_free(r);
    ok = ok && db_commit(db, err);
    if (!ok)
        db_rollback(db);
    return ok;
}

/* In transactions of their own, and few at a time: making one locks out readers for a moment. */
bool seal_partitions_make(struct db *db, const struct columns *keys, bool days, bool *taken, struct err *err)
{
    struct db_value fans_and_starts[2];
    columns_params(keys, fans_and_starts);
    const struct db_value params[] = {db_text(days ? "reading_day" : "reading_hour"), fans_and_starts[1],
                                      db_int(PARTITIONS_AT_ONCE)};
    int64_t made = columns_rows(keys) > 0;
    while (*taken && made) {
        if (!make_some(db, params, &made, taken, err))
            return err_in(err, "partitions");
    }
    return true;
}

bool seal_partitions_make_ahead(struct db *db, int64_t now_us, struct err *err)
{
    const struct db_value today = db_day(day_of(now_us));
    struct rows *r;
    if (!db_query(db, &q_prepare_partitions, &today, 1, &r, err))
        return err_in(err, "partitions of tomorrow");
    rows_free(r);
    return true;
}

/* Whoever reads the table is not waited for: it will be dropped another time. */
static bool drop_unless_held(struct db *db, const char *text, bool *dropped, struct err *err)
{
    struct err why = {0};
    bool taken;
    *dropped = false;
    if (!seal_begin_alone(db, &taken, err))
        return false;
    if (!taken)
        return true;
    *dropped = db_script(db, "lock timeout", "SET LOCAL lock_timeout = '1s'", &why) &&
               db_script(db, "drop a partition", text, &why) && db_commit(db, &why);
    if (*dropped)
        return true;
    db_rollback(db);
    if (strcmp(why.sqlstate, LOCK_NOT_AVAILABLE) == 0)
        return true;
    *err = why;
    return false;
}

static bool drop_if_empty(struct db *db, const char *partition, struct err *err)
{
    char text[400];
    bool dropped;
    snprintf(text, sizeof text,
             "DO $$ BEGIN IF to_regclass('vaneward.%s') IS NOT NULL THEN"
             " IF NOT EXISTS (SELECT FROM vaneward.%s) THEN DROP TABLE vaneward.%s; END IF; END IF; END $$",
             partition, partition, partition);
    return drop_unless_held(db, text, &dropped, err) || err_in(err, "partition '%s'", partition);
}

bool seal_partitions_drop_empty(struct db *db, int64_t now_us, struct err *err)
{
    const struct db_value params[] = {db_text("reading_hour"), db_day(day_of(now_us - SEAL_GRACE_US))};
    struct rows *r;
    if (!db_query(db, &q_seal_partitions_before, params, 2, &r, err))
        return false;
    bool ok = true;
    for (size_t k = 0; ok && k < rows_count(r); k++)
        ok = drop_if_empty(db, rows_text(r, k, PARTITION_NAME), err);
    rows_free(r);
    return ok;
}

/* Readings that come later for such a day are no longer all of it: raw_from tells the sealer, and its change
 * ends a step that is under way. */
static bool drop_day(struct db *db, const char *partition, bool *dropped, struct err *err)
{
    char text[400];
    snprintf(text, sizeof text,
             "DROP TABLE IF EXISTS vaneward.%s; UPDATE vaneward.journal_state"
             " SET moves = moves + 1, raw_from = to_date('%s', 'YYYYMMDD') + 1",
             partition, partition + strlen("reading_day_"));
    return drop_unless_held(db, text, dropped, err) || err_in(err, "partition '%s'", partition);
}

/* A day whose hour blocks are there waits until they are folded, and so do those after it. */
static bool wait_for_hours(struct db *db, int32_t *before_day, struct err *err)
{
    const struct db_value params[] = {db_text("reading_hour"), db_day(*before_day)};
    struct rows *r;
    if (!db_query(db, &q_seal_partitions_before, params, 2, &r, err))
        return false;
    if (rows_count(r))
        *before_day = rows_day(r, 0, PARTITION_DAY);
    rows_free(r);
    return true;
}

static bool drop_raw(struct db *db, int32_t before_day, int64_t *count, struct err *err)
{
    if (!wait_for_hours(db, &before_day, err))
        return false;
    const struct db_value params[] = {db_text("reading_day"), db_day(before_day)};
    struct rows *r;
    if (!db_query(db, &q_seal_partitions_before, params, 2, &r, err))
        return false;
    bool ok = true, dropped = true;
    for (size_t k = 0; ok && dropped && k < rows_count(r); k++) {
        ok = drop_day(db, rows_text(r, k, PARTITION_NAME), &dropped, err);
        *count += dropped;
    }
    rows_free(r);
    return ok;
}

/* A day at a time, so that none takes long however many have gathered. */
static bool forget_summaries(struct db *db, int32_t before_day, struct err *err)
{
    const struct db_value before = db_day(before_day);
    for (int64_t forgotten = 1; forgotten;)
        if (!db_exec(db, &q_seal_forget_day, &before, 1, &forgotten, err))
            return false;
    return true;
}

bool seal_retain(struct db *db, int64_t now_us, const struct seal_keep *keep, int64_t *dropped,
                 struct err *err)
{
    int32_t today = day_of(now_us);
    *dropped = 0;
    if (keep->raw_days && !drop_raw(db, (int32_t)(today - keep->raw_days), dropped, err))
        return err_in(err, "retention");
    if (keep->summary_days && !forget_summaries(db, (int32_t)(today - keep->summary_days), err))
        return err_in(err, "retention");
    if (*dropped)
        log_info("seal.dropped", "partitions=%" PRId64, *dropped);
    return true;
}
