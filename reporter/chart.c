#include "chart.h"

#include "base/clock.h"
#include "numeric.h"

#include <math.h>
#include <stdio.h>

enum { EVENT_ROWS = 2 };
static const double axis_room = 40, event_row = 10, strip = 4, date_room = 11;

/* The part of the frame in which values are drawn, and how they become points. */
struct plot {
    double x, y, w, h;
    double x_from, x_to, y_from, y_to;
};

static double at_x(const struct plot *p, double v)
{
    return p->x + p->w * (v - p->x_from) / (p->x_to - p->x_from);
}

static double at_y(const struct plot *p, double v)
{
    return p->y + p->h * (p->y_to - v) / (p->y_to - p->y_from);
}

static double clamp(double v, double low, double high)
{
    return v < low ? low : v > high ? high : v;
}

static void widen(double *low, double *high, double v)
{
    if (!isfinite(v))
        return;
    *low = v < *low ? v : *low;
    *high = v > *high ? v : *high;
}

static void widen_by_line(const struct chart_speed *c, const struct chart_line *line, double *low,
                          double *high)
{
    for (size_t i = 0; i < line->count; i++)
        if (line->day[i] >= c->from_day)
            widen(low, high, line->value[i]);
}

/* Speeds do not start at 0: a fan is judged by tenths of its speed. The axis says where it starts. */
static void choose_range(const struct chart_speed *c, struct plot *p)
{
    double low = D_INF, high = -D_INF;

    widen_by_line(c, &c->line, &low, &high);
    for (size_t i = 0; i < c->other_count; i++)
        widen_by_line(c, &c->others[i], &low, &high);
    widen(&low, &high, c->baseline);
    widen(&low, &high, c->warning);
    if (!(low <= high)) {
        low = 0;
        high = 1000;
    }
    low = fmin(low, high * 0.8); /* noise must not look like a trend */
    double step = chart_step(high - low > 0 ? (high - low) * 1.2 : high * 0.2 + 1, 4);
    p->y_from = fmax(0, floor((low - step * 0.4) / step) * step);
    p->y_to = ceil((high + step * 0.2) / step) * step;
}

static void draw_speed_axis(struct pdf *pdf, const struct plot *p)
{
    const struct pen hair = design_pen(TONE_HAIR, WEIGHT_HAIR);
    const struct ink *label = design_ink(TYPE_LABEL);
    double step = chart_step(p->y_to - p->y_from, 5);
    char text[32];

    int last = (int)lround((p->y_to - p->y_from) / step);
    for (int k = 0; k <= last; k++) {
        double v = p->y_from + k * step, y = at_y(p, v);
        if (y < p->y - 0.5)
            break;
        pdf_line(pdf, &hair, p->x, y, p->x + p->w, y);
        snprintf(text, sizeof text, "%.0f", v);
        pdf_text(pdf, label, ALIGN_RIGHT, p->x - 4, y + 2.5, text);
    }
    pdf_text(pdf, label, ALIGN_RIGHT, p->x - 4, p->y - 6, "rev/min");
}

static void month_of(int32_t day, int *year, int *month, int *day_of_month)
{
    char text[DAY_TEXT];
    day_format(day, text);
    if (sscanf(text, "%d-%d-%d", year, month, day_of_month) != 3)
        BUG("day %d has no date", day);
}

static void draw_date_axis(struct pdf *pdf, const struct chart_speed *c, const struct plot *p, double y)
{
    static const char *const names[] = {"Jan", "Feb", "Mar", "Apr", "May", "Jun",
                                        "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
    const struct pen hair = design_pen(TONE_QUIET, WEIGHT_HAIR), grid = design_pen(TONE_HAIR, WEIGHT_HAIR);
    char text[24];

    for (int32_t day = c->from_day; day <= c->to_day; day++) {
        int year, month, day_of_month;
        month_of(day, &year, &month, &day_of_month);
        if (day_of_month != 1 && day_of_month != 15)
            continue;
        double x = at_x(p, day);
        pdf_line(pdf, &hair, x, y, x, y + (day_of_month == 1 ? 3 : 2));
        if (day_of_month != 1)
            continue;
        pdf_line(pdf, &grid, x, p->y, x, p->y + p->h);
        if (month == 1)
            snprintf(text, sizeof text, "1 %s %d", names[month - 1], year);
        else
            snprintf(text, sizeof text, "1 %s", names[month - 1]);
        double room = pdf_text_width(pdf, design_ink(TYPE_LABEL), text) / 2;
        bool clear = fabs(x - at_x(p, c->today)) > room + 14; /* of the word "today" */
        if (clear && x + room <= p->x + p->w && x - room >= p->x)
            pdf_text(pdf, design_ink(TYPE_LABEL), ALIGN_CENTRE, x, y + date_room - 1, text);
    }
}

/* A strip under the plot: filled where there is no reading. */
static void draw_gaps(struct pdf *pdf, const struct chart_speed *c, const struct plot *p, double y)
{
    const struct pen fill = design_pen(TONE_QUIET, WEIGHT_HAIR);
    size_t next = 0;
    int32_t gap_from = DAY_UNKNOWN;
    bool any = false;

    for (int32_t day = c->from_day; day < c->today; day++) {
        while (next < c->line.count && c->line.day[next] < day)
            next++;
        bool known = next < c->line.count && c->line.day[next] == day && !isnan(c->line.value[next]);
        if (!known && gap_from == DAY_UNKNOWN)
            gap_from = day;
        if (gap_from != DAY_UNKNOWN && (known || day == c->today - 1)) {
            double to = known ? day - 0.5 : day + 0.5, from = gap_from - 0.5;
            if (to > from) {
                double x = clamp(at_x(p, from), p->x, p->x + p->w);
                pdf_box(pdf, &fill, NULL, x, y + 1, at_x(p, to) - x, strip - 1);
                any = true;
            }
            gap_from = DAY_UNKNOWN;
        }
    }
    if (any)
        pdf_text(pdf, design_ink(TYPE_LABEL), ALIGN_RIGHT, p->x - 4, y + strip + 5, "no speed");
}

static void draw_line(struct pdf *pdf, const struct chart_speed *c, const struct plot *p,
                      const struct chart_line *line, const struct pen *pen, struct arena *mem)
{
    /* Room for a lifted pen after every day. */
    double *x = arena_array(mem, double, 2 * line->count + 1),
           *y = arena_array(mem, double, 2 * line->count + 1);
    size_t n = 0;

    for (size_t i = 0; i < line->count; i++) {
        if (line->day[i] < c->from_day || line->day[i] > c->today || isnan(line->value[i]))
            continue;
        if (i && line->day[i] > line->day[i - 1] + 1) {
            x[n] = y[n] = D_NAN;
            n++;
        }
        x[n] = at_x(p, line->day[i]);
        y[n++] = at_y(p, clamp(line->value[i], p->y_from, p->y_to));
    }
    pdf_path(pdf, pen, x, y, n);
    for (size_t i = 0; i < n; i++) { /* a day between two gaps is a point */
        bool before = i && !isnan(x[i - 1]), after = i + 1 < n && !isnan(x[i + 1]);
        if (!isnan(x[i]) && !before && !after)
            pdf_circle(pdf, pen, NULL, x[i], y[i], 0.9);
    }
}

/* Named on the left below the line, or on the right above it. */
static void draw_level(struct pdf *pdf, const struct plot *p, double level, enum tone tone, double dash,
                       const char *text, bool right)
{
    struct pen pen = design_pen(tone, WEIGHT_LINE);
    struct ink ink = *design_ink(TYPE_NOTE);

    if (isnan(level))
        return;
    pen.dash = dash;
    ink.red = pen.red;
    ink.green = pen.green;
    ink.blue = pen.blue;
    double y = at_y(p, level);
    pdf_line(pdf, &pen, p->x, y, p->x + p->w, y);
    if (text)
        pdf_text_fit(pdf, &ink, right ? ALIGN_RIGHT : ALIGN_LEFT, right ? p->x + p->w - 2 : p->x + 4,
                     right || y + 10 > p->y + p->h ? y - 2.5 : y + 8, p->w * 0.4, text);
}

static double foretold(const struct chart_speed *c, double days, int which)
{
    if (!c->ahead)
        return c->speed_today + c->slope[which] * days;
    double at = days / (double)c->ahead_days;
    size_t i = at < (double)(c->ahead_count - 1) ? (size_t)at : c->ahead_count - 2;
    return c->ahead[i][which] + (at - (double)i) * (c->ahead[i + 1][which] - c->ahead[i][which]);
}

/* The band stops where it leaves the plot. */
static void draw_projection(struct pdf *pdf, const struct chart_speed *c, const struct plot *p)
{
    enum { STEPS = 24 };
    const struct pen band = design_pen(TONE_PALE, WEIGHT_HAIR);
    struct pen middle = design_pen(TONE_ACCENT, WEIGHT_LINE);
    double x[2 * STEPS + 2], y[2 * STEPS + 2], mid_x[STEPS + 1], mid_y[STEPS + 1];

    if (isnan(c->speed_today) || isnan(c->slope[0]) || isnan(c->slope[1]) || isnan(c->slope[2]))
        return;
    for (int i = 0; i <= STEPS; i++) {
        double days = (double)(c->to_day - c->today) * i / STEPS;
        double at[3];
        for (int k = 0; k < 3; k++)
            at[k] = at_y(p, clamp(foretold(c, days, k), p->y_from, p->y_to));
        x[i] = x[2 * STEPS + 1 - i] = mid_x[i] = at_x(p, c->today + days);
        y[i] = at[0];
        mid_y[i] = at[1] < p->y + p->h ? at[1] : D_NAN;
        y[2 * STEPS + 1 - i] = at[2];
    }
    pdf_area(pdf, &band, x, y, 2 * STEPS + 2);
    middle.dash = 3;
    pdf_path(pdf, &middle, mid_x, mid_y, STEPS + 1);
}

/* When the warning speed is expected, on its line: a bar from the early to the late date, a tick at the
 * middle. */
static void draw_passage(struct pdf *pdf, const struct chart_speed *c, const struct plot *p)
{
    const struct pen heavy = design_pen(TONE_SIGNAL, WEIGHT_HEAVY);
    double span = c->to_day - c->today;

    if (isnan(c->warning) || isnan(c->days_to_warning[0]) || c->days_to_warning[0] > span)
        return;
    double y = at_y(p, c->warning), late = fmin(c->days_to_warning[2], span);
    double from = at_x(p, c->today + c->days_to_warning[0]), to = at_x(p, c->today + late);
    pdf_line(pdf, &heavy, from, y, to, y);
    pdf_line(pdf, &heavy, from, y - 3, from, y + 3);
    if (late == c->days_to_warning[2])
        pdf_line(pdf, &heavy, to, y - 3, to, y + 3);
    if (c->days_to_warning[1] > span)
        return;
    double middle = at_x(p, c->today + c->days_to_warning[1]);
    struct ink ink = *design_ink(TYPE_NOTE);
    char text[24];
    ink.red = heavy.red;
    ink.green = heavy.green;
    ink.blue = heavy.blue;
    snprintf(text, sizeof text, "%.0f days", c->days_to_warning[1]);
    double half = pdf_text_width(pdf, &ink, text) / 2;
    pdf_circle(pdf, &heavy, NULL, middle, y, 2.4);
    pdf_text(pdf, &ink, ALIGN_CENTRE, fmin(middle, p->x + p->w - half), y + 10, text);
}

static const char *const event_words[] = {
    [EVENT_WARNING] = "warning", [EVENT_ALARM] = "alarm",       [EVENT_CLEARED] = "cleared",
    [EVENT_CLEANED] = "cleaned", [EVENT_RESEATED] = "reseated", [EVENT_REPLACED] = "replaced",
    [EVENT_OTHER_WORK] = "work",
};

static void draw_sign(struct pdf *pdf, enum chart_event_kind kind, double x, double y)
{
    const struct pen ink = design_pen(TONE_INK, WEIGHT_LINE), white = design_pen(TONE_WHITE, WEIGHT_HAIR);
    const struct pen signal = design_pen(TONE_SIGNAL, WEIGHT_LINE);
    const double r = 2.8;
    bool filled = kind == EVENT_ALARM || kind == EVENT_REPLACED;

    if (kind == EVENT_WARNING || kind == EVENT_ALARM) {
        const double px[] = {x - r, x + r, x, x - r}, py[] = {y + r, y + r, y - r, y + r};
        pdf_area(pdf, filled ? &signal : &white, px, py, 3);
        pdf_path(pdf, &signal, px, py, 4);
    } else if (kind == EVENT_CLEARED) {
        pdf_circle(pdf, &white, &ink, x, y, 2);
    } else {
        const double px[] = {x - r, x, x + r, x, x - r}, py[] = {y, y - r, y, y + r, y};
        pdf_area(pdf, filled ? &ink : &white, px, py, 4);
        pdf_path(pdf, &ink, px, py, 5);
    }
}

static bool any_event(const struct chart_speed *c)
{
    for (size_t i = 0; i < c->event_count; i++)
        if (c->events[i].day >= c->from_day && c->events[i].day <= c->today)
            return true;
    return false;
}

/* Signs above the plot, in rows; a word that finds no room is left away, its sign is not. */
static void draw_events(struct pdf *pdf, const struct chart_speed *c, const struct plot *p)
{
    const struct ink *ink = design_ink(TYPE_NOTE);
    struct pen hair = design_pen(TONE_QUIET, WEIGHT_HAIR);
    double free_from[EVENT_ROWS] = {p->x, p->x};

    hair.dash = 1;
    for (size_t i = 0; i < c->event_count; i++) {
        const struct chart_event *e = &c->events[i];
        if (e->day < c->from_day || e->day > c->today)
            continue;
        double x = at_x(p, e->day), width = pdf_text_width(pdf, ink, event_words[e->kind]);
        int row = x - 4 >= free_from[0] ? 0 : 1;
        double y = p->y - event_row * (EVENT_ROWS - row) + 4;
        bool room = x - 4 >= free_from[row] && x + 6 + width <= p->x + p->w;

        if (e->kind != EVENT_CLEARED)
            pdf_line(pdf, &hair, x, y + 3, x, p->y + p->h);
        draw_sign(pdf, e->kind, x, y);
        if (room)
            pdf_text(pdf, ink, ALIGN_LEFT, x + 5, y + 2.5, event_words[e->kind]);
        free_from[row] = x + 5 + (room ? width + 3 : 0);
    }
}

static void draw_today(struct pdf *pdf, const struct chart_speed *c, const struct plot *p)
{
    const struct pen pen = design_pen(TONE_INK, WEIGHT_HAIR);
    double x = at_x(p, c->today), foot = p->y + p->h + strip;

    pdf_line(pdf, &pen, x, p->y, x, foot + 3);
    pdf_text(pdf, design_ink(TYPE_NOTE), ALIGN_CENTRE, x, foot + date_room - 1, "today");
}

/* Names stand on the left: the fan's own above its line, the others' below theirs, side by side. */
static void name_line(struct pdf *pdf, const struct chart_speed *c, const struct plot *p,
                      const struct chart_line *line, int place)
{
    const double step = 64, above = 6, below = 10;

    for (size_t i = 0; i < line->count; i++) {
        if (line->day[i] < c->from_day || isnan(line->value[i]))
            continue;
        double y = at_y(p, clamp(line->value[i], p->y_from, p->y_to));
        if (place == 0 && !isnan(c->baseline))
            y = fmin(y, at_y(p, c->baseline));
        pdf_text_fit(pdf, design_ink(place == 0 ? TYPE_STRONG : TYPE_LABEL), ALIGN_LEFT,
                     p->x + 4 + step * (place ? place - 1 : 0), place == 0 ? y - above : y + below, 120,
                     line->label);
        return;
    }
}

void chart_speed(struct pdf *pdf, const struct chart_speed *c, const struct chart_frame *frame)
{
    const struct pen accent = design_pen(TONE_ACCENT, WEIGHT_HEAVY),
                     thin = design_pen(TONE_QUIET, WEIGHT_HAIR);
    double above = event_row * (any_event(c) ? EVENT_ROWS : 1) + 2, below = strip + date_room;
    struct plot p = {.x = frame->x + axis_room,
                     .y = frame->y + above,
                     .w = frame->w - axis_room,
                     .h = frame->h - above - below,
                     .x_from = c->from_day,
                     .x_to = c->to_day};
    struct arena *scratch = arena_new(1 << 24);

    choose_range(c, &p);
    draw_speed_axis(pdf, &p);
    draw_gaps(pdf, c, &p, p.y + p.h);
    draw_date_axis(pdf, c, &p, p.y + p.h + strip);
    draw_projection(pdf, c, &p);
    draw_level(pdf, &p, c->baseline, TONE_QUIET, 4, c->baseline_label, true);
    draw_level(pdf, &p, c->warning, TONE_SIGNAL, 0, c->warning_label, false);
    draw_events(pdf, c, &p);
    for (size_t i = 0; i < c->other_count; i++) {
        draw_line(pdf, c, &p, &c->others[i], &thin, scratch);
        name_line(pdf, c, &p, &c->others[i], (int)i + 1);
    }
    draw_line(pdf, c, &p, &c->line, &accent, scratch);
    name_line(pdf, c, &p, &c->line, 0);
    draw_passage(pdf, c, &p);
    draw_today(pdf, c, &p);
    arena_free(scratch);
}
