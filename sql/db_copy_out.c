#include "db_binary.h"
#include "db_link.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>

/* A value as a literal of SQL; COPY takes no parameters. */
static bool add_literal(struct db *db, struct buffer *b, const struct db_value *v, const char *what,
                        struct err *err)
{
    char room[VALUE_TEXT];
    const char *text = value_text(v, room);
    if (!text) {
        buffer_add(b, "NULL", 4);
        return true;
    }
    char *literal = PQescapeLiteral(db->conn, text, strlen(text));
    if (!literal)
        return err_set(err, ERR_INPUT, "%s: '%s' is no text of this database", what, text);
    buffer_add(b, literal, strlen(literal));
    PQfreemem(literal);
    return true;
}

/* COPY (the statement, each $1 its value) TO STDOUT. */
static bool compose(struct db *db, const struct query *q, const struct db_value *params, int count,
                    struct buffer *b, struct err *err)
{
    static const char head[] = "COPY (", tail[] = ") TO STDOUT (FORMAT binary)";
    const char *p = q->text, *end = p + strlen(p);

    while (end > p && (isspace((unsigned char)end[-1]) || end[-1] == ';'))
        end--;
    buffer_add(b, head, sizeof head - 1);
    while (p < end) {
        size_t plain = strcspn(p, "$");
        if (plain > (size_t)(end - p))
            plain = (size_t)(end - p);
        buffer_add(b, p, plain);
        p += plain;
        if (p == end)
            break;
        char *rest;
        long number = strtol(p + 1, &rest, 10);
        if (number < 1 || number > count)
            BUG("%s has a parameter %ld and got %d", q->name, number, count);
        if (!add_literal(db, b, &params[number - 1], q->name, err))
            return false;
        p = rest;
    }
    buffer_add(b, tail, sizeof tail); /* with its end */
    return true;
}

static bool begin(struct db *db, const struct query *q, const char *text, struct err *err)
{
    PGresult *result;
    if (!link_start(db, err))
        return false;
    if (!PQsendQuery(db->conn, text))
        return link_lost(db, q->name, err);
    if (!link_flush(db, q->name, err) || !link_result(db, q->name, &result, err))
        return false;
    if (!result)
        return link_lost(db, q->name, err);
    if (PQresultStatus(result) != PGRES_COPY_OUT)
        return link_refused(db, q->name, result, err);
    PQclear(result);
    return true;
}

/* The form is described with COPY in PostgreSQL's manual; the first row has the head of a file before it. */
enum { FILE_HEAD = 19, NO_MORE = -1 };

/* False: it is no row of the form. A count of NO_MORE is the end of the file. */
static bool split(const char *at, const char *end, struct db_copied *row)
{
    if (end - at < 2)
        return false;
    row->count = binary_16(at);
    at += 2;
    if (row->count > DB_COPIED_MOST)
        return false;
    for (int k = 0; k < row->count; k++) {
        if (end - at < 4)
            return false;
        int32_t bytes = binary_32(at);
        at += 4;
        if (bytes > end - at)
            return false;
        row->cells[k] = bytes < 0 ? NULL : at;
        at += bytes < 0 ? 0 : bytes;
    }
    return true;
}

/* Takes all rows, also when nobody wants the rest. */
static bool take(struct db *db, const struct query *q, db_copied_fn *on_row, void *context, struct err *err)
{
    bool wanted = true, first = true;
    struct db_copied row;
    char *bytes;

    for (int n;;) {
        if (!link_copied(db, q->name, &bytes, &n, err))
            return false;
        if (n < 0)
            return wanted;
        int skip = first && n >= FILE_HEAD ? FILE_HEAD : 0;
        first = false;
        if (wanted && !split(bytes + skip, bytes + n, &row))
            wanted = err_set(err, ERR_REJECTED, "%s: the server sent what is no row", q->name);
        else if (wanted && row.count != NO_MORE)
            wanted = on_row(context, &row, err);
        PQfreemem(bytes);
    }
}

bool db_copy_out(struct db *db, const struct query *q, const struct db_value *params, int count,
                 db_copied_fn *on_row, void *context, struct err *err)
{
    struct buffer text = {0};
    bool ok = compose(db, q, params, count, &text, err) && begin(db, q, text.data, err);
    buffer_free(&text);
    if (!ok)
        return false;
    if (take(db, q, on_row, context, err))
        return link_drain(db, q->name, err);
    struct err ignored = {0}; /* the first one counts */
    if (!db->broken)
        (void)!link_drain(db, q->name, &ignored);
    return false;
}

int32_t copied_int(const struct db_copied *row, int column)
{
    return row->cells[column] ? binary_32(row->cells[column]) : 0;
}

double copied_real(const struct db_copied *row, int column)
{
    return row->cells[column] ? binary_double(row->cells[column]) : (double)NAN;
}

int32_t copied_day(const struct db_copied *row, int column)
{
    return row->cells[column] ? binary_day(row->cells[column]) : DAY_UNKNOWN;
}
