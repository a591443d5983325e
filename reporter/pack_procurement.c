#include "pack_inside.h"

#include "chart.h"

#include <math.h>
#include <string.h>

enum { QUANTILES = 3, DRIVES_NAMED = 8 };
static const double quantile_at[QUANTILES] = {0.5, 0.8, 0.95};

struct order_pack {
    struct sheet s;
    const struct pack_input *in;
    struct arena *mem;
};

static const char *span_words(struct order_pack *p, const struct order_line *o)
{
    return arena_printf(p->mem, "%.0f days", o->span_days);
}

static const char *order_by(struct order_pack *p, const struct order_line *o)
{
    return o->order_by_day <= day_of(p->in->assessment->fleet->as_of_us) ? "today"
                                                                         : pack_day(p->mem, o->order_by_day);
}

/* Orders */

static void draw_orders(struct order_pack *p)
{
    static const struct column columns[] = {
        {"Part", 32, ALIGN_LEFT, 3},
        {"Site", 12, ALIGN_LEFT, 2},
        {"Order, pieces", 11, ALIGN_RIGHT, 2},
        {"By", 13, ALIGN_LEFT, 2},
        {"Unit price", 22, ALIGN_RIGHT, 2},
        {"Cost", 20, ALIGN_RIGHT, 2},
        {"Service without", 14, ALIGN_RIGHT, 2},
        {"Service with", 12, ALIGN_RIGHT, 2},
        {"Why", 41, ALIGN_LEFT, 5},
    };
    struct table *t = table_new(&p->s, columns, sizeof columns / sizeof *columns);

    for (size_t i = 0; i < p->in->order_count; i++) {
        const struct order_line *o = &p->in->orders[i];
        if (o->order <= 0)
            continue;
        struct cell *c = table_row(t, ROW_PLAIN);
        c[0].text = o->part->description ? arena_printf(p->mem, "%s: %s", o->part->part, o->part->description)
                                         : o->part->part;
        c[1].text = o->site->site;
        c[2] = (struct cell){.text = arena_printf(p->mem, "%d", o->order), .strong = true};
        c[3].text = order_by(p, o);
        c[4].text = pack_price(p->mem, o->part->price_minor, o->part->currency);
        c[5].text = pack_price(p->mem, o->cost_minor, o->part->currency);
        c[6].text = pack_percent(p->mem, o->service_without);
        c[7].text = pack_percent(p->mem, o->service_with);
        c[8].text = o->why;
    }
    sheet_head(&p->s, "Order proposal", table_start_height(t));
    if (!table_rows(t))
        sheet_text(&p->s, TYPE_BODY, "Nothing has to be ordered now.");
    table_draw(t);
}

static void draw_totals(struct order_pack *p)
{
    static const struct column columns[] = {{"Currency", 20, ALIGN_LEFT, 1},
                                            {"Order lines", 20, ALIGN_RIGHT, 1},
                                            {"Pieces", 20, ALIGN_RIGHT, 1},
                                            {"Total", 30, ALIGN_RIGHT, 1}};
    struct table *t = table_new(&p->s, columns, sizeof columns / sizeof *columns);
    bool *done = arena_array(p->mem, bool, p->in->order_count + 1);

    for (size_t i = 0; i < p->in->order_count; i++) {
        const struct order_line *first = &p->in->orders[i];
        const char *currency =
            first->cost_minor < 0 ? "price not known" : pack_or(first->part->currency, "-");
        int64_t total = 0, pieces = 0, lines = 0;
        if (first->order <= 0 || done[i])
            continue;
        for (size_t k = i; k < p->in->order_count; k++) {
            const struct order_line *o = &p->in->orders[k];
            const char *own = o->cost_minor < 0 ? "price not known" : pack_or(o->part->currency, "-");
            if (o->order <= 0 || strcmp(own, currency) != 0)
                continue;
            done[k] = true;
            lines++;
            pieces += o->order;
            total += o->cost_minor < 0 ? 0 : o->cost_minor;
        }
        struct cell *c = table_row(t, ROW_PLAIN);
        c[0] = (struct cell){.text = currency, .strong = true};
        c[1].text = arena_printf(p->mem, "%lld", (long long)lines);
        c[2].text = arena_printf(p->mem, "%lld", (long long)pieces);
        c[3].text = first->cost_minor < 0 ? "not known" : pack_price(p->mem, total, currency);
    }
    if (!table_rows(t))
        return;
    sheet_head(&p->s, "Totals", table_start_height(t));
    table_draw(t);
}

static void draw_first_page(struct order_pack *p)
{
    const struct assessment *a = p->in->assessment;
    int lines = 0, today = 0, parts = 0;

    for (size_t i = 0; i < p->in->order_count; i++) {
        const struct order_line *o = &p->in->orders[i];
        lines += o->order > 0;
        today += o->order > 0 && o->order_by_day <= day_of(a->fleet->as_of_us);
    }
    for (size_t i = 0; i < p->in->demand_count; i++)
        parts += !p->in->demand[i].site;
    const struct figure figures[] = {
        {MARK_NONE, arena_printf(p->mem, "%d", lines), "order lines proposed"},
        {MARK_NONE, arena_printf(p->mem, "%d", today), "of them to be ordered today"},
        {MARK_NONE, arena_printf(p->mem, "%d", parts), "parts with fans in the fleet"},
        {MARK_NONE, pack_percent(p->mem, p->in->service),
         "service asked for: a piece is on the shelf when wanted"},
    };
    sheet_title(&p->s, "Spare fans: what to order",
                arena_printf(p->mem,
                             "How many of which part, for which site, by when. Demand over %d days; %s.",
                             a->horizon_days, pack_moment(p->mem, a->fleet->as_of_us, NULL)));
    sheet_figures(&p->s, figures, sizeof figures / sizeof *figures);
    draw_orders(p);
    draw_totals(p);
}

/* A part: its demand as a picture, its stock, the drives behind it */

static int fleet_stock(const struct fleet *fleet, const struct part *part)
{
    int sum = -1;
    for (size_t i = 0; i < fleet->stock_count; i++)
        if (fleet->stock[i].part == part)
            sum = (sum < 0 ? 0 : sum) + fleet->stock[i].on_hand;
    return sum;
}

static void draw_demand(struct order_pack *p, const struct demand *d, const struct chart_frame *frame)
{
    int quantiles[QUANTILES];
    const char *labels[QUANTILES];

    for (int i = 0; i < QUANTILES; i++) {
        quantiles[i] = distribution_quantile(&d->count, quantile_at[i]);
        labels[i] = pack_percent(p->mem, quantile_at[i]);
    }
    const struct chart_demand chart = {.p = d->count.p,
                                       .count = d->count.size,
                                       .stock = fleet_stock(p->in->assessment->fleet, d->part),
                                       .quantiles = quantiles,
                                       .quantile_labels = labels,
                                       .quantile_count = QUANTILES};
    chart_demand(p->s.pdf, &chart, frame);
}

static const char *lead_words(struct order_pack *p, const struct part *part)
{
    if (isnan(part->lead_time_days))
        return arena_printf(p->mem, "not known; %d days assumed", STOCK_DEFAULT_LEAD_DAYS);
    if (isnan(part->lead_time_sd_days))
        return arena_printf(p->mem, "%.0f days", part->lead_time_days);
    return arena_printf(p->mem, "%.0f days, standard deviation %.0f", part->lead_time_days,
                        part->lead_time_sd_days);
}

static const char *risk_words(struct order_pack *p, const struct part *part)
{
    int32_t today = day_of(p->in->assessment->fleet->as_of_us);
    if (part->successor)
        return arena_printf(p->mem, "superseded by %s", part->successor->part);
    if (part->last_order_day == DAY_UNKNOWN)
        return "no last order date in the register";
    return arena_printf(p->mem, "%s %s",
                        part->last_order_day < today ? "last order date has passed:" : "last order date",
                        pack_day(p->mem, part->last_order_day));
}

static void draw_part_facts(struct order_pack *p, const struct demand *d, double x, double y, double width)
{
    const struct part *part = d->part;
    int stock = fleet_stock(p->in->assessment->fleet, part);
    const struct pair pairs[] = {
        {"Description", part->description},
        {"Installed", pack_plural(p->mem, d->fans, "fan", "fans")},
        {"On the shelves", stock < 0 ? NULL : arena_printf(p->mem, "%d", stock)},
        {"Expected need", arena_printf(p->mem, "%.1f in %d days", distribution_mean(&d->count),
                                       p->in->assessment->horizon_days)},
        {"Unit price", part->price_minor < 0 ? NULL : pack_price(p->mem, part->price_minor, part->currency)},
        {"Lead time", lead_words(p, part)},
        {"Order step", arena_printf(p->mem, "%d, at least %d", part->order_multiple, part->minimum_order)},
        {"Supply", risk_words(p, part)},
    };
    sheet_pairs(&p->s, x, y, width, pairs, sizeof pairs / sizeof *pairs);
}

static const char *drives_behind(struct order_pack *p, const struct order_line *o)
{
    const char *names[DRIVES_NAMED];
    size_t count = o->drive_count < DRIVES_NAMED ? o->drive_count : DRIVES_NAMED;

    for (size_t i = 0; i < count; i++)
        names[i] = arena_printf(p->mem, "%s %s", o->drives[i]->drive->drive,
                                pack_percent(p->mem, o->drives[i]->probability));
    return count ? pack_list(p->mem, names, count) : "none at risk by name";
}

static void draw_part_sites(struct order_pack *p, const struct part *part)
{
    static const struct column columns[] = {
        {"Site", 14, ALIGN_LEFT, 2},
        {"On hand", 8, ALIGN_RIGHT, 2},
        {"On order", 8, ALIGN_RIGHT, 2},
        {"Span covered", 11, ALIGN_RIGHT, 2},
        {"Expected need in it", 11, ALIGN_RIGHT, 2},
        {"Base stock", 8, ALIGN_RIGHT, 2},
        {"Order", 8, ALIGN_RIGHT, 2},
        {"Service without / with", 17, ALIGN_RIGHT, 2},
        {"Drives at risk behind it", 42, ALIGN_LEFT, 3},
    };
    struct table *t = table_new(&p->s, columns, sizeof columns / sizeof *columns);

    for (size_t i = 0; i < p->in->order_count; i++) {
        const struct order_line *o = &p->in->orders[i];
        if (o->part != part)
            continue;
        struct cell *c = table_row(t, ROW_PLAIN);
        c[0].text = o->site->site;
        c[1].text = arena_printf(p->mem, "%d", o->on_hand);
        c[2].text = arena_printf(p->mem, "%d", o->on_order);
        c[3].text = span_words(p, o);
        c[4].text = arena_printf(p->mem, "%.2f", o->mean);
        c[5].text = arena_printf(p->mem, "%d", o->base_stock);
        c[6] = (struct cell){.text = arena_printf(p->mem, "%d", o->order), .strong = o->order > 0};
        c[7].text = arena_printf(p->mem, "%s / %s", pack_percent(p->mem, o->service_without),
                                 pack_percent(p->mem, o->service_with));
        c[8].text = drives_behind(p, o);
    }
    table_draw(t);
}

static void draw_part(struct order_pack *p, const struct demand *d)
{
    enum { PICTURE = 150 };
    struct sheet *s = &p->s;
    double half = (sheet_width(s) - DESIGN_GUTTER) / 2;

    sheet_head(s, arena_printf(p->mem, "Part %s", d->part->part), PICTURE + 70);
    pdf_bookmark(s->pdf, 1, d->part->part);
    draw_demand(p, d, &(struct chart_frame){s->left, s->y, half, PICTURE});
    draw_part_facts(p, d, s->left + half + DESIGN_GUTTER, s->y, half);
    s->y += PICTURE;
    draw_part_sites(p, d->part);
}

static void draw_assumptions(struct order_pack *p)
{
    struct sheet *s = &p->s;

    sheet_head(s, "How these numbers are made", 80);
    sheet_text(
        s, TYPE_BODY,
        arena_printf(
            p->mem,
            "The need for a part is the distribution of how many of its fans will be replaced within %d "
            "days: each fan counts with its own probability, a replaced fan can need replacing again, "
            "and the fans of a site are added up exactly. An arrow marked 95\u00A0%% under a picture "
            "reads: in 95 of 100 such periods no more than that many are used.",
            p->in->assessment->horizon_days));
    sheet_text(
        s, TYPE_BODY,
        arena_printf(
            p->mem,
            "Stock is planned per site as base stock: after every use one is ordered, and what is on "
            "hand and on order has to cover the part's lead time and a review period of %d days at the "
            "asked service of %s. A lead time that is not known is taken as %d days. Service is the "
            "probability that a piece is on the shelf when it is asked for.",
            STOCK_REVIEW_DAYS, pack_percent(p->mem, p->in->service), STOCK_DEFAULT_LEAD_DAYS));
    sheet_text(
        s, TYPE_BODY,
        "Fans are taken as independent of each other; dirt that a cabinet shares makes large numbers "
        "likelier "
        "than shown. Drives that cannot be judged count by their age where it is known, else not at all.");
}

bool pack_procurement(const struct pack_input *in, const char *dir, struct arena *mem, const char **path,
                      struct err *err)
{
    struct order_pack p = {.in = in, .mem = mem};

    if (!pack_open(&p.s, in, NULL, "procurement", "Procurement pack", "spare fans to order", mem, err))
        return false;
    pdf_bookmark(p.s.pdf, 0, "Order proposal");
    draw_first_page(&p);
    pdf_bookmark(p.s.pdf, 0, "Parts");
    for (size_t i = 0; i < in->demand_count; i++)
        if (!in->demand[i].site)
            draw_part(&p, &in->demand[i]);
    draw_assumptions(&p);
    return pack_close(&p.s, in, NULL, "procurement", dir, mem, path, err);
}
