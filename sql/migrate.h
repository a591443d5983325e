/*
 * The schema: numbered steps from migrations/, applied in order under an advisory lock, each in a
 * transaction.
 *
 * A step that was released is never edited: its checksum is stored and compared. A database newer than the
 * program is refused with ERR_CONFIG.
 */
#ifndef SQL_MIGRATE_H
#define SQL_MIGRATE_H

#include "db.h"

struct migration {
    int number;
    const char *name, *text;
};
extern const struct migration migrations[]; /* made from migrations/ at build time; number 0 ends it */

/* Applies what is missing; *applied counts the steps. */
MUST_USE bool migrate(struct db *db, int *applied, struct err *err);
/* ERR_CONFIG with a hint to run prepare, when the database is older or newer than this program. */
MUST_USE bool migrate_check(struct db *db, struct err *err);

#endif
