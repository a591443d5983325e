#include "settings.h"

#include "base/log.h"
#include "credentials.h"
#include "migrate.h"

struct settings settings = {.credentials = credentials_usual_folder};

const struct opt settings_options[] = {
    {"db", "CONNINFO", "Connection string of the database, else the PG* environment", OPT_TEXT, &settings.db,
     0, 0},
    {"credentials", "DIR",
     "Folder of the credentials that sources.csv names, one file each (/etc/vaneward/credentials)", OPT_TEXT,
     &settings.credentials, 0, 0},
    {"json", NULL, "Print results as JSON", OPT_FLAG, &settings.json, 0, 0},
    {"verbose", NULL, "Log more", OPT_FLAG, &settings.verbose, 0, 0},
    {"quiet", NULL, "Log warnings and errors only", OPT_FLAG, &settings.quiet, 0, 0},
    {0},
};

bool settings_open_unprepared(struct db **db, struct err *err)
{
    return db_open(db, settings.db, "vaneward-collector", err);
}

bool settings_open_where(struct db **db, db_accept_fn *accept, void *context, struct err *err)
{
    if (!db_open_where(db, settings.db, "vaneward-collector", accept, context, err))
        return false;
    if (migrate_check(*db, err))
        return true;
    db_close(*db);
    *db = NULL;
    return false;
}

bool settings_open(struct db **db, struct err *err)
{
    return settings_open_where(db, NULL, NULL, err);
}

void settings_apply_log(void)
{
    log_set_level(settings.verbose ? LOG_LEVEL_DEBUG : settings.quiet ? LOG_LEVEL_WARN : LOG_LEVEL_INFO);
}
