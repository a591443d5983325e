#include "db_link.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A statement that was queued, or its preparation. */
struct piped {
    const struct query *query;
    bool prepares;
};

static const struct query begin = {"begin", "BEGIN", 0}, commit = {"commit", "COMMIT", 0};

static struct piped *queue(struct db *db, const struct query *q, bool prepares)
{
    struct piped *p = buffer_room(&db->piped, sizeof *p);
    db->piped.used += sizeof *p;
    *p = (struct piped){q, prepares};
    return p;
}

static bool will_be_prepared(const struct db *db, const struct query *q)
{
    const struct piped *all = (const struct piped *)(const void *)db->piped.data;
    for (size_t k = 0; k < db->piped.used / sizeof *all; k++)
        if (all[k].prepares && all[k].query == q)
            return true;
    return link_is_prepared(db, q);
}

bool link_pipe_add(struct db *db, const struct query *q, const struct db_value *params, int count,
                   const char *what, struct err *err)
{
    if (!will_be_prepared(db, q)) {
        if (!PQsendPrepare(db->conn, q->name, q->text, 0, NULL))
            return link_lost(db, what, err);
        queue(db, q, true);
    }
    queue(db, q, false);
    /* The server begins with it while the next one is made; what does not go out now goes later. */
    return link_send(db, q, params, count, FORM_TEXT, what, err) &&
           (PQflush(db->conn) >= 0 || link_lost(db, what, err));
}

bool db_begin_piped(struct db *db, struct err *err)
{
    if (!link_start(db, err))
        return false;
    if (PQtransactionStatus(db->conn) != PQTRANS_IDLE)
        BUG("a transaction inside a transaction");
    if (!PQenterPipelineMode(db->conn))
        return link_lost(db, "cannot begin a transaction", err);
    db->piping = true;
    db->piped.used = 0;
    return link_pipe_add(db, &begin, NULL, 0, "cannot begin a transaction", err);
}

/* What came of one statement; *failed once one has, since the later ones are not run then. */
static bool take_result(struct db *db, const struct piped *p, bool *failed, struct err *err)
{
    char what[STATEMENT_TEXT];
    PGresult *r, *end;
    if (!link_result(db, statement_text(p->query, what), &r, err))
        return false;
    if (!r)
        return link_lost(db, what, err);
    switch ((int)PQresultStatus(r)) {
    case PGRES_COMMAND_OK:
    case PGRES_TUPLES_OK:
        if (p->prepares && !link_note_prepared(db, p->query, err))
            *failed = true;
        /* The server answers COMMIT of a failed transaction with success and the tag ROLLBACK. */
        if (p->query == &commit && !p->prepares && strcmp(PQcmdStatus(r), "COMMIT") != 0)
            *failed |=
                !err_set(err, ERR_REJECTED, "cannot commit: a statement of the transaction had failed");
        PQclear(r);
        break;
    case PGRES_PIPELINE_ABORTED:
        PQclear(r);
        break;
    default:
        *failed = true;
        link_fill_refusal(db, what, r, err);
        if (db->broken)
            return false;
    }
    return link_result(db, what, &end, err) && (!end || link_lost(db, what, err));
}

/* All results up to the end of the pipe. False: the link is gone. */
static bool take_results(struct db *db, bool *failed, struct err *err)
{
    const struct piped *all = (const struct piped *)(const void *)db->piped.data;
    PGresult *end;
    for (size_t k = 0; k < db->piped.used / sizeof *all; k++)
        if (!take_result(db, &all[k], failed, err))
            return false;
    if (!link_result(db, "the end of a pipe", &end, err))
        return false;
    bool good = end && PQresultStatus(end) == PGRES_PIPELINE_SYNC;
    PQclear(end);
    return (good && PQexitPipelineMode(db->conn)) || link_lost(db, "the end of a pipe", err);
}

static const char sending[] = "cannot send a transaction";

/* Ends the queue; as much as the link takes at once is sent. */
static bool close_pipe(struct db *db, struct err *err)
{
    db->is_sent = PQpipelineSync(db->conn);
    return db->is_sent || link_lost(db, sending, err);
}

/* Sends the rest and learns what came of it. */
static bool end_pipe(struct db *db, struct err *err)
{
    bool failed = false;
    db->piping = db->is_sent = false;
    return link_flush(db, sending, err) && take_results(db, &failed, err) && !failed;
}

bool db_commit_send(struct db *db, struct err *err)
{
    link_restart_deadline(db);
    return link_pipe_add(db, &commit, NULL, 0, "cannot commit", err) && close_pipe(db, err);
}

/* The server's answers come all together, at the end of the pipe. */
bool db_commit_is_over(struct db *db)
{
    return PQflush(db->conn) < 0 || !PQconsumeInput(db->conn) || !PQisBusy(db->conn) ||
           link_deadline_is_over(db);
}

bool link_pipe_commit(struct db *db, struct err *err)
{
    return (db->is_sent || db_commit_send(db, err)) && end_pipe(db, err);
}

void link_pipe_give_up(struct db *db)
{
    struct err ignored = {0};
    /* What is queued may be under way already: only its end shows where the link stands. */
    if (!db->broken && (db->is_sent || close_pipe(db, &ignored)))
        (void)!end_pipe(db, &ignored);
    db->piping = db->is_sent = false;
}
