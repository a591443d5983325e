#include "register.h"

#include "base/text.h"
#include "register_value.h"

#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { SHOWN_BYTES = 60, TEXT_BYTES = 600 };

struct register_load *register_new(struct arena *mem, int64_t now_us)
{
    struct register_load *r = arena_alloc(mem, sizeof *r);
    r->mem = mem;
    r->now_us = now_us;
    r->issues = arena_array(mem, struct register_issue, REGISTER_MOST_ISSUES);
    for (int k = 0; k < REGISTER_KINDS; k++)
        things_init(&r->things[k], mem);
    return r;
}

struct register_file *register_new_file(struct register_load *r, enum register_kind kind, const char *path)
{
    if (r->file_count == r->file_room) {
        r->file_room = r->file_room ? r->file_room * 2 : 16;
        r->files = arena_grow(r->mem, r->files, r->file_count, r->file_room, sizeof(struct register_file *));
    }
    struct register_file *f = arena_alloc(r->mem, sizeof *f);
    f->path = arena_strdup(r->mem, path);
    f->kind = kind;
    f->order = r->file_count;
    r->files[r->file_count++] = f;
    return f;
}

static void keep_issue(struct register_load *r, const struct register_file *file, struct register_spot spot,
                       const char *text)
{
    size_t n = r->issue_count++;
    if (n < REGISTER_MOST_ISSUES)
        r->issues[n] = (struct register_issue){file, spot, n, arena_strdup(r->mem, text)};
}

static void keep_placed(struct register_load *r, const struct register_file *file, struct register_spot spot,
                        const char *text)
{
    if (spot.line)
        keep_issue(r, file, spot,
                   arena_printf(r->mem, "%s:%d:%d: %s", file->path, spot.line, spot.column, text));
    else
        keep_issue(r, file, spot, arena_printf(r->mem, "%s: %s", file->path, text));
}

void register_complain_whole(struct register_load *r, const struct register_file *file, const char *text)
{
    keep_issue(r, file, (struct register_spot){INT_MAX, INT_MAX}, text);
}

void register_unreadable(struct register_load *r, enum register_kind kind, const char *path, const char *why)
{
    r->cut[kind] = true;
    register_complain_whole(r, register_new_file(r, kind, path), why);
}

void register_complain_at(struct register_load *r, const struct register_file *file,
                          struct register_spot spot, const char *fmt, ...)
{
    char text[TEXT_BYTES];
    va_list args;
    va_start(args, fmt);
    vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    keep_placed(r, file, spot, text);
}

/* A field as messages show it: short, on one line, and without a password. */
static const char *shown(const char *value, struct arena *mem)
{
    const char *scheme = strstr(value, "://"), *at = scheme ? strrchr(scheme, '@') : NULL;
    char *text =
        at ? arena_printf(mem, "%.*s...%s", (int)(scheme + 3 - value), value, at) : arena_strdup(mem, value);
    for (char *c = text; *c; c++)
        if (*c == '\n' || *c == '\t')
            *c = ' ';
    if (strlen(text) <= SHOWN_BYTES)
        return text;
    text_cut(text, SHOWN_BYTES);
    return arena_printf(mem, "%s...", text);
}

void register_complain(struct register_load *r, const struct register_row *row, int column, const char *fmt,
                       ...)
{
    char text[TEXT_BYTES];
    const char *value = row->cell[column] ? row->cell[column] : "";
    int n = snprintf(text, sizeof text, "%s '%s': ", register_tables[row->file->kind].columns[column].name,
                     shown(value, r->mem));
    va_list args;
    va_start(args, fmt);
    vsnprintf(text + n, sizeof text - (size_t)n, fmt, args);
    va_end(args);
    keep_placed(r, row->file, row->cell[column] ? row->spot[column] : row->start, text);
}

const char *register_key(const struct register_row *row, struct arena *mem)
{
    const struct register_column *columns = register_tables[row->file->kind].columns;
    const char *key = NULL;
    for (int k = 0; columns[k].name; k++) {
        if (columns[k].use != COLUMN_IN_KEY)
            continue;
        if (!row->cell[k] || !*row->cell[k])
            return NULL;
        key = key ? arena_printf(mem, "%s\1%s", key, row->cell[k]) : row->cell[k];
    }
    return key;
}

const char *register_fan_key(const char *drive, const char *position, struct arena *mem)
{
    return arena_printf(mem, "%s\1%s", drive, position);
}

struct thing *register_known(struct register_load *r, enum register_kind kind, const char *key,
                             const char *site)
{
    struct thing *t = things_put(&r->things[kind], key);
    t->stored = true;
    t->site = t->was_site = site;
    return t;
}

static bool refers(enum register_kind from, enum register_kind to)
{
    for (const struct register_column *c = register_tables[from].columns; c->name; c++)
        if (c->refers_to == (int)to + 1)
            return true;
    /* By drive and position. */
    return to == REGISTER_FANS && (from == REGISTER_BINDINGS || from == REGISTER_WORK);
}

bool register_needs(const struct register_load *r, enum register_kind kind)
{
    bool wanted[REGISTER_KINDS] = {false};
    for (size_t k = 0; k < r->file_count; k++)
        wanted[r->files[k]->kind] = true;
    /* What is referred to stands before what refers to it: one pass from behind follows all chains. */
    for (int from = REGISTER_KINDS - 1; from > (int)kind; from--)
        for (int to = 0; wanted[from] && to < from; to++)
            wanted[to] = wanted[to] || refers((enum register_kind)from, (enum register_kind)to);
    return wanted[kind];
}

static bool field_is_good(struct register_load *r, struct register_row *row, int place)
{
    const struct register_column *c = &register_tables[row->file->kind].columns[place];
    const char *why;
    if (!*row->cell[place]) {
        if (c->use == COLUMN_OPTIONAL)
            return true;
        why = "is empty; every row needs it";
    } else if (register_value(c, &row->cell[place], r->now_us, r->mem, &why)) {
        return true;
    }
    register_complain(r, row, place, "%s", why);
    row->cell[place] = "";
    row->spoilt = true;
    return false;
}

/* Both lines of a repeated key are named. */
static void claim_key(struct register_load *r, struct register_row *row)
{
    const char *key = register_key(row, r->mem);
    if (!key)
        return;
    struct thing *t = things_put(&r->things[row->file->kind], key);
    if (!t->row) {
        t->row = row;
        return;
    }
    int first = 0; /* column of the key */
    while (register_tables[row->file->kind].columns[first].use != COLUMN_IN_KEY)
        first++;
    if (t->row->file == row->file)
        register_complain(r, row, first, "the same key stands in line %d already; each may stand once",
                          t->row->start.line);
    else
        register_complain(r, row, first, "the same key stands in %s:%d already; each may stand once",
                          t->row->file->path, t->row->start.line);
}

void register_take_row(struct register_load *r, struct register_file *f, struct register_row *row)
{
    bool key_is_good = true;
    for (int k = 0; register_tables[f->kind].columns[k].name; k++)
        if (row->cell[k] && !field_is_good(r, row, k) &&
            register_tables[f->kind].columns[k].use == COLUMN_IN_KEY)
            key_is_good = false;
    if (key_is_good)
        claim_key(r, row);
    if (f->count == f->room) {
        f->room = f->room ? f->room * 2 : 64;
        f->rows = arena_grow(r->mem, f->rows, f->count, f->room, sizeof(struct register_row *));
    }
    f->rows[f->count++] = row;
}

void register_add(struct register_load *r, enum register_kind kind, const char *name,
                  const char *const *cells)
{
    size_t count = register_column_count(kind);
    struct register_file *f = register_new_file(r, kind, name);
    struct register_row *row = arena_alloc(r->mem, sizeof *row);
    row->file = f;
    row->cell = arena_array(r->mem, const char *, count);
    row->spot = arena_array(r->mem, struct register_spot, count);
    for (size_t k = 0; k < count; k++) {
        row->cell[k] = cells[k] ? cells[k] : "";
        f->has[k] = true;
    }
    register_take_row(r, f, row);
}
