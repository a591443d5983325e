/*
 * Rows gathered into one array a column, the parameters of a statement that takes them with unnest: one
 * round trip for any number of rows.
 */
#ifndef COLLECTOR_COLUMNS_H
#define COLLECTOR_COLUMNS_H

#include "db.h"

struct columns;

enum { COLUMNS_MOST = 20 };

struct columns *columns_new(struct arena *mem, int width);
/* cells: width of them, of the types of db_array; texts must stay where they are. */
void columns_add(struct columns *c, const struct db_value *cells);
size_t columns_rows(const struct columns *c);
/* Fills one parameter a column; they hold as long as nothing is added. */
void columns_params(const struct columns *c, struct db_value *params);
/* Runs a statement whose parameters are the columns; no rows: does nothing. *affected may be NULL. */
MUST_USE bool columns_exec(const struct columns *c, struct db *db, const struct query *q, int64_t *affected,
                           struct err *err);
MUST_USE bool columns_query(const struct columns *c, struct db *db, const struct query *q, struct rows **rows,
                            struct err *err);

#endif
