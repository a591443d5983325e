/*
 * Inside the database layer only: the connection, and the one place where it is waited for.
 *
 * Each public call sets the moment at which it gives up (link_start), then sends and receives with the calls
 * below. None of libpq's blocking calls is used once the connection is begun.
 */
#ifndef SQL_DB_LINK_H
#define SQL_DB_LINK_H

#include "buffer.h"
#include "db.h"

#include <libpq-fe.h>

struct db {
    PGconn *conn;
    int64_t deadline_ms; /* 0: none */
    int64_t until_ms;    /* of the monotonic clock: when the running call gives up */
    bool broken;
    const struct query **prepared;
    size_t prepared_count, prepared_room;
    const struct query *copying; /* NULL outside of a COPY */
    struct buffer copy_text;
    struct buffer arrays; /* parameters of the statement that is being sent */
    bool piping;          /* db_begin_piped: statements are queued only */
    bool is_sent;         /* db_commit_send: the outcome is still to be read */
    struct buffer piped;  /* of what was queued, in order */
};

struct rows {
    PGresult *result;
};

/* One of several hosts of a connection string; NULL: not said. */
struct link_host {
    char *host, *hostaddr, *port;
};
struct link_hosts {
    struct link_host *all;
    size_t count;
};

/* The hosts that the string, or where it names none the environment, names; at least one. */
bool link_hosts_read(struct link_hosts *hosts, const char *conninfo, struct err *err);
void link_hosts_free(struct link_hosts *hosts);

extern const char link_hint_host[], link_hint_login[];
/* One sentence on one line: libpq's own messages span several. */
void link_one_line(char *text);

/* db_connect.c */
/* host NULL: the one that the string or the environment names. */
bool link_open(struct db *db, const char *conninfo, const char *application, const struct link_host *host,
               struct err *err);

/* The call that begins now has the session's deadline. False on a broken connection or inside a COPY. */
bool link_start(struct db *db, struct err *err);
void link_restart_deadline(struct db *db);
bool link_deadline_is_over(const struct db *db);
/* The only wait of this layer. *events comes back as what the socket is ready for. */
bool link_wait(struct db *db, const char *what, short *events, struct err *err);
/* Sends what is queued. */
bool link_flush(struct db *db, const char *what, struct err *err);
/* Waits until there is room to queue more. */
bool link_wait_for_room(struct db *db, const char *what, struct err *err);
/* Success with *result NULL: the statement is over. The result may be an error of the server. */
bool link_result(struct db *db, const char *what, PGresult **result, struct err *err);
/* The next row of a COPY TO STDOUT, to be freed with PQfreemem; *bytes -1: there is no more. */
bool link_copied(struct db *db, const char *what, char **row, int *bytes, struct err *err);
/* Takes and drops what is left of a statement; a failure among it is reported. */
bool link_drain(struct db *db, const char *what, struct err *err);

/* libpq itself refused to send: the link is given up. */
bool link_lost(struct db *db, const char *what, struct err *err);
/* Fills *err from the server's refusal, frees the result and takes what else the statement left. */
bool link_refused(struct db *db, const char *what, PGresult *result, struct err *err);

/* As link_refused, but what else the statement left stays to be read. */
bool link_fill_refusal(struct db *db, const char *what, PGresult *result, struct err *err);

/* Statements, db.c. */
enum { FORM_TEXT, FORM_BINARY, STATEMENT_TEXT = 100 };
/* How a statement is called in messages. */
const char *statement_text(const struct query *q, char room[static STATEMENT_TEXT]);
bool link_is_prepared(const struct db *db, const struct query *q);
bool link_note_prepared(struct db *db, const struct query *q, struct err *err);
/* Queues the running of a prepared statement; the cells of its rows will have the form. */
bool link_send(struct db *db, const struct query *q, const struct db_value *params, int count, int form,
               const char *what, struct err *err);

/* Inside db_begin_piped. Giving up leaves the transaction open. */
bool link_pipe_add(struct db *db, const struct query *q, const struct db_value *params, int count,
                   const char *what, struct err *err);
bool link_pipe_commit(struct db *db, struct err *err);
void link_pipe_give_up(struct db *db);

/* Sends a text of one or more statements without parameters and takes all results. 'last' (may be NULL) gets
 * the last one's command tag. */
bool link_simple(struct db *db, const char *what, const char *text, char last[static 32], struct err *err);

enum { VALUE_TEXT = 64 };
/* The text form of a number, moment, day or bool, in 'room'; the text itself of a text; NULL for null.
 * DB_BYTES and DB_ARRAY have none. */
const char *value_text(const struct db_value *v, char room[static VALUE_TEXT]);
/* Adds the binary form of an array, the statement's parameter number 'param' (from 0). */
void link_array(const struct query *q, int param, const struct db_value *array, struct buffer *out);

#endif
