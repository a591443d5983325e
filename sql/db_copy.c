#include "db_link.h"

#include <stdlib.h>
#include <string.h>

/* Rows are gathered to this size before they are sent. */
enum { COPY_CHUNK = 64 * 1024 };

bool db_copy_begin(struct db *db, const struct query *q, struct err *err)
{
    PGresult *result;
    if (!link_start(db, err))
        return false;
    if (!PQsendQuery(db->conn, q->text))
        return link_lost(db, q->name, err);
    if (!link_flush(db, q->name, err) || !link_result(db, q->name, &result, err))
        return false;
    if (!result)
        return link_lost(db, q->name, err);
    if (PQresultStatus(result) == PGRES_FATAL_ERROR)
        return link_refused(db, q->name, result, err);
    bool ready = PQresultStatus(result) == PGRES_COPY_IN;
    PQclear(result);
    if (!ready) {
        struct err ignored = {0};
        err_set(err, ERR_REJECTED, "%s: is no COPY FROM STDIN", q->name);
        return link_drain(db, q->name, &ignored) && false;
    }
    db->copying = q;
    db->copy_text.used = 0;
    return true;
}

/* COPY's text format: \ before what would end a cell or a row, or begin such a mark. */
static void add_escaped(struct buffer *b, const char *s)
{
    while (*s) {
        size_t plain = strcspn(s, "\\\t\n\r");
        buffer_add(b, s, plain);
        s += plain;
        if (!*s)
            break;
        char mark[2] = {'\\', *s == '\t' ? 't' : *s == '\n' ? 'n' : *s == '\r' ? 'r' : '\\'};
        buffer_add(b, mark, 2);
        s++;
    }
}

/* A bytea in hexadecimal; its own backslash is escaped for COPY. */
static void add_bytes(struct buffer *b, const uint8_t *bytes, size_t count)
{
    static const char digits[] = "0123456789abcdef";
    buffer_add(b, "\\\\x", 3);
    char *to = buffer_room(b, 2 * count);
    for (size_t i = 0; i < count; i++) {
        *to++ = digits[bytes[i] >> 4];
        *to++ = digits[bytes[i] & 15];
    }
    b->used += 2 * count;
}

static void add_cell(struct buffer *b, const struct db_value *v)
{
    char room[VALUE_TEXT];
    if (v->type == DB_BYTES && (v->pointer || !v->bytes)) {
        add_bytes(b, v->pointer, v->bytes);
        return;
    }
    const char *text = value_text(v, room);
    if (!text)
        buffer_add(b, "\\N", 2);
    else if (v->type == DB_TEXT)
        add_escaped(b, text);
    else
        buffer_add(b, text, strlen(text));
}

static bool send_chunk(struct db *db, struct err *err)
{
    struct buffer *b = &db->copy_text;
    int queued;
    while ((queued = PQputCopyData(db->conn, b->data, (int)b->used)) == 0)
        if (!link_flush(db, db->copying->name, err))
            return false;
    b->used = 0;
    return queued > 0 ? link_flush(db, db->copying->name, err) : link_lost(db, db->copying->name, err);
}

bool db_copy_row(struct db *db, const struct db_value *cells, int count, struct err *err)
{
    if (!db->copying)
        BUG("a row outside of a COPY");
    if (db->broken)
        return err_set(err, ERR_UNAVAILABLE, "the connection to the database was lost");
    struct buffer *b = &db->copy_text;
    for (int i = 0; i < count; i++) {
        if (i)
            buffer_add(b, "\t", 1);
        add_cell(b, &cells[i]);
    }
    buffer_add(b, "\n", 1);
    if (b->used < COPY_CHUNK)
        return true;
    link_restart_deadline(db);
    return send_chunk(db, err);
}

bool db_copy_end(struct db *db, int64_t *copied, struct err *err)
{
    const struct query *q = db->copying;
    int ended;
    PGresult *result;
    if (!q)
        BUG("the end of a COPY that was not begun");
    if (db->broken)
        return err_set(err, ERR_UNAVAILABLE, "the connection to the database was lost");
    link_restart_deadline(db);
    if (db->copy_text.used && !send_chunk(db, err))
        return false;
    while ((ended = PQputCopyEnd(db->conn, NULL)) == 0)
        if (!link_wait_for_room(db, q->name, err))
            return false;
    if (ended < 0)
        return link_lost(db, q->name, err);
    db->copying = NULL;
    if (!link_flush(db, q->name, err) || !link_result(db, q->name, &result, err))
        return false;
    if (!result)
        return link_lost(db, q->name, err);
    if (PQresultStatus(result) != PGRES_COMMAND_OK)
        return link_refused(db, q->name, result, err);
    if (copied)
        *copied = atoll(PQcmdTuples(result));
    PQclear(result);
    return link_drain(db, q->name, err);
}
