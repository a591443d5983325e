#include "chart.h"

#include "numeric.h"

#include <math.h>
#include <stdio.h>

double chart_step(double span, int parts)
{
    double rough = span / parts, power = pow(10, floor(log10(rough)));
    static const double steps[] = {1, 2, 5};

    for (size_t i = 0; i < sizeof steps / sizeof *steps; i++)
        if (steps[i] * power >= rough * (1 - 1e-9))
            return steps[i] * power;
    return 10 * power;
}

/* Where bars stand: y from 0 to y_to. */
struct bars {
    double x, y, w, h, y_to;
};

static double at_y(const struct bars *b, double v)
{
    return b->y + b->h * (1 - v / b->y_to);
}

/* Bars beyond the last quantile are only drawn while they can be seen. */
static size_t bars_worth_drawing(const struct chart_demand *c)
{
    size_t bars = 1;
    double most = 0;

    for (size_t k = 0; k < c->count; k++)
        most = fmax(most, c->p[k]);
    for (size_t k = 0; k < c->count; k++)
        if (c->p[k] > most * 0.005)
            bars = k + 1;
    for (size_t i = 0; i < c->quantile_count; i++)
        if (c->quantiles[i] >= (int)bars)
            bars = (size_t)c->quantiles[i] + 1;
    if (c->stock >= (int)bars && c->stock < (int)bars + 6)
        bars = (size_t)c->stock + 1;
    return bars;
}

static void draw_probability_axis(struct pdf *pdf, const struct bars *p)
{
    const struct pen hair = design_pen(TONE_HAIR, WEIGHT_HAIR);
    double step = chart_step(p->y_to, 3);
    char text[16];

    int last = (int)floor(p->y_to / step + 0.01);
    for (int k = 0; k <= last; k++) {
        double v = k * step;
        pdf_line(pdf, &hair, p->x, at_y(p, v), p->x + p->w, at_y(p, v));
        snprintf(text, sizeof text, "%.0f %%", v * 100);
        pdf_text(pdf, design_ink(TYPE_LABEL), ALIGN_RIGHT, p->x - 4, at_y(p, v) + 2.5, text);
    }
}

static void draw_bars(struct pdf *pdf, const struct chart_demand *c, const struct bars *p, size_t bars)
{
    const struct pen served = design_pen(TONE_ACCENT, WEIGHT_HAIR),
                     beyond = design_pen(TONE_PALE, WEIGHT_HAIR);
    const struct pen edge = design_pen(TONE_ACCENT, WEIGHT_HAIR);
    double step = p->w / (double)bars;
    size_t every = (size_t)fmax(1, ceil(14 / step));
    char text[16];

    for (size_t k = 0; k < bars; k++) {
        double x = p->x + step * (double)k, top = at_y(p, k < c->count ? c->p[k] : 0);
        pdf_box(pdf, (int)k <= c->stock ? &served : &beyond, &edge, x + step * 0.14, top, step * 0.72,
                p->y + p->h - top);
        if (k % every)
            continue;
        snprintf(text, sizeof text, "%zu", k);
        pdf_text(pdf, design_ink(TYPE_LABEL), ALIGN_CENTRE, x + step / 2, p->y + p->h + 9, text);
    }
}

/* Arrow heads under the figures; labels of neighbours that meet go one line lower. */
static void draw_quantiles(struct pdf *pdf, const struct chart_demand *c, const struct bars *p, size_t bars)
{
    const struct pen ink = design_pen(TONE_INK, WEIGHT_HAIR);
    const struct ink *note = design_ink(TYPE_NOTE);
    double step = p->w / (double)bars, taken = -D_INF;
    int row = 0;

    for (size_t i = 0; i < c->quantile_count; i++) {
        double x = p->x + step * (c->quantiles[i] + 0.5), tip = p->y + p->h + 11;
        double width = pdf_text_width(pdf, note, c->quantile_labels[i]);
        double left = fmax(p->x, fmin(x - width / 2, p->x + p->w - width));
        row = left < taken + 3 ? row + 1 : 0;
        pdf_area(pdf, &ink, (double[]){x - 2.5, x + 2.5, x}, (double[]){tip + 4, tip + 4, tip}, 3);
        pdf_text(pdf, note, ALIGN_LEFT, left, tip + 11 + row * 8.5, c->quantile_labels[i]);
        taken = left + width;
    }
}

void chart_demand(struct pdf *pdf, const struct chart_demand *c, const struct chart_frame *frame)
{
    const struct pen line = design_pen(TONE_INK, WEIGHT_LINE);
    const double above = 12, below = 44, room = 30;
    size_t bars = bars_worth_drawing(c);
    struct bars p = {
        .x = frame->x + room, .y = frame->y + above, .w = frame->w - room, .h = frame->h - above - below};
    double most = 0.01;

    for (size_t k = 0; k < c->count; k++)
        most = fmax(most, c->p[k]);
    p.y_to = chart_step(most, 3) * ceil(most / chart_step(most, 3));
    draw_probability_axis(pdf, &p);
    draw_bars(pdf, c, &p, bars);
    pdf_line(pdf, &line, p.x, p.y + p.h, p.x + p.w, p.y + p.h);
    draw_quantiles(pdf, c, &p, bars);
    pdf_text(pdf, design_ink(TYPE_LABEL), ALIGN_LEFT, p.x, p.y - 4,
             c->stock >= 0 ? "probability of each number of pieces; dark: on the shelves"
                           : "probability of each number of pieces");
    pdf_text(pdf, design_ink(TYPE_LABEL), ALIGN_RIGHT, p.x - 4, p.y + p.h + 9, "pieces");
}

/* Shares */

static void fill_share(struct pdf *pdf, enum mark mark, double x, double y, double w, double h)
{
    const struct pen ink = design_pen(TONE_INK, WEIGHT_HAIR), signal = design_pen(TONE_SIGNAL, WEIGHT_HAIR);
    const struct pen quiet = design_pen(TONE_QUIET, WEIGHT_HAIR), white = design_pen(TONE_WHITE, WEIGHT_HAIR);
    const struct pen panel = design_pen(TONE_PANEL, WEIGHT_HAIR);
    struct pen dashed = ink;

    dashed.dash = 2;
    switch (mark) {
    case MARK_NOW:
        pdf_box(pdf, &signal, &signal, x, y, w, h);
        break;
    case MARK_WEEK:
        pdf_box(pdf, &white, &ink, x, y, w, h);
        pdf_area(pdf, &ink, (double[]){x, x + w, x}, (double[]){y, y + h, y + h}, 3);
        break;
    case MARK_PLAN:
        pdf_box(pdf, &white, &ink, x, y, w, h);
        break;
    case MARK_WATCH:
        pdf_box(pdf, &panel, &quiet, x, y, w, h);
        break;
    case MARK_UNKNOWN:
        pdf_box(pdf, NULL, &dashed, x, y, w, h);
        break;
    case MARK_NONE:
    case MARKS:
        break;
    }
}

void chart_shares(struct pdf *pdf, const int count[MARKS], int most, const struct chart_frame *frame)
{
    double x = frame->x;

    for (int mark = MARK_NOW; mark < MARKS; mark++) {
        if (!count[mark])
            continue;
        double w = frame->w * count[mark] / (most > 0 ? most : 1);
        char text[16];
        fill_share(pdf, (enum mark)mark, x, frame->y, w, frame->h);
        snprintf(text, sizeof text, "%d", count[mark]);
        if (mark != MARK_NOW && mark != MARK_WEEK &&
            w > pdf_text_width(pdf, design_ink(TYPE_LABEL), text) + 4)
            pdf_text(pdf, design_ink(TYPE_NOTE), ALIGN_CENTRE, x + w / 2, frame->y + frame->h / 2 + 2.5,
                     text);
        x += w;
    }
}
