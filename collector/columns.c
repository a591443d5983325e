#include "columns.h"

#include "base/clock.h"

#include <inttypes.h>
#include <math.h>

struct columns {
    struct arena *mem;
    int width;
    size_t count, capacity;
    const char **cells[COLUMNS_MOST];
};

struct columns *columns_new(struct arena *mem, int width)
{
    if (width > COLUMNS_MOST)
        BUG("%d columns", width);
    struct columns *c = arena_alloc(mem, sizeof *c);
    c->mem = mem;
    c->width = width;
    return c;
}

static const char *cell_text(struct arena *mem, const struct db_value *v)
{
    char text[TIME_TEXT];
    switch (v->type) {
    case DB_TEXT:
        return v->pointer;
    case DB_INT:
        return arena_printf(mem, "%" PRId64, v->integer);
    case DB_REAL:
        return isnan(v->real) ? NULL : arena_printf(mem, "%.17g", v->real);
    case DB_MOMENT:
        if (v->integer == TIME_UNKNOWN)
            return NULL;
        time_format(v->integer, text);
        return arena_strdup(mem, text);
    case DB_DAY:
        if (v->integer == DAY_UNKNOWN)
            return NULL;
        day_format((int32_t)v->integer, text);
        return arena_strdup(mem, text);
    case DB_NULL:
        return NULL;
    case DB_BOOL:
        return v->integer ? "t" : "f";
    case DB_BYTES:
        break;
    }
    BUG("a column of type %d", (int)v->type);
}

void columns_add(struct columns *c, const struct db_value *cells)
{
    if (c->count == c->capacity) {
        size_t capacity = c->capacity ? c->capacity * 2 : 16;
        for (int k = 0; k < c->width; k++)
            c->cells[k] = arena_grow(c->mem, c->cells[k], c->count, capacity, sizeof *c->cells[k]);
        c->capacity = capacity;
    }
    for (int k = 0; k < c->width; k++)
        c->cells[k][c->count] = cell_text(c->mem, &cells[k]);
    c->count++;
}

size_t columns_rows(const struct columns *c)
{
    return c->count;
}

void columns_params(const struct columns *c, struct db_value *params)
{
    for (int k = 0; k < c->width; k++)
        params[k] = db_text_array(c->mem, c->cells[k], c->count);
}

bool columns_exec(const struct columns *c, struct db *db, const struct query *q, int64_t *affected,
                  struct err *err)
{
    if (affected)
        *affected = 0;
    if (!c->count)
        return true;
    struct db_value params[COLUMNS_MOST];
    columns_params(c, params);
    return db_exec(db, q, params, c->width, affected, err);
}

bool columns_query(const struct columns *c, struct db *db, const struct query *q, struct rows **rows,
                   struct err *err)
{
    struct db_value params[COLUMNS_MOST];
    columns_params(c, params);
    return db_query(db, q, params, c->width, rows, err);
}
