#include "pack_inside.h"

#include <math.h>
#include <string.h>

enum { WHERE_ROWS = 7 };

/* Everything about one sheet while it is drawn. */
struct job_sheet {
    struct sheet *s;
    const struct pack_input *in;
    const struct drive_risk *risk;
    const struct fan_risk *fan; /* NULL: the drive has none in the register */
    struct job_words words;
    double left_width, right_width, right_x;
};

static const struct part *part_of(const struct job_sheet *j)
{
    return j->fan && j->fan->fan->model ? j->fan->fan->model->part : NULL;
}

/* A small head within the sheet: on a line of its own, with a rule above. */
static double small_head(struct job_sheet *j, double x, double y, double width, const char *text)
{
    const struct pen rule = design_pen(TONE_ACCENT, WEIGHT_HAIR);
    struct ink ink = *design_ink(TYPE_HEAD);

    ink.size = 8.5;
    pdf_line(j->s->pdf, &rule, x, y + 2, x + width, y + 2);
    pdf_text_fit(j->s->pdf, &ink, ALIGN_LEFT, x, y + 11.5, width, text);
    return y + 15;
}

/* Head: what to do, on which drive, the code of the job */

/* So that a module of the code is half a millimetre or more. */
static double code_size(const char *id)
{
    size_t bytes = strlen(id);
    return bytes <= 62 ? 60 : bytes <= 106 ? 72 : bytes <= 152 ? 84 : 104;
}

static void draw_not_released(struct job_sheet *j)
{
    struct sheet *s = j->s;
    const struct pen heavy = design_pen(TONE_INK, WEIGHT_HEAVY), panel = design_pen(TONE_PANEL, WEIGHT_HAIR);
    const char *text = arena_printf(s->mem, "NOT RELEASED \u2013 missing: %s. Do not start.",
                                    pack_list(s->mem, j->words.missing, j->words.missing_count));

    pdf_box(s->pdf, &panel, &heavy, s->left + 0.7, s->y, sheet_width(s) - 1.4, 16);
    pdf_text_fit(s->pdf, design_ink(TYPE_STRONG), ALIGN_LEFT, s->left + 8, s->y + 11, sheet_width(s) - 16,
                 text);
    s->y += 20;
}

static void draw_head(struct job_sheet *j)
{
    struct sheet *s = j->s;
    const struct drive *drive = j->risk->drive;
    const char *id = pack_job_id(s->mem, j->risk, j->in->assessment->fleet->as_of_us);
    double code = code_size(id), room = sheet_width(s) - code - DESIGN_GUTTER;
    struct ink word = *design_ink(TYPE_HEAD), title = *design_ink(TYPE_TITLE);

    title.size = 15;
    word.size = 11;
    pdf_code(s->pdf, s->right - code, s->y - 4, code, id);
    design_mark(s->pdf, pack_mark(j->risk->action), s->left, s->y + 9, 12);
    pdf_text(s->pdf, &word, ALIGN_LEFT, s->left + 18, s->y + 13, action_word(j->risk->action));
    pdf_text_fit(s->pdf, design_ink(TYPE_LABEL), ALIGN_RIGHT, s->left + room, s->y + 13, room * 0.6,
                 j->words.kind);
    pdf_text_fit(
        s->pdf, &title, ALIGN_LEFT, s->left, s->y + 33, room,
        arena_printf(s->mem, "%s, %s", drive->drive, j->fan ? j->fan->fan->position : "no fan known"));
    pdf_text_fit(s->pdf, design_ink(TYPE_LEAD), ALIGN_LEFT, s->left, s->y + 47, room * 0.4,
                 arena_printf(s->mem, "on %s", drive->machine->name));
    pdf_text_fit(s->pdf, design_ink(TYPE_NOTE), ALIGN_RIGHT, s->left + room, s->y + 47, room * 0.6,
                 arena_printf(s->mem, "job %s", id));
    s->y += fmax(code, 56);
    if (j->words.missing_count)
        draw_not_released(j);
}

/* Where it is, and what */

static const char *shelf_of(struct job_sheet *j)
{
    int shelf = pack_on_hand(j->in->assessment->fleet, j->risk->drive->machine->site, part_of(j));
    return shelf < 0 ? "not counted" : arena_printf(j->s->mem, "%d on the site's shelf", shelf);
}

static size_t where_pairs(struct job_sheet *j, struct pair pairs[WHERE_ROWS])
{
    const struct drive *drive = j->risk->drive;
    const struct machine *machine = drive->machine;
    struct arena *mem = j->s->mem;
    const struct pair filled[WHERE_ROWS] = {
        {"Machine", strcmp(machine->name, machine->machine)
                        ? arena_printf(mem, "%s (%s)", machine->name, machine->machine)
                        : machine->name},
        {"Asset number", machine->asset_number},
        {"Place", machine->location},
        {"Cabinet, slot", drive->cabinet_slot},
        {"Drive", drive->model ? arena_printf(mem, "%s, model %s", drive->drive, drive->model->drive_model)
                               : drive->drive},
        {"Serial number", drive->serial},
        {"Axes", drive->axis_count ? pack_list(mem, drive->axes, drive->axis_count) : NULL},
    };
    memcpy(pairs, filled, sizeof filled);
    return WHERE_ROWS;
}

static const char *baseline_words(struct job_sheet *j)
{
    const struct fan_risk *f = j->fan;
    if (isnan(f->baseline_rpm))
        return NULL;
    return arena_printf(j->s->mem, "%.0f rev/min%s", f->baseline_rpm,
                        f->baseline_own ? ", its own" : ", from peers or rated speed");
}

static const char *warning_words(struct job_sheet *j)
{
    const struct fan_risk *f = j->fan;
    if (isnan(f->warning_rpm))
        return NULL;
    return arena_printf(j->s->mem, "%.0f rev/min (%s)", f->warning_rpm, pack_or(f->warning_from, "register"));
}

static size_t what_pairs(struct job_sheet *j, struct pair pairs[WHERE_ROWS])
{
    const struct fan_risk *f = j->fan;
    const struct part *part = part_of(j);
    struct arena *mem = j->s->mem;

    if (!f) {
        pairs[0] = (struct pair){"Fan", NULL};
        return 1;
    }
    const struct pair filled[WHERE_ROWS] = {
        {"Fan", arena_printf(mem, "%s%s%s", f->fan->position, f->fan->model ? ", model " : "",
                             f->fan->model ? f->fan->model->fan_model : "")},
        {"Part", part ? arena_printf(mem, "%s; %s", part->part, shelf_of(j))
                      : "read it on the fan, else from the drive's label"},
        {"Fitted", f->fan->installed_day == DAY_UNKNOWN
                       ? NULL
                       : arena_printf(mem, "%s%s", pack_day(mem, f->fan->installed_day),
                                      isnan(f->age_hours)
                                          ? ""
                                          : arena_printf(mem, ", %s h run", pack_number(mem, f->age_hours)))},
        {"Last speed",
         isnan(f->rpm) ? NULL : arena_printf(mem, "%.0f rev/min on %s", f->rpm, pack_day(mem, f->rpm_day))},
        {"Baseline", baseline_words(j)},
        {"Warning speed", warning_words(j)},
        {"Fault in time",
         arena_printf(mem, "%s within %d days", pack_likely(mem, j->risk->probability, j->risk->interval),
                      j->in->assessment->horizon_days)},
    };
    memcpy(pairs, filled, sizeof filled);
    return WHERE_ROWS;
}

static void draw_facts(struct job_sheet *j)
{
    struct sheet *s = j->s;
    struct pair where[WHERE_ROWS], what[WHERE_ROWS];
    double half = (sheet_width(s) - DESIGN_GUTTER) / 2, x = s->left + half + DESIGN_GUTTER;
    size_t where_count = where_pairs(j, where), what_count = what_pairs(j, what);

    double y = small_head(j, s->left, s->y, half, "Where");
    double below_where = sheet_pairs(s, s->left, y, half, where, where_count);
    small_head(j, x, s->y, half, "What");
    double below_what = sheet_pairs(s, x, y, half, what, what_count);
    s->y = fmax(below_where, below_what) + 1;
}

/* Why: two sentences and a picture */

static const char *why_text(struct job_sheet *j)
{
    const struct drive_risk *r = j->risk;
    if (!r->reason_count)
        return "No single reason stands out; see the figures above.";
    return r->reason_count == 1 ? r->reasons[0]
                                : arena_printf(j->s->mem, "%s %s", r->reasons[0], r->reasons[1]);
}

static const char *passage_words(struct arena *mem, const struct fan_risk *f)
{
    const double *days = f->days_to_warning;
    if (isnan(days[1]) || isinf(days[0]))
        return NULL;
    if (isinf(days[1]))
        return arena_printf(mem, "forecast: warning speed in %.0f days at the earliest", days[0]);
    if (isinf(days[2]))
        return arena_printf(mem, "forecast: warning speed in about %.0f days (%.0f or more)", days[1],
                            days[0]);
    return arena_printf(mem, "forecast: warning speed in about %.0f days (%.0f to %.0f)", days[1], days[0],
                        days[2]);
}

/* Checks, what is special, what to bring, cautions: measured first, then drawn. With draw false only the y
 * below is found. */

enum { ITEM_LEADING = 9 };

struct item_list {
    const char **items;
    size_t count;
    bool boxes; /* numbered, to tick */
};

static double draw_items(struct job_sheet *j, double x, double y, double width, const struct item_list *list,
                         bool draw)
{
    const double indent = list->boxes ? 24 : 9;
    struct sheet *s = j->s;

    for (size_t i = 0; i < list->count; i++) {
        struct block block = {design_ink(TYPE_NOTE), ALIGN_LEFT,   x + indent, y,
                              width - indent,        ITEM_LEADING, 4};
        if (draw && list->boxes) {
            design_tick_box(s->pdf, x, y + 4.8);
            pdf_text(s->pdf, design_ink(TYPE_NOTE), ALIGN_LEFT, x + 12, y + 7.1,
                     arena_printf(s->mem, "%zu", i + 1));
        } else if (draw) {
            pdf_text(s->pdf, design_ink(TYPE_NOTE), ALIGN_LEFT, x, y + 7.1, "\u2013");
        }
        y = pdf_paragraph(s->pdf, &block, list->items[i], draw) + 1;
    }
    return y;
}

/* "Bring" goes under the shorter column. */
static double draw_columns(struct job_sheet *j, double y, bool draw)
{
    struct sheet *s = j->s;
    const struct job_words *w = &j->words;
    const struct item_list checks = {w->checks, w->check_count, true};
    const struct item_list bring = {w->bring, w->bring_count, false};
    const struct item_list special = {w->special, w->special_count, false};
    const char *causes = arena_printf(s->mem, "Likely: %s.", w->causes);
    const struct block block = {design_ink(TYPE_NOTE), ALIGN_LEFT,   s->left, y + 15,
                                j->left_width,         ITEM_LEADING, 3};

    if (draw) {
        small_head(j, s->left, y, j->left_width, "Causes and checks, cheapest first");
        small_head(j, j->right_x, y, j->right_width, "What is special here");
    }
    double left = pdf_paragraph(s->pdf, &block, causes, draw) + 2;
    left = draw_items(j, s->left, left, j->left_width, &checks, draw);
    double right = draw_items(j, j->right_x, y + 15, j->right_width, &special, draw);
    bool below_left = left < right;
    double x = below_left ? s->left : j->right_x, width = below_left ? j->left_width : j->right_width;
    double *column = below_left ? &left : &right;
    if (draw)
        small_head(j, x, *column, width, "Bring");
    *column = draw_items(j, x, *column + 15, width, &bring, draw);
    return fmax(left, right);
}

static double draw_cautions(struct job_sheet *j, double y, bool draw)
{
    struct sheet *s = j->s;
    const struct item_list cautions = {j->words.cautions, j->words.caution_count, false};
    const struct pen bar = design_pen(TONE_SIGNAL, WEIGHT_HEAVY);
    struct ink ink = *design_ink(TYPE_HEAD);
    double top = y + 3;

    ink.size = 8.5;
    if (draw)
        pdf_text(s->pdf, &ink, ALIGN_LEFT, s->left + 8, y + 11.5, "Cautions");
    y = draw_items(j, s->left + 8, y + 15, sheet_width(s) - 8, &cautions, draw);
    if (draw)
        pdf_line(s->pdf, &bar, s->left + 1, top, s->left + 1, y - 1);
    return y;
}

/* What to fill in: the words of work.csv */

static double draw_choices(struct job_sheet *j, double y, const char *label, const char *const *words,
                           size_t count)
{
    struct sheet *s = j->s;
    double x = s->left + 62, step = (s->right - x) / 8;

    pdf_text(s->pdf, design_ink(TYPE_LABEL), ALIGN_LEFT, s->left, y + 8, label);
    for (size_t i = 0; i < count; i++) {
        design_tick_box(s->pdf, x + step * (double)i, y + 5.5);
        pdf_text_fit(s->pdf, design_ink(TYPE_NOTE), ALIGN_LEFT, x + step * (double)i + 10, y + 8, step - 12,
                     words[i]);
    }
    return y + 12.5;
}

/* Fields beside each other, each with a line to write on. */
static double draw_fields(struct job_sheet *j, double y, const char *const *labels, size_t count)
{
    struct sheet *s = j->s;
    const struct pen line = design_pen(TONE_INK, WEIGHT_HAIR);
    double step = (sheet_width(s) + 8) / (double)count;

    for (size_t i = 0; i < count; i++) {
        double x = s->left + step * (double)i;
        pdf_text_fit(s->pdf, design_ink(TYPE_LABEL), ALIGN_LEFT, x, y + 7, step - 8, labels[i]);
        pdf_line(s->pdf, &line, x, y + 24, x + step - 8, y + 24);
    }
    return y + 26;
}

static double draw_record(struct job_sheet *j, double y)
{
    static const char *const done[] = {"cleaned",   "reseated", "replaced", "housing",
                                       "connector", "board",    "drive",    "none"};
    static const char *const reason[] = {"alarm", "warning", "predicted", "age", "opportunity"};
    static const char *const finding[] = {"worn",      "blocked", "dirty", "loose",
                                          "connector", "board",   "none",  "unknown"};
    static const char *const first[] = {
        "lock number",          "measured voltage, V", "speed before, rev/min",
        "speed after, rev/min", "part used",           "housing: kept / new"};
    static const char *const second[] = {"done at (date, time)", "name, signature", "note"};

    y = small_head(j, j->s->left, y, sheet_width(j->s), "Record: tick, fill in, sign");
    y = draw_choices(j, y, "action", done, sizeof done / sizeof *done);
    y = draw_choices(j, y, "finding", finding, sizeof finding / sizeof *finding);
    y = draw_choices(j, y, "reason", reason, sizeof reason / sizeof *reason);
    y = draw_fields(j, y, first, sizeof first / sizeof *first);
    return draw_fields(j, y, second, sizeof second / sizeof *second);
}

enum { RECORD_HEIGHT = 15 + 3 * 13 + 2 * 26 };

static double draw_acceptance(struct job_sheet *j, double y, bool draw)
{
    struct sheet *s = j->s;
    const struct block block = {
        design_ink(TYPE_NOTE), ALIGN_LEFT, s->left + 62, y + 2, sheet_width(s) - 62, 10, 2};

    if (draw)
        pdf_text(s->pdf, design_ink(TYPE_STRONG), ALIGN_LEFT, s->left, y + 10, "Accepted if");
    return pdf_paragraph(s->pdf, &block, j->words.acceptance, draw) + 2;
}

static void draw_why(struct job_sheet *j)
{
    struct sheet *s = j->s;

    const char *passage = j->fan ? passage_words(s->mem, j->fan) : NULL;
    double head = s->y + 11.5;
    s->y = small_head(j, s->left, s->y, sheet_width(s), "Why");
    if (passage)
        pdf_text_fit(s->pdf, design_ink(TYPE_NOTE), ALIGN_RIGHT, s->right, head, sheet_width(s) * 0.8,
                     passage);
    s->y = sheet_block(s, TYPE_BODY, s->left, s->y, sheet_width(s), 3, why_text(j)) + 1;
}

/* From the bottom up everything has its height; the picture takes what is left. */
static void draw_body(struct job_sheet *j)
{
    enum { LOWEST = 60, TALLEST = 180 };
    struct sheet *s = j->s;

    draw_facts(j);
    draw_why(j);
    double rest =
        draw_columns(j, 0, false) + draw_cautions(j, 0, false) + draw_acceptance(j, 0, false) + RECORD_HEIGHT;
    double room = s->bottom - s->y - rest;
    if (pack_job_has_speed(j->in, j->fan) && room >= LOWEST) {
        double height = fmin(room - 3, TALLEST);
        pack_job_picture(s, j->in, j->risk, j->fan, height);
        s->y += height + 3;
    } else {
        s->y = sheet_block(s, TYPE_NOTE, s->left, s->y, sheet_width(s), 1,
                           pack_job_has_speed(j->in, j->fan)
                               ? "No room for the picture of its speed on this sheet."
                               : "No picture: no speed of this fan is known for the last 120 days.");
    }
    s->y = draw_columns(j, s->y, true);
    s->y = draw_cautions(j, s->y, true);
    s->y = draw_record(j, s->y);
    s->y = draw_acceptance(j, s->y, true);
}

void pack_job_sheet(struct sheet *s, const struct pack_input *in, const struct job *job)
{
    struct job_sheet j = {.s = s, .in = in, .risk = job->risk, .fan = pack_worst_fan(job->risk)};

    sheet_page(s);
    pdf_target_here(s->pdf, job->target);
    pack_job_words(s->mem, in, job->risk, j.fan, &j.words);
    j.left_width = (sheet_width(s) - DESIGN_GUTTER) * 0.54;
    j.right_width = sheet_width(s) - DESIGN_GUTTER - j.left_width;
    j.right_x = s->left + j.left_width + DESIGN_GUTTER;
    draw_head(&j);
    draw_body(&j);
}
