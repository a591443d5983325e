#include "db_binary.h"
#include "db_link.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>

/*
 * An array in the server's binary form: how many dimensions, a flag, the type of its elements, how many, the
 * number of the first; then the elements, each after its length (-1: null).
 */
enum { DIMENSIONS = 1, FIRST_NUMBER = 1, NULL_LENGTH = -1 };

/* As the cast of a parameter names them; the server's number of their elements' type, and ours. */
static const struct element {
    const char *array;
    int32_t oid;
    enum db_type type;
} elements[] = {
    {"text[]", 25, DB_TEXT},    {"bigint[]", 20, DB_INT},
    {"integer[]", 23, DB_INT},  {"timestamptz[]", 1184, DB_MOMENT},
    {"boolean[]", 16, DB_BOOL}, {"date[]", 1082, DB_DAY},
    {"bytea[]", 17, DB_BYTES},  {"float8[]", 701, DB_REAL},
};
enum { OID_INTEGER = 23 };

/* By the cast in the statement, as in $2::text[]. */
static const struct element *element_of(const struct query *q, int param)
{
    char cast[16];
    size_t n = (size_t)snprintf(cast, sizeof cast, "$%d::", param + 1);
    const char *at = strstr(q->text, cast);
    for (size_t k = 0; at && k < sizeof elements / sizeof *elements; k++)
        if (strncmp(at + n, elements[k].array, strlen(elements[k].array)) == 0)
            return &elements[k];
    BUG("statement '%s' has no cast of $%d to an array that is known", q->name, param + 1);
}

static void add_32(struct buffer *out, int32_t v)
{
    uint32_t big = htobe32((uint32_t)v);
    buffer_add(out, &big, sizeof big);
}

static void add_bytes(struct buffer *out, const void *bytes, size_t count)
{
    add_32(out, (int32_t)count);
    buffer_add(out, bytes, count);
}

static void add_short(struct buffer *out, int32_t v)
{
    add_32(out, sizeof v);
    add_32(out, v);
}

static void add_64(struct buffer *out, int64_t v)
{
    uint64_t big = htobe64((uint64_t)v);
    add_bytes(out, &big, sizeof big);
}

static bool is_null(const struct db_value *v)
{
    switch (v->type) {
    case DB_NULL:
        return true;
    case DB_TEXT:
    case DB_BYTES:
        return !v->pointer;
    case DB_MOMENT:
        return v->integer == TIME_UNKNOWN;
    case DB_DAY:
        return v->integer == DAY_UNKNOWN;
    case DB_REAL:
        return isnan(v->real);
    case DB_INT:
    case DB_BOOL:
    case DB_ARRAY:
        break;
    }
    return false;
}

static void add_int(struct buffer *out, int64_t v, int32_t oid)
{
    if (oid != OID_INTEGER) {
        add_64(out, v);
        return;
    }
    if (v < INT32_MIN || v > INT32_MAX)
        BUG("%" PRId64 " as an integer", v);
    add_short(out, (int32_t)v);
}

/* What no timestamp can be becomes one that the server refuses, as it would have refused the text. */
static int64_t moment_from_2000(int64_t us)
{
    int64_t moved;
    return __builtin_sub_overflow(us, BINARY_EPOCH_DAY * US_PER_DAY, &moved) ? INT64_MIN + 1 : moved;
}

static void add_element(struct buffer *out, const struct element *e, const struct db_value *v)
{
    int64_t bits;

    switch (e->type) {
    case DB_TEXT:
        add_bytes(out, v->pointer, strlen(v->pointer));
        return;
    case DB_BYTES:
        add_bytes(out, v->pointer, v->bytes);
        return;
    case DB_INT:
        add_int(out, v->integer, e->oid);
        return;
    case DB_MOMENT:
        add_64(out, moment_from_2000(v->integer));
        return;
    case DB_DAY:
        add_short(out, (int32_t)(v->integer - BINARY_EPOCH_DAY));
        return;
    case DB_BOOL:
        add_bytes(out, v->integer ? "\1" : "", 1);
        return;
    case DB_REAL:
        memcpy(&bits, &v->real, sizeof bits);
        add_64(out, bits);
        return;
    case DB_NULL:
    case DB_ARRAY:
        break;
    }
    BUG("an element of type %d", (int)e->type);
}

void link_array(const struct query *q, int param, const struct db_value *array, struct buffer *out)
{
    const struct element *e = element_of(q, param);
    const struct db_value *cells = array->pointer;
    const int32_t head[] = {DIMENSIONS, 0, e->oid, (int32_t)array->count, FIRST_NUMBER};
    for (size_t k = 0; k < sizeof head / sizeof *head; k++)
        add_32(out, head[k]);
    for (size_t k = 0; k < array->count; k++) {
        if (is_null(&cells[k])) {
            add_32(out, NULL_LENGTH);
            continue;
        }
        if (cells[k].type != e->type)
            BUG("a cell of type %d in $%d of statement '%s'", (int)cells[k].type, param + 1, q->name);
        add_element(out, e, &cells[k]);
    }
}
