#include "migrate.h"

#include "queries.h"

#include <string.h>

/* Held until the transaction ends, so that two programs never change the schema at once. Waiting is bounded,
 * for this lock and for those of the step itself. */
static const char LOCK[] = "SET LOCAL lock_timeout = '60s';"
                           "SELECT pg_advisory_xact_lock(hashtextextended('vaneward schema', 0))";

static const char RECORD[] =
    "CREATE SCHEMA IF NOT EXISTS vaneward;"
    "CREATE TABLE vaneward.schema_version ("
    "    number      integer PRIMARY KEY,"
    "    name        text NOT NULL,"
    "    checksum    text NOT NULL,"
    "    applied_at  timestamptz NOT NULL DEFAULT now());"
    "COMMENT ON TABLE vaneward.schema_version IS 'Steps of the schema that were applied';"
    "COMMENT ON COLUMN vaneward.schema_version.number IS 'Number of the step, from 1';"
    "COMMENT ON COLUMN vaneward.schema_version.name IS 'What it is about';"
    "COMMENT ON COLUMN vaneward.schema_version.checksum IS 'SHA-256 of its text, in hexadecimal';"
    "COMMENT ON COLUMN vaneward.schema_version.applied_at IS 'When it was applied';";

static bool schema_exists(struct db *db, bool *known, struct err *err)
{
    struct rows *rows;
    if (!db_query(db, &q_schema_exists, NULL, 0, &rows, err))
        return false;
    *known = rows_bool(rows, 0, 0);
    rows_free(rows);
    return true;
}

static bool newest_step(struct db *db, int *number, struct err *err)
{
    struct rows *rows;
    if (!db_query(db, &q_schema_newest, NULL, 0, &rows, err))
        return false;
    *number = (int)rows_int(rows, 0, 0);
    rows_free(rows);
    return true;
}

static int last_known_step(void)
{
    int last = 0;
    for (const struct migration *m = migrations; m->number; m++)
        last = m->number;
    return last;
}

static bool is_newer(int newest, struct err *err)
{
    if (newest <= last_known_step())
        return false;
    err_set(err, ERR_CONFIG, "the database has schema step %d, this program knows steps up to %d", newest,
            last_known_step());
    err_hint(err, "install the program that belongs to this database, or a later one");
    return true;
}

static bool make_record(struct db *db, struct err *err)
{
    bool known;
    if (!db_script(db, "schema lock", LOCK, err) || !schema_exists(db, &known, err))
        return false;
    return known || db_script(db, "schema_version", RECORD, err);
}

/* True with *due false: it was applied before. */
static bool step_is_due(struct db *db, const struct migration *m, bool *due, struct err *err)
{
    const struct db_value params[] = {db_int(m->number), db_text(m->text)};
    enum { CHECKSUM, APPLIED };
    struct rows *rows;
    if (!db_query(db, &q_schema_step, params, 2, &rows, err))
        return false;
    *due = rows_null(rows, 0, APPLIED);
    bool same = *due || strcmp(rows_text(rows, 0, CHECKSUM), rows_text(rows, 0, APPLIED)) == 0;
    rows_free(rows);
    if (!same) {
        err_set(err, ERR_CONFIG, "it was applied to this database with another text");
        err_hint(err, "a released step is never edited: use the program that belongs to this database");
    }
    return same;
}

static bool apply_step(struct db *db, const struct migration *m, int *applied, struct err *err)
{
    const struct db_value params[] = {db_int(m->number), db_text(m->name), db_text(m->text)};
    int newest;
    bool due;
    if (!db_script(db, "schema lock", LOCK, err) || !newest_step(db, &newest, err) || is_newer(newest, err) ||
        !step_is_due(db, m, &due, err))
        return false;
    if (!due)
        return true;
    if (!db_script(db, m->name, m->text, err) || !db_exec(db, &q_schema_record, params, 3, NULL, err))
        return false;
    ++*applied;
    return true;
}

static bool in_transaction_record(struct db *db, struct err *err)
{
    if (!db_begin(db, err))
        return false;
    if (make_record(db, err) && db_commit(db, err))
        return true;
    db_rollback(db);
    return err_in(err, "cannot record the steps of the schema");
}

static bool in_transaction_step(struct db *db, const struct migration *m, int *applied, struct err *err)
{
    int before = *applied;
    if (!db_begin(db, err))
        return false;
    if (apply_step(db, m, applied, err) && db_commit(db, err))
        return true;
    *applied = before;
    db_rollback(db);
    return err_in(err, "schema step %d '%s'", m->number, m->name);
}

bool migrate(struct db *db, int *applied, struct err *err)
{
    int64_t deadline = db_deadline(db);
    *applied = 0;
    db_set_deadline(db, 0); /* a step over large tables takes its time */
    bool good = in_transaction_record(db, err);
    for (const struct migration *m = migrations; good && m->number; m++)
        good = in_transaction_step(db, m, applied, err);
    db_set_deadline(db, deadline);
    return good;
}

bool migrate_check(struct db *db, struct err *err)
{
    bool known;
    int newest = 0;
    if (!schema_exists(db, &known, err) || (known && !newest_step(db, &newest, err)) || is_newer(newest, err))
        return false;
    if (newest == last_known_step())
        return true;
    if (newest == 0)
        err_set(err, ERR_CONFIG, "the database is not prepared");
    else
        err_set(err, ERR_CONFIG, "the database has schema step %d, this program needs %d", newest,
                last_known_step());
    return err_hint(err, "run 'vaneward-collector prepare'");
}
