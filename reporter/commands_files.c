#include "commands_files.h"
#include "base/csv.h"
#include "base/text.h"
#include "life_pool.h"
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
    const char *group, *site, *cause;
    double temperature_c; /* NAN: the file does not tell */
    struct lifetime life; /* failed: by any cause */
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

/* Any finite number. */
static double temperature_at(struct sheet *s, const struct csv_row *row, int column)
{
    double x;
    if (text_double(row->field[column], &x))
        return x;
    complain(s, row->field_line[column], row->column[column],
             arena_printf(s->mem, "'%s' is not a temperature in C", row->field[column]));
    return D_NAN;
}

static const char *text_at(const struct csv_row *row, int column, const char *otherwise)
{
    return column >= 0 && row->field[column][0] ? row->field[column] : otherwise;
}

static struct life_row life_row(struct sheet *s, const struct csv_row *row)
{
    int entry = csv_column(&s->table, "entry"), exit = csv_column(&s->table, "exit");
    int event = csv_column(&s->table, "event"), high = csv_column(&s->table, "exit_high");
    int group = csv_column(&s->table, "group"), temperature = csv_column(&s->table, "temperature_c");
    struct life_row r = {
        .group = group >= 0 ? row->field[group] : "all",
        .site = text_at(row, csv_column(&s->table, "site"), ""),
        .cause = text_at(row, csv_column(&s->table, "cause"), "worn"),
        .temperature_c = temperature >= 0 ? temperature_at(s, row, temperature) : D_NAN,
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

/* Worn, or ended unfailed. */
static struct lifetime worn_life(const struct life_row *r)
{
    struct lifetime life = r->life;
    if (strcmp(r->cause, "worn") != 0) {
        life.failed = false;
        life.exit_high = D_NAN;
    }
    return life;
}

static void fit_groups(const struct life_row *rows, const struct lifetime *lives, size_t n, struct arena *mem,
                       struct life_report *out)
{
    struct life_group_lives *of = arena_array(mem, struct life_group_lives, n);
    struct life_model newcomer, *pooled = arena_array(mem, struct life_model, n);

    out->groups = arena_array(mem, struct life_group, n);
    for (size_t i = 0, run; i < n; i += run) {
        struct life_group *g = &out->groups[out->group_count];
        for (run = 0; i + run < n && strcmp(rows[i + run].group, rows[i].group) == 0;)
            run++;
        g->group = rows[i].group;
        life_fit(lives + i, run, LIFE_ASSUMED_SHAPE, mem, &g->model);
        life_report_group(lives + i, run, mem, g);
        of[out->group_count] = (struct life_group_lives){lives + i, run};
        pooled[out->group_count++] = g->model;
    }
    if (out->group_count < 2)
        return;
    life_pool(of, out->group_count, LIFE_ASSUMED_SHAPE, mem, pooled, &newcomer);
    for (size_t i = 0; i < out->group_count; i++)
        out->groups[i].pooled = pooled[i];
}

/* Place of a word among those seen; a new one is added while there is room, else the last one stands for it.
 */
static size_t word_at(const char *word, const char **words, size_t *count, size_t room)
{
    for (size_t i = 0; i < *count; i++)
        if (strcmp(words[i], word) == 0)
            return i;
    if (*count < room)
        words[(*count)++] = word;
    else
        words[room - 1] = "other";
    return *count - 1;
}

static void count_causes(const struct life_row *rows, size_t n, struct arena *mem, struct life_causes *out)
{
    struct lifetime *lives = arena_array(mem, struct lifetime, n);
    const char *words[LIFE_MOST_CAUSES];
    double events[LIFE_MOST_CAUSES] = {0};
    int *cause = arena_array(mem, int, n);
    size_t causes = 0;

    for (size_t i = 0; i < n; i++) {
        lives[i] = rows[i].life;
        out->hours += rows[i].life.exit - rows[i].life.entry;
        if (!rows[i].life.failed)
            continue;
        cause[i] = (int)word_at(rows[i].cause, words, &causes, LIFE_MOST_CAUSES);
        events[cause[i]]++;
    }
    life_report_causes(lives, cause, n, events, words, causes, mem, out);
}

enum { MOST_LEVELS = 20 };

/* Temperature as it is; each site and group but the first as a column of 0 and 1. */
static void regress(const struct life_row *rows, const struct lifetime *lives, size_t n, struct arena *mem,
                    struct life_report *out)
{
    const char *sites[MOST_LEVELS], *groups[MOST_LEVELS];
    const char **names = arena_array(mem, const char *, 1 + 2 * MOST_LEVELS);
    size_t site_count = 0, group_count = 0, columns = 0;
    bool temperature = !isnan(rows[0].temperature_c);

    for (size_t i = 0; i < n; i++) {
        word_at(rows[i].site, sites, &site_count, MOST_LEVELS);
        word_at(rows[i].group, groups, &group_count, MOST_LEVELS);
    }
    if (!temperature && site_count < 2)
        return;
    if (temperature)
        names[columns++] = "temperature_c";
    for (size_t k = 1; k < site_count; k++)
        names[columns++] = arena_printf(mem, "site %s", sites[k]);
    for (size_t k = 1; k < group_count; k++)
        names[columns++] = arena_printf(mem, "group %s", groups[k]);
    double *x = arena_array(mem, double, n *columns);
    for (size_t i = 0; i < n; i++) {
        double *at = &x[i * columns];
        size_t site = word_at(rows[i].site, sites, &site_count, MOST_LEVELS);
        size_t group = word_at(rows[i].group, groups, &group_count, MOST_LEVELS);
        at[0] = temperature ? rows[i].temperature_c : at[0];
        if (site)
            at[temperature + site - 1] = 1;
        if (group)
            at[temperature + site_count - 1 + group - 1] = 1;
    }
    struct life_regression *r = arena_alloc(mem, sizeof *r);
    const struct life_covariates c = {columns, names, x};
    life_regress(lives, n, &c, mem, r);
    out->effects = r;
}

bool files_life(const char *path, struct arena *mem, struct life_report *out, struct err *err)
{
    static const char *const needed[] = {"entry", "exit", "event", NULL};
    static const char *const optional[] = {"group", "exit_high", "cause", "site", "temperature_c", NULL};
    struct sheet s;

    *out = (struct life_report){.as_of_us = TIME_UNKNOWN};
    if (!open_sheet(&s, path, mem, needed, optional, err))
        return false;
    size_t n = s.table.count;
    struct life_row *rows = arena_array(mem, struct life_row, n);
    struct lifetime *lives = arena_array(mem, struct lifetime, n);
    for (size_t i = 0; i < n; i++)
        rows[i] = life_row(&s, &s.table.rows[i]);
    if (!without_complaints(&s, err))
        return false;
    if (!n)
        return true;
    qsort(rows, n, sizeof *rows, by_group);
    for (size_t i = 0; i < n; i++)
        lives[i] = worn_life(&rows[i]);
    fit_groups(rows, lives, n, mem, out);
    if (csv_column(&s.table, "cause") >= 0)
        count_causes(rows, n, mem, &out->causes);
    regress(rows, lives, n, mem, out);
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
