#include "commands_files.h"
#include "base/csv.h"
#include "base/text.h"
#include "numeric.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_COMPLAINTS = 20 };

/* A loaded file, where its columns are, and what is wrong with it. */
struct sheet {
    struct arena *mem;
    struct csv_table table;
    const char *complaints;
    int complaint_count;
};

static void complain(struct sheet *s, int line, int column, const char *why)
{
    if (s->complaint_count++ >= MOST_COMPLAINTS)
        return;
    s->complaints = arena_printf(s->mem, "%s%s%s:%d:%d: %s", s->complaints, s->complaints[0] ? "\n" : "",
                                 s->table.path, line, column, why);
}

static bool without_complaints(const struct sheet *s, struct err *err)
{
    if (!s->complaint_count)
        return true;
    err_set(err, ERR_INPUT, "%s", s->complaints);
    if (s->complaint_count > MOST_COMPLAINTS)
        return err_hint(err, "and %d more", s->complaint_count - MOST_COMPLAINTS);
    return false;
}

static bool known(const char *name, const char *const *names)
{
    for (; *names; names++)
        if (strcmp(name, *names) == 0)
            return true;
    return false;
}

/* Every column must be known, every needed one there. */
static bool open_sheet(struct sheet *s, const char *path, struct arena *mem, const char *const *needed,
                       const char *const *optional, struct err *err)
{
    *s = (struct sheet){.mem = mem, .complaints = ""};
    if (!csv_load(path, mem, &s->table, err))
        return false;
    const struct csv_row *h = &s->table.header;
    for (size_t c = 0; c < h->count; c++)
        if (!known(h->field[c], needed) && !known(h->field[c], optional))
            complain(s, h->field_line[c], h->column[c],
                     arena_printf(mem, "unknown column '%s'", h->field[c]));
    for (; *needed; needed++)
        if (csv_column(&s->table, *needed) < 0)
            complain(s, h->line, 1, arena_printf(mem, "column '%s' is missing", *needed));
    return without_complaints(s, err);
}

/* A finite number of at least 0; complains of all else and gives NAN. */
static double number_at(struct sheet *s, const struct csv_row *row, int column)
{
    double x;
    if (text_double(row->field[column], &x) && x >= 0)
        return x;
    complain(s, row->field_line[column], row->column[column],
             arena_printf(s->mem, "'%s' is not a number of 0 or more in column '%s'", row->field[column],
                          s->table.header.field[column]));
    return D_NAN;
}

struct life_row {
    const char *group;
    struct lifetime life;
};

static void check_life(struct sheet *s, const struct csv_row *row, int exit_column, int event_column,
                       const struct lifetime *l)
{
    const char *event = row->field[event_column];
    bool interval = !isnan(l->exit_high);

    if (strcmp(event, "0") != 0 && strcmp(event, "1") != 0)
        complain(s, row->field_line[event_column], row->column[event_column],
                 arena_printf(s->mem, "event '%s' must be 1 (failed) or 0 (not)", event));
    if (l->exit < l->entry || (l->exit == l->entry && l->entry > 0 && !interval))
        complain(s, row->field_line[exit_column], row->column[exit_column],
                 arena_printf(s->mem, "exit %s must be after entry %g", row->field[exit_column], l->entry));
    if (interval && !l->failed)
        complain(s, row->line, row->column[event_column], "exit_high is for failures only (event 1)");
    if (interval && l->exit_high <= l->exit)
        complain(s, row->line, row->column[exit_column],
                 arena_printf(s->mem, "exit_high %g must be after exit %g", l->exit_high, l->exit));
}

static struct life_row life_row(struct sheet *s, const struct csv_row *row)
{
    int entry = csv_column(&s->table, "entry"), exit = csv_column(&s->table, "exit");
    int event = csv_column(&s->table, "event"), high = csv_column(&s->table, "exit_high");
    int group = csv_column(&s->table, "group");
    struct life_row r = {
        .group = group >= 0 ? row->field[group] : "all",
        .life = {.entry = number_at(s, row, entry),
                 .exit = number_at(s, row, exit),
                 .exit_high = high >= 0 && row->field[high][0] ? number_at(s, row, high) : D_NAN,
                 .failed = strcmp(row->field[event], "1") == 0,
                 .count = 1},
    };
    check_life(s, row, exit, event, &r.life);
    return r;
}

static int by_group(const void *a, const void *b)
{
    const struct life_row *x = a, *y = b;
    int order = strcmp(x->group, y->group);
    if (order)
        return order;
    if (x->life.exit != y->life.exit)
        return x->life.exit < y->life.exit ? -1 : 1;
    return (x->life.entry > y->life.entry) - (x->life.entry < y->life.entry);
}

static void fit_groups(const struct life_row *rows, size_t n, struct arena *mem, struct life_group **groups,
                       size_t *count)
{
    struct lifetime *lives = arena_array(mem, struct lifetime, n);
    *groups = arena_array(mem, struct life_group, n);
    *count = 0;
    for (size_t i = 0, run; i < n; i += run) {
        for (run = 0; i + run < n && strcmp(rows[i + run].group, rows[i].group) == 0; run++)
            lives[run] = rows[i + run].life;
        struct life_group *g = &(*groups)[(*count)++];
        g->group = rows[i].group;
        life_fit(lives, run, LIFE_ASSUMED_SHAPE, mem, &g->model);
    }
}

bool files_life(const char *path, struct arena *mem, struct life_group **groups, size_t *count,
                struct err *err)
{
    static const char *const needed[] = {"entry", "exit", "event", NULL};
    static const char *const optional[] = {"group", "exit_high", NULL};
    struct sheet s;

    if (!open_sheet(&s, path, mem, needed, optional, err))
        return false;
    struct life_row *rows = arena_array(mem, struct life_row, s.table.count);
    for (size_t i = 0; i < s.table.count; i++)
        rows[i] = life_row(&s, &s.table.rows[i]);
    if (!without_complaints(&s, err))
        return false;
    if (s.table.count)
        qsort(rows, s.table.count, sizeof *rows, by_group);
    fit_groups(rows, s.table.count, mem, groups, count);
    return true;
}

struct history_row {
    const char *part, *period;
    size_t line; /* its place in the file */
    double quantity;
};

static int by_part(const void *a, const void *b)
{
    const struct history_row *x = a, *y = b;
    int order = strcmp(x->part, y->part);
    return order ? order : (x->line > y->line) - (x->line < y->line);
}

/* Periods are numbers without a jump, or texts like 2026-03 in rising order: a period without demand has a
 * row with 0, a forgotten one must not pass for it. */
static void check_periods(struct sheet *s, const struct history_row *before, const struct history_row *now)
{
    int64_t x, y;
    const struct csv_row *row = &s->table.rows[now->line];
    int column = csv_column(&s->table, "period");
    bool numbers = text_int64(before->period, &x) && text_int64(now->period, &y);

    if (numbers ? y == x + 1 : strcmp(now->period, before->period) > 0)
        return;
    complain(
        s, row->field_line[column], row->column[column],
        arena_printf(s->mem,
                     "period '%s' of part '%s' follows '%s': periods go up one by one, with quantity 0 where "
                     "there was no demand",
                     now->period, now->part, before->period));
}

static void fill_histories(struct sheet *s, const struct history_row *rows, size_t n,
                           struct history_part **parts, size_t *count)
{
    const double smoothing = 0.1; /* of Croston's method and its kin: the usual choice for slow demand */
    double *quantity = arena_array(s->mem, double, n);
    *parts = arena_array(s->mem, struct history_part, n);
    *count = 0;
    for (size_t i = 0, run; i < n; i += run) {
        for (run = 0; i + run < n && strcmp(rows[i + run].part, rows[i].part) == 0; run++)
            quantity[run] = rows[i + run].quantity;
        struct history_part *p = &(*parts)[(*count)++];
        p->part = rows[i].part;
        p->periods = run;
        demand_from_history(quantity, run, smoothing, smoothing, s->mem, &p->history);
    }
}

bool files_history(const char *path, struct arena *mem, struct history_part **parts, size_t *count,
                   struct err *err)
{
    static const char *const needed[] = {"part", "period", "quantity", NULL};
    static const char *const optional[] = {NULL};
    struct sheet s;

    if (!open_sheet(&s, path, mem, needed, optional, err))
        return false;
    size_t n = s.table.count;
    struct history_row *rows = arena_array(mem, struct history_row, n);
    int part = csv_column(&s.table, "part"), period = csv_column(&s.table, "period");
    int quantity = csv_column(&s.table, "quantity");
    for (size_t i = 0; i < n; i++) {
        const struct csv_row *row = &s.table.rows[i];
        rows[i] = (struct history_row){row->field[part], row->field[period], i, number_at(&s, row, quantity)};
    }
    if (n)
        qsort(rows, n, sizeof *rows, by_part);
    for (size_t i = 1; i < n; i++)
        if (strcmp(rows[i].part, rows[i - 1].part) == 0)
            check_periods(&s, &rows[i - 1], &rows[i]);
    if (!without_complaints(&s, err))
        return false;
    fill_histories(&s, rows, n, parts, count);
    return true;
}
