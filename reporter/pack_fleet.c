#include "pack_inside.h"

#include "chart.h"

#include <math.h>
#include <string.h>

enum { TOP_DRIVES = 15, CURRENCIES = 6 };

/* Expected cost by currency, in the order in which currencies were met. */
struct money {
    const char *currency[CURRENCIES];
    double sum[CURRENCIES];
    int count;
};

struct site_sum {
    int machines, drives, fans, no_speed, gaps, silent;
    int marks[MARKS];
    int pieces; /* to order */
    struct money ahead;
};

struct fleet_pack {
    struct sheet s;
    const struct pack_input *in;
    struct arena *mem;
    struct site_sum *sites; /* in the order of the fleet's sites */
    struct site_sum all;
};

/* Sums */

static void add_money(struct money *m, const char *currency, double amount)
{
    int i = 0;

    if (isnan(amount))
        return;
    while (i < m->count && strcmp(m->currency[i], currency) != 0)
        i++;
    if (i == CURRENCIES)
        return;
    if (i == m->count)
        m->currency[m->count++] = currency;
    m->sum[i] += amount;
}

static const char *money_words(struct arena *mem, const struct money *m)
{
    const char *text = NULL;
    for (int i = 0; i < m->count; i++) {
        const char *one = pack_cost(mem, m->sum[i], m->currency[i]);
        text = text ? arena_printf(mem, "%s + %s", text, one) : one;
    }
    return text ? text : "not known";
}

static struct site_sum *sum_of(struct fleet_pack *p, const struct site *site)
{
    return &p->sites[site - p->in->assessment->fleet->sites];
}

static void sum_register(struct fleet_pack *p)
{
    const struct fleet *fleet = p->in->assessment->fleet;

    for (size_t i = 0; i < fleet->machine_count; i++)
        sum_of(p, fleet->machines[i].site)->machines++;
    for (size_t i = 0; i < fleet->drive_count; i++) {
        const struct drive *d = &fleet->drives[i];
        struct site_sum *sum = sum_of(p, d->machine->site);
        bool bound = false;
        for (size_t k = 0; k < d->fan_count; k++)
            bound = bound || d->fans[k].bound;
        sum->drives++;
        sum->fans += (int)d->fan_count;
        sum->no_speed += !bound;
    }
    for (size_t i = 0; i < fleet->source_count; i++) {
        const struct source_state *source = &fleet->sources[i];
        struct site_sum *sum = sum_of(p, source->site);
        sum->gaps += source->gaps;
        sum->silent +=
            source->last_contact_us == TIME_UNKNOWN || fleet->as_of_us - source->last_contact_us > US_PER_DAY;
    }
}

static void sum_risks(struct fleet_pack *p)
{
    const struct assessment *a = p->in->assessment;

    for (size_t i = 0; i < a->ranked_count; i++) {
        const struct machine *machine = a->ranked[i].drive->machine;
        struct site_sum *sum = sum_of(p, machine->site);
        sum->marks[pack_mark(a->ranked[i].action)]++;
        add_money(&sum->ahead, pack_or(machine->currency, ""), a->ranked[i].expected_cost);
        add_money(&p->all.ahead, pack_or(machine->currency, ""), a->ranked[i].expected_cost);
    }
    for (size_t i = 0; i < a->unknown_count; i++)
        sum_of(p, a->unknown[i].drive->machine->site)->marks[MARK_UNKNOWN]++;
    for (size_t i = 0; i < p->in->order_count; i++)
        sum_of(p, p->in->orders[i].site)->pieces += p->in->orders[i].order;
    for (size_t i = 0; i < a->fleet->site_count; i++) {
        const struct site_sum *sum = &p->sites[i];
        p->all.machines += sum->machines;
        p->all.drives += sum->drives;
        p->all.fans += sum->fans;
        p->all.no_speed += sum->no_speed;
        p->all.gaps += sum->gaps;
        p->all.silent += sum->silent;
        p->all.pieces += sum->pieces;
        for (int mark = 0; mark < MARKS; mark++)
            p->all.marks[mark] += sum->marks[mark];
    }
}

/* Pages */

static void draw_figures(struct fleet_pack *p)
{
    const struct assessment *a = p->in->assessment;
    const struct site_sum *all = &p->all;
    const struct figure figures[] = {
        {MARK_NOW, arena_printf(p->mem, "%d", all->marks[MARK_NOW]), "drives: act now"},
        {MARK_WEEK, arena_printf(p->mem, "%d", all->marks[MARK_WEEK]), "drives: this week"},
        {MARK_PLAN, arena_printf(p->mem, "%d", all->marks[MARK_PLAN]), "drives: plan"},
        {MARK_WATCH, arena_printf(p->mem, "%d", all->marks[MARK_WATCH]), "drives: watch, nothing to do"},
        {MARK_UNKNOWN, arena_printf(p->mem, "%d", all->marks[MARK_UNKNOWN]), "drives that cannot be judged"},
    };
    sheet_title(&p->s, "Drive fans of the fleet",
                arena_printf(p->mem, "%s, %s, %s, %s. Forecast over %d days.",
                             pack_plural(p->mem, (int64_t)a->fleet->site_count, "site", "sites"),
                             pack_plural(p->mem, all->machines, "machine", "machines"),
                             pack_plural(p->mem, all->drives, "drive", "drives"),
                             pack_plural(p->mem, all->fans, "fan", "fans"), a->horizon_days));
    sheet_figures(&p->s, figures, sizeof figures / sizeof *figures);
    sheet_text(&p->s, TYPE_LEAD,
               arena_printf(p->mem, "Expected cost of stops within %d days if nothing is done: %s.",
                            a->horizon_days, money_words(p->mem, &all->ahead)));
}

static void draw_shares(struct fleet_pack *p)
{
    const struct fleet *fleet = p->in->assessment->fleet;
    const double name_room = 60, row = 18;
    struct sheet *s = &p->s;
    int most = 1;

    sheet_head(s, "Drives by what is to be done", row * 2);
    for (size_t i = 0; i < fleet->site_count; i++)
        most = p->sites[i].drives > most ? p->sites[i].drives : most;
    for (size_t i = 0; i < fleet->site_count; i++) {
        sheet_need(s, row);
        pdf_text_fit(s->pdf, design_ink(TYPE_BODY), ALIGN_LEFT, s->left, s->y + 11, name_room - 8,
                     fleet->sites[i].site);
        chart_shares(s->pdf, p->sites[i].marks, most,
                     &(struct chart_frame){s->left + name_room, s->y + 2, sheet_width(s) - name_room, 12});
        s->y += row;
    }
    sheet_text(s, TYPE_NOTE,
               "From the left: now (filled), this week (half filled), plan (empty), watch (grey), not judged "
               "(dashed).");
}

/* Names of one company's sites often begin alike: the key tells them apart wherever a name is cut. */
static const char *site_words(struct fleet_pack *p, const struct site *site)
{
    return strcmp(site->name, site->site) ? arena_printf(p->mem, "%s: %s", site->site, site->name)
                                          : site->site;
}

static void draw_sites(struct fleet_pack *p)
{
    static const struct column columns[] = {
        {"Site", 34, ALIGN_LEFT, 3},
        {"Machines", 13, ALIGN_RIGHT, 2},
        {"Drives", 9, ALIGN_RIGHT, 2},
        {"Now", 7, ALIGN_RIGHT, 2},
        {"This week", 8, ALIGN_RIGHT, 2},
        {"Plan", 7, ALIGN_RIGHT, 2},
        {"Watch", 8, ALIGN_RIGHT, 2},
        {"Not judged", 9, ALIGN_RIGHT, 2},
        {"Expected cost of stops", 26, ALIGN_RIGHT, 2},
        {"Fans to order", 10, ALIGN_RIGHT, 2},
    };
    const struct fleet *fleet = p->in->assessment->fleet;
    struct table *t = table_new(&p->s, columns, sizeof columns / sizeof *columns);

    for (size_t i = 0; i <= fleet->site_count; i++) {
        bool total = i == fleet->site_count;
        const struct site_sum *sum = total ? &p->all : &p->sites[i];
        struct cell *c = table_row(t, total ? ROW_SUM : ROW_PLAIN);
        const int numbers[] = {sum->machines,           sum->drives,           sum->marks[MARK_NOW],
                               sum->marks[MARK_WEEK],   sum->marks[MARK_PLAN], sum->marks[MARK_WATCH],
                               sum->marks[MARK_UNKNOWN]};
        c[0].text = total ? "all" : site_words(p, &fleet->sites[i]);
        for (size_t k = 0; k < sizeof numbers / sizeof *numbers; k++)
            c[k + 1].text = arena_printf(p->mem, "%d", numbers[k]);
        c[8].text = money_words(p->mem, &sum->ahead);
        c[9].text = arena_printf(p->mem, "%d", sum->pieces);
    }
    sheet_head(&p->s, "Sites side by side", table_start_height(t));
    table_draw(t);
}

static void draw_top(struct fleet_pack *p)
{
    static const struct column columns[] = {
        {"Action", 20, ALIGN_LEFT, 1},         {"Drive", 17, ALIGN_LEFT, 2},
        {"Machine, site", 28, ALIGN_LEFT, 2},  {"Fault within the horizon", 21, ALIGN_LEFT, 2},
        {"Expected cost", 19, ALIGN_RIGHT, 2}, {"Why", 46, ALIGN_LEFT, 3},
    };
    const struct assessment *a = p->in->assessment;
    struct table *t = table_new(&p->s, columns, sizeof columns / sizeof *columns);

    for (size_t i = 0; i < a->ranked_count && i < TOP_DRIVES; i++) {
        const struct drive_risk *r = &a->ranked[i];
        struct cell *c = table_row(t, ROW_PLAIN);
        c[0] = pack_action_cell(r->action);
        c[1].text = r->drive->drive;
        c[2].text = arena_printf(p->mem, "%s, %s", r->drive->machine->name, r->drive->machine->site->site);
        c[3].text = pack_likely(p->mem, r->probability, r->interval);
        c[4].text = pack_cost(p->mem, r->expected_cost, r->drive->machine->currency);
        c[5].text = r->reason_count ? r->reasons[0] : "";
    }
    sheet_head(&p->s, "The dearest risks of the fleet", table_start_height(t));
    if (!table_rows(t))
        sheet_text(&p->s, TYPE_BODY, "No drive can be ranked.");
    table_draw(t);
}

/* Life models */

static const char *with_limits(struct arena *mem, const char *format_unit, double v, const double ci[2],
                               int digits)
{
    if (isnan(v))
        return "not known";
    if (isnan(ci[0]) || isnan(ci[1]))
        return arena_printf(mem, "%.*f%s", digits, v, format_unit);
    return arena_printf(mem, "%.*f (%.*f to %.*f)%s", digits, v, digits, ci[0], digits, ci[1], format_unit);
}

static void add_life(struct fleet_pack *p, struct table *t, const char *name, const struct life_model *m)
{
    struct cell *c = table_row(t, ROW_PLAIN);
    const double scale_ci[2] = {m->scale_ci[0] / 1000, m->scale_ci[1] / 1000};

    c[0].text = name;
    c[1].text = arena_printf(p->mem, "%zu", m->n);
    c[2].text = arena_printf(p->mem, "%.0f", m->failures);
    c[3].text = with_limits(p->mem, "", m->shape, m->shape_ci, 2);
    c[4].text = with_limits(p->mem, "", m->scale / 1000, scale_ci, 1);
    c[5].text = isfinite(m->b10) ? arena_printf(p->mem, "%.1f", m->b10 / 1000) : "not known";
    c[6].text = life_method_word(m->method);
}

static void draw_life(struct fleet_pack *p)
{
    static const struct column columns[] = {
        {"Fan model", 22, ALIGN_LEFT, 2},
        {"Fans seen", 8, ALIGN_RIGHT, 2},
        {"Failed", 8, ALIGN_RIGHT, 2},
        {"Shape (95 % limits)", 22, ALIGN_LEFT, 2},
        {"Scale, 1000 h (95 % limits)", 24, ALIGN_LEFT, 2},
        {"A tenth failed by, 1000 h", 17, ALIGN_RIGHT, 2},
        {"Method", 30, ALIGN_LEFT, 2},
    };
    const struct assessment *a = p->in->assessment;
    struct table *t = table_new(&p->s, columns, sizeof columns / sizeof *columns);

    for (size_t i = 0; i < a->fleet->fan_model_count; i++)
        add_life(p, t, a->fleet->fan_models[i].fan_model, &a->life.models[i]);
    add_life(p, t, "all together", &a->life.all);
    sheet_head(&p->s, "How long fans live here", table_start_height(t));
    sheet_text(
        &p->s, TYPE_NOTE,
        "Weibull life by running hours from this fleet's own records; fans still running and fans removed in "
        "good order count as not failed. A shape above 1 means wear. Pooled: few failures of its own, the "
        "rest "
        "from the other models.");
    table_draw(t);
}

static void draw_quality(struct fleet_pack *p)
{
    static const struct column columns[] = {
        {"Site", 34, ALIGN_LEFT, 3},
        {"Fans", 9, ALIGN_RIGHT, 2},
        {"Drives without fan speed", 16, ALIGN_RIGHT, 2},
        {"Drives not judged", 14, ALIGN_RIGHT, 2},
        {"Sources silent for a day", 16, ALIGN_RIGHT, 2},
        {"Gaps recorded", 12, ALIGN_RIGHT, 2},
    };
    const struct fleet *fleet = p->in->assessment->fleet;
    struct table *t = table_new(&p->s, columns, sizeof columns / sizeof *columns);

    for (size_t i = 0; i < fleet->site_count; i++) {
        const struct site_sum *sum = &p->sites[i];
        const int numbers[] = {sum->fans, sum->no_speed, sum->marks[MARK_UNKNOWN], sum->silent, sum->gaps};
        struct cell *c = table_row(t, ROW_PLAIN);
        c[0].text = site_words(p, &fleet->sites[i]);
        for (size_t k = 0; k < sizeof numbers / sizeof *numbers; k++)
            c[k + 1].text = arena_printf(p->mem, "%d", numbers[k]);
    }
    sheet_head(&p->s, "What is not seen", table_start_height(t));
    table_draw(t);
}

bool pack_fleet(const struct pack_input *in, const char *dir, struct arena *mem, const char **path,
                struct err *err)
{
    struct fleet_pack p = {.in = in, .mem = mem};

    if (!pack_open(&p.s, in, NULL, "summary", "Fleet summary", "risk, stock and data of all sites", mem, err))
        return false;
    p.sites = arena_array(mem, struct site_sum, in->assessment->fleet->site_count + 1);
    sum_register(&p);
    sum_risks(&p);
    pdf_bookmark(p.s.pdf, 0, "Fleet summary");
    draw_figures(&p);
    draw_shares(&p);
    draw_sites(&p);
    draw_top(&p);
    pack_record(&p.s, in);
    draw_life(&p);
    draw_quality(&p);
    return pack_close(&p.s, in, NULL, "summary", dir, mem, path, err);
}
