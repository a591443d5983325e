#include "db_link.h"

#include "base/clock.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>

static const char HINT_PREPARE[] = "run 'vaneward-collector prepare' as the owner of the schema";
const char link_hint_host[] = "check host and port, and that the database server runs";
const char link_hint_login[] = "check user, password and database of the connection string";

void link_one_line(char *text)
{
    char *to = text;
    for (const char *from = text; *from; from++) {
        bool blank = *from == '\n' || *from == '\t' || *from == ' ';
        if (!blank)
            *to++ = *from;
        else if (to > text && to[-1] != ' ')
            *to++ = ' ';
    }
    while (to > text && to[-1] == ' ')
        to--;
    *to = '\0';
}

void link_restart_deadline(struct db *db)
{
    db->until_ms = db->deadline_ms ? clock_mono_ms() + db->deadline_ms : INT64_MAX;
}

bool link_deadline_is_over(const struct db *db)
{
    return clock_mono_ms() >= db->until_ms;
}

bool link_start(struct db *db, struct err *err)
{
    if (db->copying)
        BUG("a statement inside COPY '%s'", db->copying->name);
    if (db->piping)
        BUG("a statement with an answer inside a piped transaction");
    link_restart_deadline(db);
    if (db->broken) {
        err_set(err, ERR_UNAVAILABLE, "the connection to the database was lost");
        return err_hint(err, "%s", link_hint_host);
    }
    return true;
}

bool link_lost(struct db *db, const char *what, struct err *err)
{
    char why[1000];
    snprintf(why, sizeof why, "%s", PQerrorMessage(db->conn));
    link_one_line(why);
    db->broken = true;
    err_set(err, ERR_UNAVAILABLE, "%s: %s", what, *why ? why : "the connection to the database was lost");
    return err_hint(err, "%s", link_hint_host);
}

bool link_wait(struct db *db, const char *what, short *events, struct err *err)
{
    struct pollfd p = {.fd = PQsocket(db->conn), .events = *events};
    for (;;) {
        int64_t left = db->until_ms - clock_mono_ms();
        int n = p.fd < 0 || left <= 0 ? 0 : poll(&p, 1, left > 60000 ? 60000 : (int)left);
        if (n > 0) {
            *events = p.revents;
            return true;
        }
        if (n < 0 && errno != EINTR)
            return err_set(err, ERR_SYSTEM, "%s: cannot wait for the database: %s", what, strerror(errno));
        if (p.fd < 0)
            return link_lost(db, what, err);
        if (link_deadline_is_over(db)) {
            db->broken = true;
            err_set(err, ERR_UNAVAILABLE, "%s: the database did not answer in time", what);
            return err_hint(err, "%s", link_hint_host);
        }
    }
}

static bool consume(struct db *db, const char *what, struct err *err)
{
    /* A server that shuts down says so before it closes: what it said is among the results still to read. */
    if (!PQconsumeInput(db->conn) && PQisBusy(db->conn))
        return link_lost(db, what, err);
    return true;
}

bool link_flush(struct db *db, const char *what, struct err *err)
{
    int left;
    while ((left = PQflush(db->conn)) == 1) {
        short events = POLLIN | POLLOUT; /* a server that cannot get rid of its answer takes nothing more */
        if (!link_wait(db, what, &events, err) || (events & POLLIN && !consume(db, what, err)))
            return false;
    }
    return left == 0 || link_lost(db, what, err);
}

bool link_wait_for_room(struct db *db, const char *what, struct err *err)
{
    short events = POLLOUT;
    return link_wait(db, what, &events, err);
}

/*
 * Whether there is no result yet. For want of memory libpq leaves an answer that came (that a COPY may begin)
 * where it lies and is busy, though nothing more will come: without memory for a result the program ends,
 * with it libpq takes the answer at the second look.
 */
static bool is_busy(struct db *db)
{
    enum { RESULT_BYTES = 2048 };
    if (!PQisBusy(db->conn))
        return false;
    PGresult *probe = PQmakeEmptyPGresult(NULL, PGRES_COMMAND_OK);
    if (!probe || !PQresultAlloc(probe, RESULT_BYTES))
        err_no_memory();
    PQclear(probe);
    return PQisBusy(db->conn);
}

bool link_result(struct db *db, const char *what, PGresult **result, struct err *err)
{
    while (is_busy(db)) {
        short events = POLLIN;
        if (!link_wait(db, what, &events, err) || !consume(db, what, err))
            return false;
    }
    *result = PQgetResult(db->conn);
    return true;
}

bool link_copied(struct db *db, const char *what, char **row, int *bytes, struct err *err)
{
    short events = POLLIN;
    while ((*bytes = PQgetCopyData(db->conn, row, 1)) == 0) {
        link_restart_deadline(db); /* the time that the caller takes with a row is not the server's */
        if (!link_wait(db, what, &events, err) || !consume(db, what, err))
            return false;
    }
    return *bytes != -2 || link_lost(db, what, err);
}

static bool in_class(const char *state, const char *const *classes)
{
    for (; *classes; classes++)
        if (!strncmp(state, *classes, strlen(*classes)))
            return true;
    return false;
}

static enum err_kind kind_of(const char *state, const char **hint)
{
    /* 40: deadlock and the like, 55P03: a lock is held, 25006: a standby, 25P03: it was idle in a
     * transaction; all pass by themselves. */
    static const char *const later[] = {"08", "40", "53", "57", "58", "55P03", "25006", "25P03", NULL};
    static const char *const schema[] = {"3F", "42P01", "42703", "42883", NULL};
    static const char *const rights[] = {"42501", NULL};
    static const char *const login[] = {"28", "3D", NULL};

    *hint = NULL;
    if (in_class(state, later))
        return ERR_UNAVAILABLE;
    if (in_class(state, schema))
        *hint = HINT_PREPARE;
    else if (in_class(state, rights))
        *hint = "connect as a role that was granted this, or run 'vaneward-collector prepare' as the owner";
    else if (in_class(state, login))
        *hint = link_hint_login;
    return *hint ? ERR_CONFIG : ERR_REJECTED;
}

bool link_fill_refusal(struct db *db, const char *what, PGresult *result, struct err *err)
{
    const char *state = PQresultErrorField(result, PG_DIAG_SQLSTATE);
    const char *primary = PQresultErrorField(result, PG_DIAG_MESSAGE_PRIMARY);
    const char *detail = PQresultErrorField(result, PG_DIAG_MESSAGE_DETAIL);
    if (PQstatus(db->conn) == CONNECTION_BAD)
        db->broken = true;
    if (!state || !primary) { /* libpq's own words: the server is gone */
        PQclear(result);
        return link_lost(db, what, err);
    }
    if (err->kind == ERR_NONE) {
        const char *hint;
        enum err_kind kind = kind_of(state, &hint);
        err_set(err, kind, "%s: %s%s%s", what, primary, detail ? ": " : "", detail ? detail : "");
        link_one_line(err->text);
        snprintf(err->sqlstate, sizeof err->sqlstate, "%s", state);
        if (hint)
            err_hint(err, "%s", hint);
    }
    PQclear(result);
    return false;
}

static bool is_copy(const PGresult *r)
{
    ExecStatusType s = PQresultStatus(r);
    return s == PGRES_COPY_IN || s == PGRES_COPY_OUT || s == PGRES_COPY_BOTH;
}

/* Only giving up the link ends it for sure. */
static bool refuse_copy(struct db *db, const char *what, PGresult *result, struct err *err)
{
    db->broken = true;
    PQclear(result);
    return err_set(err, ERR_REJECTED, "%s: begins a COPY where none is expected", what);
}

bool link_drain(struct db *db, const char *what, struct err *err)
{
    bool good = true;
    for (PGresult *r;;) {
        if (!link_result(db, what, &r, err))
            return false;
        if (!r)
            return good;
        if (PQresultStatus(r) == PGRES_FATAL_ERROR) {
            good = link_fill_refusal(db, what, r, err);
            continue;
        }
        if (is_copy(r))
            return refuse_copy(db, what, r, err);
        PQclear(r);
    }
}

bool link_refused(struct db *db, const char *what, PGresult *result, struct err *err)
{
    link_fill_refusal(db, what, result, err);
    struct err ignored = {0}; /* the first failure counts */
    return link_drain(db, what, &ignored) && false;
}

bool link_simple(struct db *db, const char *what, const char *text, char last[static 32], struct err *err)
{
    last[0] = '\0';
    if (!PQsendQuery(db->conn, text))
        return link_lost(db, what, err);
    if (!link_flush(db, what, err))
        return false;
    for (PGresult *r;;) {
        if (!link_result(db, what, &r, err))
            return false;
        if (!r)
            return true;
        ExecStatusType s = PQresultStatus(r);
        if (s != PGRES_COMMAND_OK && s != PGRES_TUPLES_OK && s != PGRES_EMPTY_QUERY)
            return is_copy(r) ? refuse_copy(db, what, r, err) : link_refused(db, what, r, err);
        snprintf(last, 32, "%s", PQcmdStatus(r));
        PQclear(r);
    }
}
