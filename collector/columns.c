#include "columns.h"

struct columns {
    struct arena *mem;
    int width;
    size_t count, capacity;
    struct db_value *cells[COLUMNS_MOST];
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

void columns_add(struct columns *c, const struct db_value *cells)
{
    if (c->count == c->capacity) {
        size_t capacity = c->capacity ? c->capacity * 2 : 16;
        for (int k = 0; k < c->width; k++)
            c->cells[k] = arena_grow(c->mem, c->cells[k], c->count, capacity, sizeof *c->cells[k]);
        c->capacity = capacity;
    }
    for (int k = 0; k < c->width; k++)
        c->cells[k][c->count] = cells[k];
    c->count++;
}

size_t columns_rows(const struct columns *c)
{
    return c->count;
}

void columns_params(const struct columns *c, struct db_value *params)
{
    for (int k = 0; k < c->width; k++)
        params[k] = db_array(c->cells[k], c->count);
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
