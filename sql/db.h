/*
 * The one road to PostgreSQL. The only user of libpq.
 *
 * Statements are the files in queries/, each a struct query (queries.h); they are prepared on first use.
 * Every call waits at most the session's deadline, then the connection is given up and the call fails with
 * ERR_UNAVAILABLE. A session is pinned: search_path, TimeZone UTC, application_name, ISO dates. Passwords are
 * never printed.
 *
 * Kinds of failure: ERR_UNAVAILABLE (no link, shutting down, out of room, a deadlock or held lock, a standby:
 * SQLSTATE classes 08, 40, 53, 57, 58 and 55P03, 25006, 25P03), ERR_REJECTED (class 22, 23 and all other
 * refusals), ERR_CONFIG (no such database, schema, table, column or function, missing rights: 28, 3D, 3F,
 * 42P01, 42703, 42883, 42501). A failed statement inside a transaction fails the transaction: db_rollback.
 *
 * Only the name of a host may be waited for longer: the system's resolver knows no deadline.
 */
#ifndef SQL_DB_H
#define SQL_DB_H

#include "base/arena.h"

#include <stdint.h>

struct db;
struct rows;

struct query {
    const char *name, *text;
    int params;
};

enum db_type { DB_NULL, DB_TEXT, DB_INT, DB_REAL, DB_BOOL, DB_MOMENT, DB_DAY, DB_BYTES, DB_ARRAY };

/* One parameter of a statement or one cell of a COPY row. */
struct db_value {
    enum db_type type;
    union {
        const void *pointer; /* DB_TEXT (NULL is SQL null), DB_BYTES, DB_ARRAY (its elements) */
        int64_t
            integer; /* DB_INT, DB_BOOL, DB_MOMENT (us; TIME_UNKNOWN is null), DB_DAY (DAY_UNKNOWN is null) */
        double real; /* DB_REAL; NAN is null */
    };
    union {
        size_t bytes; /* DB_BYTES */
        size_t count; /* DB_ARRAY */
    };
};

static inline struct db_value db_text(const char *s)
{
    return (struct db_value){.type = DB_TEXT, .pointer = s};
}
static inline struct db_value db_int(int64_t v)
{
    return (struct db_value){.type = DB_INT, .integer = v};
}
static inline struct db_value db_real(double v)
{
    return (struct db_value){.type = DB_REAL, .real = v};
}
static inline struct db_value db_bool(bool v)
{
    return (struct db_value){.type = DB_BOOL, .integer = v};
}
static inline struct db_value db_moment(int64_t us)
{
    return (struct db_value){.type = DB_MOMENT, .integer = us};
}
static inline struct db_value db_day(int32_t day)
{
    return (struct db_value){.type = DB_DAY, .integer = day};
}
static inline struct db_value db_bytes(const void *p, size_t n)
{
    return (struct db_value){.type = DB_BYTES, .pointer = p, .bytes = n};
}
static inline struct db_value db_null(void)
{
    return (struct db_value){.type = DB_NULL};
}
/* A parameter that is an array, sent in binary form: the statement must cast it, as in $1::bigint[], and what
 * is not null must be of the type of its elements. */
static inline struct db_value db_array(const struct db_value *elements, size_t count)
{
    return (struct db_value){.type = DB_ARRAY, .pointer = elements, .count = count};
}
/* A text[] parameter: the array literal of strings, made in mem. A NULL string is a null element. */
struct db_value db_text_array(struct arena *mem, const char *const *strings, size_t count);

/* conninfo NULL or "": the PG* environment. application names the session in pg_stat_activity. */
MUST_USE bool db_open(struct db **db, const char *conninfo, const char *application, struct err *err);
/*
 * As db_open, from a connection string or environment that names several hosts the first one that can be
 * connected to and that 'accept' finds good: each has its own time, and unless the settings say otherwise it
 * must take writes (target_session_attrs). 'accept' may be NULL. (Several hosts of a service file are left to
 * libpq.)
 */
typedef bool db_accept_fn(void *context, struct db *db, struct err *err);
MUST_USE bool db_open_where(struct db **db, const char *conninfo, const char *application,
                            db_accept_fn *accept, void *context, struct err *err);
void db_close(struct db *db);                    /* NULL is fine; an open transaction is rolled back */
void db_set_deadline(struct db *db, int64_t ms); /* for each later call; 0: none; default 30 s */
int64_t db_deadline(const struct db *db);
bool db_is_broken(const struct db *db); /* the link is gone: close and open again */
int db_socket(const struct db *db);     /* of the link, to be cut in an emergency; -1: none */

/* The connection string without its password, for messages. */
const char *db_redacted(const char *conninfo, struct arena *mem);

MUST_USE bool db_begin(struct db *db, struct err *err);
/*
 * A transaction in one round trip: db_exec sends its statement without waiting ('affected' is left alone);
 * they run in order until one fails, and db_commit tells the first failure. Nothing else but db_rollback may
 * be called meanwhile.
 */
MUST_USE bool db_begin_piped(struct db *db, struct err *err);
MUST_USE bool db_commit(struct db *db, struct err *err);
/*
 * The same in two parts, so that other work can be done while the server stores: this sends what is queued,
 * and db_commit waits for what became of it. Nothing else but db_commit_is_over may be called meanwhile, and
 * that now and then: what the link does not take at once, it sends.
 */
MUST_USE bool db_commit_send(struct db *db, struct err *err);
bool db_commit_is_over(struct db *db); /* never waits: db_commit would not either */
void db_rollback(struct db *db);
/* A point inside the transaction to which a part that failed can be taken back; marks nest. */
MUST_USE bool db_mark(struct db *db, struct err *err);
MUST_USE bool db_forget_mark(struct db *db, struct err *err);  /* what was done since stays */
MUST_USE bool db_back_to_mark(struct db *db, struct err *err); /* and forgets it */

/* A statement without rows; calls of functions that return void count as such. *affected may be NULL. */
MUST_USE bool db_exec(struct db *db, const struct query *q, const struct db_value *params, int count,
                      int64_t *affected, struct err *err);
/* A statement with rows; no row at all is a success. Free with rows_free. */
MUST_USE bool db_query(struct db *db, const struct query *q, const struct db_value *params, int count,
                       struct rows **rows, struct err *err);
/* As db_query, one row at a time with flat memory: on_row gets a rows of one row, and false stops (with *err
 * set). The cells come in binary form: each must be read by the function of its column's type. */
typedef bool db_row_fn(void *context, const struct rows *row, struct err *err);
MUST_USE bool db_stream(struct db *db, const struct query *q, const struct db_value *params, int count,
                        db_row_fn *on_row, void *context, struct err *err);
/*
 * As db_stream, by binary COPY: for many rows of few small cells, where making a result of each row would
 * cost more than the row. The statement is planned anew in each call, for the values of its parameters.
 */
enum { DB_COPIED_MOST = 16 };
struct db_copied {
    int count;
    const char *cells[DB_COPIED_MOST]; /* NULL: null */
};
typedef bool db_copied_fn(void *context, const struct db_copied *row, struct err *err);
MUST_USE bool db_copy_out(struct db *db, const struct query *q, const struct db_value *params, int count,
                          db_copied_fn *on_row, void *context, struct err *err);
int32_t copied_int(const struct db_copied *row, int column); /* an integer; null is 0 */
double copied_real(const struct db_copied *row, int column); /* a double precision; null is NAN */
int32_t copied_day(const struct db_copied *row, int column); /* a date; null is DAY_UNKNOWN */
/* Several statements without parameters or results, as in a migration file or upkeep. */
MUST_USE bool db_script(struct db *db, const char *name, const char *text, struct err *err);

size_t rows_count(const struct rows *r);
bool rows_null(const struct rows *r, size_t row, int column);
const char *rows_text(const struct rows *r, size_t row,
                      int column);                              /* NULL for null; lives as long as the rows */
int64_t rows_int(const struct rows *r, size_t row, int column); /* null is 0 */
double rows_real(const struct rows *r, size_t row, int column); /* null is NAN */
bool rows_bool(const struct rows *r, size_t row, int column);   /* null is false */
int64_t rows_moment(const struct rows *r, size_t row, int column); /* null is TIME_UNKNOWN */
int32_t rows_day(const struct rows *r, size_t row, int column);    /* null is DAY_UNKNOWN */
/* A bytea, decoded into mem. */
const uint8_t *rows_bytes(const struct rows *r, size_t row, int column, struct arena *mem, size_t *bytes);
void rows_free(struct rows *r);

/* COPY ... FROM STDIN: begin, rows, end. After a failure inside, db_rollback. */
MUST_USE bool db_copy_begin(struct db *db, const struct query *q, struct err *err);
MUST_USE bool db_copy_row(struct db *db, const struct db_value *cells, int count, struct err *err);
MUST_USE bool db_copy_end(struct db *db, int64_t *copied, struct err *err);

#endif
