#include "db.h"

#include "db_link.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MAX_PARAMS = 100, VOID_OID = 2278 };

const char *statement_text(const struct query *q, char room[static STATEMENT_TEXT])
{
    snprintf(room, STATEMENT_TEXT, "statement '%s'", q->name);
    return room;
}

bool db_open(struct db **out, const char *conninfo, const char *application, struct err *err)
{
    return db_open_where(out, conninfo, application, NULL, NULL, err);
}

static bool open_host(struct db **out, const char *conninfo, const char *application,
                      const struct link_host *host, struct err *err)
{
    struct db *db = calloc(1, sizeof *db);
    if (!db)
        return err_set(err, ERR_SYSTEM, "no memory for a connection to the database");
    if (!link_open(db, conninfo, application, host, err)) {
        db_close(db);
        return false;
    }
    *out = db;
    return true;
}

bool db_open_where(struct db **out, const char *conninfo, const char *application, db_accept_fn *accept,
                   void *context, struct err *err)
{
    struct link_hosts hosts;
    struct err first = {0};
    *out = NULL;
    if (!link_hosts_read(&hosts, conninfo, err))
        return false;
    for (size_t k = 0; k < hosts.count && !*out; k++) {
        struct err why = {0};
        if (open_host(out, conninfo, application, hosts.count > 1 ? &hosts.all[k] : NULL, &why) && accept &&
            !accept(context, *out, &why)) {
            db_close(*out);
            *out = NULL;
        }
        if (!*out && (first.kind == ERR_NONE || why.kind == ERR_UNAVAILABLE))
            first = why; /* one that may come back counts for more than one that is set up wrongly */
    }
    link_hosts_free(&hosts);
    if (!*out)
        *err = first;
    return *out != NULL;
}

void db_close(struct db *db)
{
    if (!db)
        return;
    PQfinish(db->conn);
    buffer_free(&db->copy_text);
    buffer_free(&db->arrays);
    buffer_free(&db->piped);
    free(db->prepared);
    free(db);
}

void db_set_deadline(struct db *db, int64_t ms)
{
    db->deadline_ms = ms;
}

int64_t db_deadline(const struct db *db)
{
    return db->deadline_ms;
}

bool db_is_broken(const struct db *db)
{
    return db->broken;
}

int db_socket(const struct db *db)
{
    return PQsocket(db->conn);
}

const char *db_redacted(const char *conninfo, struct arena *mem)
{
    if (!conninfo || !*conninfo)
        return "the PG* environment";
    PQconninfoOption *options = PQconninfoParse(conninfo, NULL);
    if (!options)
        return strpbrk(conninfo, "=:@") ? "an unreadable connection string" : arena_strdup(mem, conninfo);
    const char *text = "";
    for (const PQconninfoOption *o = options; o->keyword; o++) {
        if (!o->val || *o->dispchar == '*')
            continue;
        bool plain = *o->val && !strpbrk(o->val, " '\\");
        const char *quote = plain ? "" : "'";
        text = arena_printf(mem, "%s%s%s=%s%s%s", text, *text ? " " : "", o->keyword, quote, o->val, quote);
    }
    PQconninfoFree(options);
    return text;
}

bool db_begin(struct db *db, struct err *err)
{
    char tag[32];
    if (!link_start(db, err))
        return false;
    if (PQtransactionStatus(db->conn) != PQTRANS_IDLE)
        BUG("a transaction inside a transaction");
    return link_simple(db, "cannot begin a transaction", "BEGIN", tag, err);
}

bool db_commit(struct db *db, struct err *err)
{
    char tag[32];
    if (db->piping)
        return link_pipe_commit(db, err);
    if (!link_start(db, err) || !link_simple(db, "cannot commit", "COMMIT", tag, err))
        return false;
    /* The server answers COMMIT of a failed transaction with success and the tag ROLLBACK. */
    if (strcmp(tag, "COMMIT") != 0)
        return err_set(err, ERR_REJECTED, "cannot commit: a statement of the transaction had failed");
    return true;
}

void db_rollback(struct db *db)
{
    struct err ignored = {0};
    char tag[32];

    link_restart_deadline(db);
    if (db->piping)
        link_pipe_give_up(db);
    if (db->copying) {
        db->copying = NULL;
        db->copy_text.used = 0;
        if (!db->broken && PQputCopyEnd(db->conn, "given up") < 0)
            db->broken = true;
        if (!db->broken && link_flush(db, "rollback", &ignored))
            (void)!link_drain(db, "rollback", &ignored);
    }
    if (db->broken || PQtransactionStatus(db->conn) == PQTRANS_IDLE)
        return;
    err_clear(&ignored);
    if (!link_simple(db, "rollback", "ROLLBACK", tag, &ignored))
        db->broken = true;
}

static bool mark_step(struct db *db, const char *text, struct err *err)
{
    char tag[32];
    return link_start(db, err) && link_simple(db, "cannot mark a transaction", text, tag, err);
}

bool db_mark(struct db *db, struct err *err)
{
    return mark_step(db, "SAVEPOINT mark", err);
}

bool db_forget_mark(struct db *db, struct err *err)
{
    return mark_step(db, "RELEASE SAVEPOINT mark", err);
}

bool db_back_to_mark(struct db *db, struct err *err)
{
    return mark_step(db, "ROLLBACK TO SAVEPOINT mark; RELEASE SAVEPOINT mark", err);
}

bool link_is_prepared(const struct db *db, const struct query *q)
{
    for (size_t i = 0; i < db->prepared_count; i++)
        if (db->prepared[i] == q)
            return true;
    return false;
}

bool link_note_prepared(struct db *db, const struct query *q, struct err *err)
{
    if (db->prepared_count == db->prepared_room) {
        size_t room = db->prepared_room ? 2 * db->prepared_room : 32;
        const struct query **list = realloc(db->prepared, room * sizeof *list);
        if (!list)
            return err_set(err, ERR_SYSTEM, "no memory for one more statement");
        db->prepared = list;
        db->prepared_room = room;
    }
    db->prepared[db->prepared_count++] = q;
    return true;
}

static bool prepare(struct db *db, const struct query *q, const char *what, struct err *err)
{
    if (link_is_prepared(db, q))
        return true;
    if (!PQsendPrepare(db->conn, q->name, q->text, 0, NULL))
        return link_lost(db, what, err);
    return link_flush(db, what, err) && link_drain(db, what, err) && link_note_prepared(db, q, err);
}

/* All arrays among the parameters, one after the other: their places move while there come more. */
static void make_arrays(struct db *db, const struct query *q, const struct db_value *params, int count,
                        const char **values, int *lengths)
{
    struct buffer *b = &db->arrays;
    size_t at = b->used = 0;
    for (int i = 0; i < count; i++) {
        if (params[i].type != DB_ARRAY)
            continue;
        link_array(q, i, &params[i], b);
        lengths[i] = (int)(b->used - at);
        at = b->used;
    }
    at = 0;
    for (int i = 0; i < count; i++) {
        if (params[i].type != DB_ARRAY)
            continue;
        values[i] = b->data + at;
        at += (size_t)lengths[i];
    }
}

bool link_send(struct db *db, const struct query *q, const struct db_value *params, int count, int form,
               const char *what, struct err *err)
{
    char room[MAX_PARAMS][VALUE_TEXT];
    const char *values[MAX_PARAMS];
    int lengths[MAX_PARAMS], formats[MAX_PARAMS];

    if (count != q->params || count > MAX_PARAMS)
        BUG("%s has %d parameters and got %d", what, q->params, count);
    for (int i = 0; i < count; i++) {
        bool is_bytes = params[i].type == DB_BYTES;
        values[i] = is_bytes ? params[i].pointer : value_text(&params[i], room[i]);
        if (is_bytes && !values[i] && params[i].bytes == 0)
            values[i] = ""; /* no bytes at all is not null */
        lengths[i] = (int)params[i].bytes;
        formats[i] = is_bytes || params[i].type == DB_ARRAY;
    }
    make_arrays(db, q, params, count, values, lengths);
    if (!PQsendQueryPrepared(db->conn, q->name, count, values, lengths, formats, form))
        return link_lost(db, what, err);
    return true;
}

static bool send(struct db *db, const struct query *q, const struct db_value *params, int count, int form,
                 const char *what, struct err *err)
{
    return prepare(db, q, what, err) && link_send(db, q, params, count, form, what, err);
}

/* The one result of a statement that was sent. */
static bool receive(struct db *db, const char *what, PGresult **result, struct err *err)
{
    if (!link_flush(db, what, err) || !link_result(db, what, result, err))
        return false;
    if (!*result)
        return link_lost(db, what, err);
    ExecStatusType s = PQresultStatus(*result);
    if (s == PGRES_COMMAND_OK || s == PGRES_TUPLES_OK) {
        if (link_drain(db, what, err))
            return true;
        PQclear(*result);
        return false;
    }
    if (s == PGRES_FATAL_ERROR)
        return link_refused(db, what, *result, err);
    PQclear(*result);
    db->broken = true; /* a COPY that was not begun as one */
    return err_set(err, ERR_REJECTED, "%s: cannot be run as a plain statement", what);
}

/* No columns, or nothing but calls of functions that return void. */
static bool has_no_rows(const PGresult *r)
{
    for (int i = 0; i < PQnfields(r); i++)
        if (PQftype(r, i) != VOID_OID)
            return false;
    return true;
}

bool db_exec(struct db *db, const struct query *q, const struct db_value *params, int count,
             int64_t *affected, struct err *err)
{
    char what[STATEMENT_TEXT];
    PGresult *result;
    if (db->piping)
        return link_pipe_add(db, q, params, count, statement_text(q, what), err);
    if (!link_start(db, err) || !send(db, q, params, count, FORM_TEXT, statement_text(q, what), err) ||
        !receive(db, what, &result, err))
        return false;
    bool good = has_no_rows(result);
    if (!good)
        err_set(err, ERR_REJECTED, "%s: gives rows where none are expected", what);
    else if (affected)
        *affected = atoll(PQcmdTuples(result));
    PQclear(result);
    return good;
}

bool db_query(struct db *db, const struct query *q, const struct db_value *params, int count,
              struct rows **rows, struct err *err)
{
    char what[STATEMENT_TEXT];
    PGresult *result;
    *rows = NULL;
    if (!link_start(db, err) || !send(db, q, params, count, FORM_TEXT, statement_text(q, what), err) ||
        !receive(db, what, &result, err))
        return false;
    if (PQresultStatus(result) != PGRES_TUPLES_OK) {
        PQclear(result);
        return err_set(err, ERR_REJECTED, "%s: gives no rows where some are expected", what);
    }
    *rows = malloc(sizeof **rows);
    if (!*rows) {
        PQclear(result);
        return err_set(err, ERR_SYSTEM, "%s: no memory for its rows", what);
    }
    (*rows)->result = result;
    return true;
}

/* One result of a streamed statement: a row, the end, or a failure. */
static bool stream_step(struct db *db, const char *what, PGresult *r, db_row_fn *on_row, void *context,
                        struct err *err)
{
    switch ((int)PQresultStatus(r)) {
    case PGRES_SINGLE_TUPLE: {
        const struct rows row = {r};
        bool go_on = on_row(context, &row, err);
        PQclear(r);
        return go_on;
    }
    case PGRES_TUPLES_OK:
        PQclear(r);
        return true;
    case PGRES_FATAL_ERROR:
        return link_refused(db, what, r, err);
    default:
        PQclear(r);
        return err_set(err, ERR_REJECTED, "%s: gives no rows where some are expected", what);
    }
}

bool db_stream(struct db *db, const struct query *q, const struct db_value *params, int count,
               db_row_fn *on_row, void *context, struct err *err)
{
    char what[STATEMENT_TEXT];
    if (!link_start(db, err) || !send(db, q, params, count, FORM_BINARY, statement_text(q, what), err))
        return false;
    if (!PQsetSingleRowMode(db->conn))
        BUG("%s cannot be read row by row", what);
    if (!link_flush(db, what, err))
        return false;
    for (PGresult *r;;) {
        link_restart_deadline(db); /* the time that on_row takes is not the server's */
        if (!link_result(db, what, &r, err))
            return false;
        if (!r)
            return true;
        if (!stream_step(db, what, r, on_row, context, err)) {
            struct err ignored = {0}; /* the first one counts */
            (void)!link_drain(db, what, &ignored);
            return false;
        }
    }
}

bool db_script(struct db *db, const char *name, const char *text, struct err *err)
{
    char tag[32], what[STATEMENT_TEXT];
    snprintf(what, sizeof what, "script '%s'", name);
    return link_start(db, err) && link_simple(db, what, text, tag, err);
}
