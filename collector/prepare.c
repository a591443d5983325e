#include "prepare.h"

#include "base/clock.h"
#include "migrate.h"
#include "queries.h"
#include "settings.h"

#include <stdio.h>

static bool make_partitions(struct db *db, int64_t *made, struct err *err)
{
    const struct db_value today = db_day(day_of(clock_now_us()));
    struct rows *rows;
    if (!db_query(db, &q_prepare_partitions, &today, 1, &rows, err))
        return false;
    *made = rows_int(rows, 0, 0);
    rows_free(rows);
    return true;
}

static bool prepare(struct db *db, struct err *err)
{
    int steps;
    int64_t partitions;
    if (!migrate(db, &steps, err) || !make_partitions(db, &partitions, err))
        return false;
    if (settings.json)
        printf("{\"steps\": %d, \"partitions\": %lld}\n", steps, (long long)partitions);
    else
        printf("schema: %d step%s applied; partitions of today and tomorrow: %lld made\n", steps,
               steps == 1 ? "" : "s", (long long)partitions);
    return true;
}

int prepare_command(const char *const *args, int count, struct err *err)
{
    (void)args, (void)count; /* none, by the table of commands */
    struct db *db;
    if (!settings_open_unprepared(&db, err))
        return err_exit_status(err->kind);
    bool good = prepare(db, err);
    db_close(db);
    return good ? 0 : err_exit_status(err->kind);
}
