#include "pack_inside.h"

#include <math.h>
#include <string.h>

enum { TOP_DRIVES = 25 };

struct site_pack {
    struct sheet s;
    const struct pack_input *in;
    const struct site *site;
    struct arena *mem;
    struct job *jobs;
    size_t job_count;
    int counts[MARKS]; /* drives of the site by mark */
};

static bool is_here(const struct site_pack *p, const struct drive_risk *risk)
{
    return risk->drive->machine->site == p->site;
}

static void count_drives(struct site_pack *p)
{
    const struct assessment *a = p->in->assessment;

    for (size_t i = 0; i < a->ranked_count; i++)
        if (is_here(p, &a->ranked[i]))
            p->counts[pack_mark(a->ranked[i].action)]++;
    for (size_t i = 0; i < a->unknown_count; i++)
        if (is_here(p, &a->unknown[i]))
            p->counts[MARK_UNKNOWN]++;
}

/* Sums of different currencies stand side by side. */
static const char *cost_ahead(struct site_pack *p)
{
    const struct assessment *a = p->in->assessment;
    const char *text = NULL;
    const char *done[8];
    size_t currencies = 0;

    for (size_t i = 0; i < a->ranked_count && currencies < 8; i++) {
        const char *currency = pack_or(a->ranked[i].drive->machine->currency, "");
        double sum = 0;
        bool seen = false;
        if (!is_here(p, &a->ranked[i]) || isnan(a->ranked[i].expected_cost))
            continue;
        for (size_t k = 0; k < currencies; k++)
            seen = seen || !strcmp(done[k], currency);
        if (seen)
            continue;
        done[currencies++] = currency;
        for (size_t k = i; k < a->ranked_count; k++)
            if (is_here(p, &a->ranked[k]) && !isnan(a->ranked[k].expected_cost) &&
                !strcmp(pack_or(a->ranked[k].drive->machine->currency, ""), currency))
                sum += a->ranked[k].expected_cost;
        const char *one = pack_cost(p->mem, sum, currency);
        text = text ? arena_printf(p->mem, "%s + %s", text, one) : one;
    }
    return text ? text : "not known";
}

static const char *fan_words(struct site_pack *p, const struct drive_risk *risk)
{
    const struct fan_risk *fan = pack_worst_fan(risk);
    const char *axes = risk->drive->axis_count
                           ? arena_printf(p->mem, "; %s %s", risk->drive->axis_count == 1 ? "axis" : "axes",
                                          pack_list(p->mem, risk->drive->axes, risk->drive->axis_count))
                           : "";
    return arena_printf(p->mem, "%s, %s%s", risk->drive->drive, fan ? fan->fan->position : "no fan known",
                        axes);
}

static const struct part *part_of(const struct drive_risk *risk)
{
    const struct fan_risk *fan = pack_worst_fan(risk);
    return fan && fan->fan->model ? fan->fan->model->part : NULL;
}

static const char *first_reason(const struct drive_risk *risk)
{
    return risk->reason_count ? risk->reasons[0] : "";
}

/* Summary */

static void draw_summary(struct site_pack *p)
{
    const struct assessment *a = p->in->assessment;
    struct sheet *s = &p->s;
    const struct figure figures[] = {
        {MARK_NOW, arena_printf(p->mem, "%d", p->counts[MARK_NOW]), "drives: act now"},
        {MARK_WEEK, arena_printf(p->mem, "%d", p->counts[MARK_WEEK]), "drives: this week"},
        {MARK_PLAN, arena_printf(p->mem, "%d", p->counts[MARK_PLAN]), "drives: plan"},
        {MARK_WATCH, arena_printf(p->mem, "%d", p->counts[MARK_WATCH]), "drives: watch, nothing to do"},
        {MARK_UNKNOWN, arena_printf(p->mem, "%d", p->counts[MARK_UNKNOWN]), "drives that cannot be judged"},
    };

    sheet_title(s, arena_printf(p->mem, "%s: drive fans", p->site->name),
                arena_printf(p->mem, "What needs doing, where and why. Forecast over %d days; %s.",
                             a->horizon_days, pack_moment(p->mem, a->fleet->as_of_us, p->site)));
    sheet_figures(s, figures, sizeof figures / sizeof *figures);
    sheet_text(
        s, TYPE_LEAD,
        arena_printf(p->mem,
                     "Expected cost of stops within %d days if nothing is done: %s (probability times the "
                     "machine's stop cost; drives whose stop cost is not in the register are not in it).",
                     a->horizon_days, cost_ahead(p)));
    sheet_text(s, TYPE_BODY, track_line(p->mem, a->fleet->track, p->in->issued));
    sheet_text(s, TYPE_NOTE, track_method_line(p->mem, a->fleet->track));
    sheet_text(s, TYPE_NOTE,
               "Probabilities are forecasts of a reported fault, with their interval in brackets; a forecast "
               "is not a "
               "failure. They see speed, age and past faults only: a fan that stops at once, or a loose "
               "connector, can "
               "come without any sign.");
}

static void draw_top(struct site_pack *p)
{
    static const struct column columns[] = {
        {"Action", 18, ALIGN_LEFT, 1},         {"Drive, fan", 24, ALIGN_LEFT, 3},
        {"Machine", 18, ALIGN_LEFT, 2},        {"Fault within the horizon", 19, ALIGN_LEFT, 2},
        {"Expected cost", 17, ALIGN_RIGHT, 2}, {"Why", 37, ALIGN_LEFT, 4},
        {"Page", 9, ALIGN_RIGHT, 1},
    };
    struct table *t = table_new(&p->s, columns, sizeof columns / sizeof *columns);
    size_t shown = p->job_count < TOP_DRIVES ? p->job_count : TOP_DRIVES;

    for (size_t i = 0; i < shown; i++) {
        const struct drive_risk *r = p->jobs[i].risk;
        struct cell *c = table_row(t, ROW_PLAIN);
        c[0] = pack_action_cell(r->action);
        c[1].text = fan_words(p, r);
        c[2].text = r->drive->machine->name;
        c[3].text = pack_likely(p->mem, r->probability, r->interval);
        c[4].text = pack_cost(p->mem, r->expected_cost, r->drive->machine->currency);
        c[5].text = first_reason(r);
        c[6].page = true;
        if (p->jobs[i].target >= 0)
            table_link(t, p->jobs[i].target);
    }
    sheet_head(&p->s, "Drives at risk, the most urgent first, then the dearest", table_start_height(t));
    if (!shown)
        sheet_text(&p->s, TYPE_BODY, "None: no drive of this site is near a fault by what is known.");
    table_draw(t);
    if (p->job_count > shown)
        sheet_text(
            &p->s, TYPE_NOTE,
            arena_printf(p->mem, "%zu more drives to plan are not in this table.", p->job_count - shown));
}

/* The week, machine by machine, so that each is locked out once */

static bool is_visited(const struct site_pack *p, const struct machine *machine)
{
    for (size_t i = 0; i < p->job_count; i++)
        if (p->jobs[i].risk->action <= ACTION_THIS_WEEK && p->jobs[i].risk->drive->machine == machine)
            return true;
    return false;
}

static const char *part_words(const struct drive_risk *risk)
{
    const struct part *part = part_of(risk);
    return part ? part->part : "read it on the fan";
}

static const char *shelf_words(struct site_pack *p, const struct part *part)
{
    int shelf = pack_on_hand(p->in->assessment->fleet, p->site, part);
    return shelf < 0 ? "not counted" : arena_printf(p->mem, "%d", shelf);
}

static void add_visit(struct site_pack *p, struct table *t, const struct machine *machine)
{
    struct cell *c = table_row(t, ROW_GROUP);
    c[0].text = arena_printf(
        p->mem, "%s%s%s%s%s%s", machine->name, machine->location ? ", " : "", pack_or(machine->location, ""),
        machine->asset_number ? ", asset " : "", pack_or(machine->asset_number, ""),
        machine->lockout_procedure   ? arena_printf(p->mem, ", lockout %s", machine->lockout_procedure)
        : p->site->lockout_procedure ? ""
                                     : ", NO LOCKOUT PROCEDURE IN THE REGISTER");
    for (size_t i = 0; i < p->job_count; i++) {
        const struct drive_risk *r = p->jobs[i].risk;
        if (r->drive->machine != machine)
            continue;
        c = table_row(t, ROW_PLAIN);
        c[0] = pack_action_cell(r->action);
        c[1].text = fan_words(p, r);
        c[2].text = pack_or(r->drive->cabinet_slot, "slot not known");
        c[3].text = part_words(r);
        c[4].text = part_of(r) ? shelf_words(p, part_of(r)) : "";
        c[5].text = r->action == ACTION_PLAN ? "while the machine is locked out anyway" : first_reason(r);
        if (p->jobs[i].target >= 0)
            table_link(t, p->jobs[i].target);
    }
}

static void draw_week(struct site_pack *p)
{
    static const struct column columns[] = {
        {"Action", 18, ALIGN_LEFT, 1},        {"Drive, fan", 25, ALIGN_LEFT, 3},
        {"Cabinet, slot", 16, ALIGN_LEFT, 2}, {"Part to bring", 17, ALIGN_LEFT, 2},
        {"On the shelf", 12, ALIGN_RIGHT, 2}, {"Why", 38, ALIGN_LEFT, 3},
    };
    struct table *t = table_new(&p->s, columns, sizeof columns / sizeof *columns);
    size_t machines = 0;

    for (size_t i = 0; i < p->job_count; i++) {
        const struct machine *machine = p->jobs[i].risk->drive->machine;
        bool first = is_visited(p, machine);
        for (size_t k = 0; k < i && first; k++)
            first = p->jobs[k].risk->drive->machine != machine;
        if (first) {
            add_visit(p, t, machine);
            machines++;
        }
    }
    sheet_head(&p->s,
               arena_printf(p->mem, "This week: %s to visit, each locked out once",
                            pack_plural(p->mem, (int64_t)machines, "machine", "machines")),
               table_start_height(t));
    if (!machines)
        sheet_text(&p->s, TYPE_BODY, "No machine has to be visited this week.");
    table_draw(t);
}

static void draw_picking(struct site_pack *p)
{
    static const struct column columns[] = {
        {"Part", 20, ALIGN_LEFT, 2},           {"Description", 40, ALIGN_LEFT, 2},
        {"For this week", 12, ALIGN_RIGHT, 2}, {"For all sheets", 12, ALIGN_RIGHT, 2},
        {"On the shelf", 12, ALIGN_RIGHT, 2},  {"Short", 12, ALIGN_RIGHT, 2},
    };
    const struct fleet *fleet = p->in->assessment->fleet;
    struct table *t = table_new(&p->s, columns, sizeof columns / sizeof *columns);

    for (size_t k = 0; k < fleet->part_count; k++) {
        const struct part *part = &fleet->parts[k];
        int week = 0, all = 0, shelf = pack_on_hand(fleet, p->site, part);
        for (size_t i = 0; i < p->job_count; i++) {
            const struct part *needed = part_of(p->jobs[i].risk);
            if (needed && needed == part) {
                all++;
                week += p->jobs[i].risk->action <= ACTION_THIS_WEEK;
            }
        }
        if (!all)
            continue;
        struct cell *c = table_row(t, ROW_PLAIN);
        c[0].text = part->part;
        c[1].text = part->description;
        c[2].text = arena_printf(p->mem, "%d", week);
        c[3].text = arena_printf(p->mem, "%d", all);
        c[4].text = shelf_words(p, part);
        c[5] =
            (struct cell){.text = shelf < 0 ? "" : arena_printf(p->mem, "%d", all > shelf ? all - shelf : 0),
                          .strong = shelf >= 0 && all > shelf};
    }
    if (!table_rows(t))
        return;
    sheet_head(&p->s, "Parts to pick", table_start_height(t));
    table_draw(t);
}

/* Job sheets, with bookmarks site, machine, drive */

static void bookmark_job(struct site_pack *p, size_t i, const struct machine **last)
{
    const struct drive *drive = p->jobs[i].risk->drive;

    if (drive->machine != *last)
        pdf_bookmark(p->s.pdf, 1, drive->machine->name);
    *last = drive->machine;
    pdf_bookmark(p->s.pdf, 2,
                 arena_printf(p->mem, "%s (%s)", drive->drive, action_word(p->jobs[i].risk->action)));
}

/* The sheets of one machine follow each other; machines come in the order of their most urgent drive. */
static void draw_job_sheets(struct site_pack *p)
{
    bool *done = arena_array(p->mem, bool, p->job_count + 1);
    const struct machine *last = NULL;

    for (size_t i = 0; i < p->job_count; i++)
        for (size_t k = i; k < p->job_count; k++) {
            if (done[k] || p->jobs[k].target < 0 ||
                p->jobs[k].risk->drive->machine != p->jobs[i].risk->drive->machine)
                continue;
            pack_job_sheet(&p->s, p->in, &p->jobs[k]);
            bookmark_job(p, k, &last);
            done[k] = true;
        }
}

static void note_left_out(struct site_pack *p)
{
    if (p->job_count > PACK_MAX_JOBS)
        sheet_text(
            &p->s, TYPE_NOTE,
            arena_printf(
                p->mem,
                "Job sheets follow for the first %d drives; %zu drives to plan have none in this pack.",
                PACK_MAX_JOBS, p->job_count - PACK_MAX_JOBS));
}

bool pack_site(const struct pack_input *in, const struct site *site, const char *dir, struct arena *mem,
               const char **path, struct err *err)
{
    struct site_pack p = {.in = in, .site = site, .mem = mem};

    if (!pack_open(&p.s, in, site, "site", "Site pack", "drives at risk and job sheets", mem, err))
        return false;
    p.job_count = pack_jobs(in->assessment, site, &p.s, &p.jobs);
    count_drives(&p);
    pdf_bookmark(p.s.pdf, 0, site->name);
    draw_summary(&p);
    draw_top(&p);
    draw_week(&p);
    draw_picking(&p);
    note_left_out(&p);
    pack_blind_spots(&p.s, in, site);
    draw_job_sheets(&p);
    return pack_close(&p.s, in, site, "site", dir, mem, path, err);
}
