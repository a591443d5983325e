#include "export.h"
#include "export_grid.h"
#include "numeric.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { REASONS_SHOWN = 4 };

static const char *as_of(struct arena *mem, int64_t us)
{
    char at[TIME_TEXT];
    time_format(us - us % US_PER_S, at); /* people need no fractions */
    return arena_strdup(mem, at);
}

static const char *percent(struct arena *mem, double p)
{
    if (isnan(p))
        return "?";
    if (p > 0.995)
        return "> 99 %";
    return arena_printf(mem, p < 0.0995 ? "%.1f %%" : "%.0f %%", 100 * p);
}

static const char *range(struct arena *mem, const double limits[2])
{
    return arena_printf(mem, "%.0f to %.0f %%", 100 * limits[0], 100 * limits[1]);
}

/* Thousands apart, in whole units of the currency. */
static const char *money(struct arena *mem, double amount, const char *currency)
{
    char digits[40], apart[64];
    size_t n = 0, k = 0;
    if (isnan(amount))
        return "?";
    n = (size_t)snprintf(digits, sizeof digits, "%.0f", amount);
    for (size_t i = 0; i < n; i++) {
        if (i && (n - i) % 3 == 0)
            apart[k++] = ',';
        apart[k++] = digits[i];
    }
    apart[k] = '\0';
    return arena_printf(mem, "%s%s%s", currency ? currency : "", currency ? " " : "", apart);
}

static const char *real(struct arena *mem, const char *format, double x)
{
    char text[64];
    if (!isfinite(x))
        return "?";
    snprintf(text, sizeof text, strcmp(format, "hours") == 0 ? "%.0f" : "%.3g", x);
    return arena_strdup(mem, text);
}

static bool finish(struct arena *mem, FILE *out, struct err *err)
{
    arena_free(mem);
    if (fflush(out) || ferror(out))
        return err_set(err, ERR_OUTPUT, "cannot write the results");
    return true;
}

static void note(const char *text, FILE *out)
{
    fputc('\n', out);
    grid_paragraph(text, 0, EXPORT_WIDTH, out);
}

static bool currencies_differ(const struct assessment *a)
{
    const char *first = NULL;
    for (size_t i = 0; i < a->ranked_count; i++) {
        const char *c = a->ranked[i].drive->machine->currency;
        if (c && first && strcmp(c, first) != 0)
            return true;
        first = c ? c : first;
    }
    return false;
}

static void write_ranked(const struct assessment *a, struct arena *mem, FILE *out)
{
    static const char *const heads[] = {"#",    "drive", "machine",      "site",
                                        "risk", "range", "cost at risk", "action"};
    struct grid g = grid_of(mem, heads, "rlllrrrl");
    size_t widths[GRID_MAX_COLUMNS];

    for (size_t i = 0; i < a->ranked_count; i++) {
        const struct drive_risk *d = &a->ranked[i];
        const struct machine *m = d->drive->machine;
        grid_add(&g,
                 (const char *const[]){arena_printf(mem, "%zu", i + 1), d->drive->drive, m->machine,
                                       m->site->site, percent(mem, d->probability), range(mem, d->interval),
                                       money(mem, d->expected_cost, m->currency), action_word(d->action)});
    }
    grid_widths(&g, widths);
    grid_write_head(&g, widths, out);
    for (size_t i = 0; i < a->ranked_count; i++) {
        const struct drive_risk *d = &a->ranked[i];
        grid_write_row(&g, widths, i, out);
        for (size_t k = 0; d->action != ACTION_WATCH && k < d->reason_count && k < REASONS_SHOWN; k++)
            grid_paragraph(d->reasons[k], widths[0] + 4, EXPORT_WIDTH, out);
    }
}

bool export_rank_text(const struct assessment *a, FILE *out, struct err *err)
{
    struct arena *mem = arena_new(SIZE_MAX);

    fprintf(out, "Drives at risk of a fan fault within %d days, as of %s%s%s\n\n", a->horizon_days,
            as_of(mem, a->fleet->as_of_us), a->fleet->only_site ? ", site " : "",
            a->fleet->only_site ? a->fleet->only_site : "");
    if (a->ranked_count)
        write_ranked(a, mem, out);
    else
        fputs("No drive can be ranked.\n", out);
    if (a->unknown_count) {
        fputs("\nNot ranked, because nothing can be said of them; they are not fine, they are not known:\n",
              out);
        for (size_t i = 0; i < a->unknown_count; i++)
            grid_paragraph(arena_printf(mem, "%s (%s): %s", a->unknown[i].drive->drive,
                                        a->unknown[i].drive->machine->machine, a->unknown[i].unknown),
                           2, EXPORT_WIDTH, out);
    }
    note(track_method_line(mem, a->fleet->track), out);
    note(arena_printf(
             mem,
             "risk: probability that the drive reports a fan fault within %d days; range: from the limits "
             "of speed trend, life model and fault rate. cost at risk: risk times the machine's usual stop "
             "times its cost an hour; ? where the register has none.%s",
             a->horizon_days,
             currencies_differ(a) ? " Costs are in each machine's own currency and put in order by their "
                                    "numbers, without exchange rates."
                                  : ""),
         out);
    return finish(mem, out, err);
}

bool export_demand_text(const struct assessment *a, const struct demand *items, size_t count, FILE *out,
                        struct err *err)
{
    static const char *const heads[] = {"part", "site", "fans", "mean", "50 %", "80 %", "95 %"};
    static const double q[] = {0.5, 0.8, 0.95};
    struct arena *mem = arena_new(SIZE_MAX);
    struct grid g = grid_of(mem, heads, "llrrrrr");

    fprintf(out, "Fans that will be needed within %d days, as of %s\n\n", a->horizon_days,
            as_of(mem, a->fleet->as_of_us));
    for (size_t i = 0; i < count; i++) {
        const char *cells[7] = {items[i].part->part, items[i].site ? items[i].site->site : "whole fleet",
                                arena_printf(mem, "%d", items[i].fans),
                                arena_printf(mem, "%.2f", distribution_mean(&items[i].count))};
        for (size_t k = 0; k < 3; k++)
            cells[4 + k] = arena_printf(mem, "%d", distribution_quantile(&items[i].count, q[k]));
        grid_add(&g, cells);
    }
    grid_write(&g, out);
    note("With the probability at the head of a column no more pieces than its number will be needed. A fan "
         "that was "
         "replaced may fail again within the time.",
         out);
    return finish(mem, out, err);
}

bool export_history_text(const struct history_part *parts, size_t count, FILE *out, struct err *err)
{
    static const char *const heads[] = {"part", "periods", "class", "croston", "sba",
                                        "tsb",  "chosen",  "50 %",  "90 %",    "95 %"};
    static const double q[] = {0.5, 0.9, 0.95};
    struct arena *mem = arena_new(SIZE_MAX);
    struct grid g = grid_of(mem, heads, "lrlrrrlrrr");

    for (size_t i = 0; i < count; i++) {
        const struct demand_history *h = &parts[i].history;
        const char *cells[10] = {parts[i].part,
                                 arena_printf(mem, "%zu", parts[i].periods),
                                 demand_class_word(h->class),
                                 real(mem, "", h->croston),
                                 real(mem, "", h->sba),
                                 real(mem, "", h->tsb),
                                 h->chosen};
        for (size_t k = 0; k < 3; k++)
            cells[7 + k] = arena_printf(mem, "%d", distribution_quantile(&h->count, q[k]));
        grid_add(&g, cells);
    }
    grid_write(&g, out);
    note("Rates are pieces a period by three methods; chosen is the one with the least loss in replay. With "
         "the "
         "probability at the head of a column the next period needs no more pieces than its number.",
         out);
    return finish(mem, out, err);
}

static void write_order(const struct order_line *l, struct arena *mem, FILE *out)
{
    const char *drives = "";
    for (size_t i = 0; i < l->drive_count; i++)
        drives = arena_printf(mem, "%s%s%s", drives, i ? ", " : "", l->drives[i]->drive->drive);
    if (l->why)
        grid_paragraph(l->why, 4, EXPORT_WIDTH, out);
    if (l->drive_count)
        grid_paragraph(arena_printf(mem, "Drives at risk that need it: %s.", drives), 4, EXPORT_WIDTH, out);
}

bool export_stock_text(const struct assessment *a, double service, const struct order_line *lines,
                       size_t count, FILE *out, struct err *err)
{
    static const char *const heads[] = {"part",  "site",  "hand", "ordered", "need",
                                        "level", "order", "by",   "cost",    "service"};
    struct arena *mem = arena_new(SIZE_MAX);
    struct grid g = grid_of(mem, heads, "llrrrrrlrl");
    size_t widths[GRID_MAX_COLUMNS];

    fprintf(out, "What to order now for a service of %s, as of %s\n\n", percent(mem, service),
            as_of(mem, a->fleet->as_of_us));
    for (size_t i = 0; i < count; i++) {
        const struct order_line *l = &lines[i];
        char by[DAY_TEXT] = "";
        if (l->order > 0 && l->order_by_day != DAY_UNKNOWN)
            day_format(l->order_by_day, by);
        double cost = l->order > 0 && l->cost_minor >= 0 ? (double)l->cost_minor / 100 : D_NAN;
        grid_add(&g, (const char *const[]){
                         l->part->part, l->site->site, arena_printf(mem, "%d", l->on_hand),
                         arena_printf(mem, "%d", l->on_order), arena_printf(mem, "%.1f", l->mean),
                         arena_printf(mem, "%d", l->base_stock), arena_printf(mem, "%d", l->order),
                         arena_strdup(mem, by), l->order > 0 ? money(mem, cost, l->part->currency) : "",
                         arena_printf(mem, "%s > %s", percent(mem, l->service_without),
                                      percent(mem, l->service_with))});
    }
    grid_widths(&g, widths);
    grid_write_head(&g, widths, out);
    for (size_t i = 0; i < count; i++) {
        grid_write_row(&g, widths, i, out);
        if (lines[i].order > 0)
            write_order(&lines[i], mem, out);
    }
    note(
        "need: mean demand over lead time and review; level: pieces on hand and ordered that give the "
        "service; "
        "service: probability that a piece is on the shelf when it is asked for, without and with the order.",
        out);
    return finish(mem, out, err);
}
