/*
 * What every command of the collector can be told, filled from the options before a command runs.
 */
#ifndef COLLECTOR_SETTINGS_H
#define COLLECTOR_SETTINGS_H

#include "base/opts.h"
#include "db.h"

struct settings {
    const char *db;          /* connection string; NULL: the PG* environment */
    const char *credentials; /* folder of secrets */
    bool json;
    bool verbose, quiet;
};
extern struct settings settings;
extern const struct opt settings_options[]; /* --db, --credentials, --json, --verbose, --quiet */

/* Opens the database and makes sure that its schema is the program's. */
MUST_USE bool settings_open(struct db **db, struct err *err);
/* As settings_open, on a server that 'accept' finds good (db_open_where). */
MUST_USE bool settings_open_where(struct db **db, db_accept_fn *accept, void *context, struct err *err);
/* As settings_open, whatever the schema is. */
MUST_USE bool settings_open_unprepared(struct db **db, struct err *err);
/* Sets how much is logged, by --verbose and --quiet. */
void settings_apply_log(void);

#endif
