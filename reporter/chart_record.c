#include "chart.h"
#include "numeric.h"

#include <math.h>
#include <stdio.h>

/* A square of probabilities: said from left to right, came from bottom to top. */
struct square {
    double x, y, side;
};

static double at_x(const struct square *q, double p)
{
    return q->x + q->side * fmin(1, fmax(0, p));
}

static double at_y(const struct square *q, double p)
{
    return q->y + q->side * (1 - fmin(1, fmax(0, p)));
}

static void draw_scales(struct pdf *pdf, const struct square *q)
{
    const struct pen hair = design_pen(TONE_HAIR, WEIGHT_HAIR), line = design_pen(TONE_INK, WEIGHT_LINE);
    const struct ink *label = design_ink(TYPE_LABEL);
    char text[16];

    for (int k = 0; k <= 4; k++) {
        double p = k / 4.0;
        pdf_line(pdf, &hair, q->x, at_y(q, p), q->x + q->side, at_y(q, p));
        snprintf(text, sizeof text, "%d %%", 25 * k);
        pdf_text(pdf, label, ALIGN_RIGHT, q->x - 4, at_y(q, p) + 2.5, text);
        pdf_text(pdf, label, ALIGN_CENTRE, at_x(q, p), q->y + q->side + 9, text);
    }
    pdf_line(pdf, &line, q->x, q->y + q->side, q->x + q->side, q->y + q->side);
    pdf_text(pdf, label, ALIGN_LEFT, q->x, q->y - 4, "share in which a fault came");
    pdf_text(pdf, label, ALIGN_RIGHT, q->x + q->side, q->y + q->side + 18, "probability that was said");
}

/* Where forecasts that are right would lie, with the sampling error of each tenth. */
static void draw_tenth(struct pdf *pdf, const struct square *q, const struct score_tenth *t)
{
    const struct pen quiet = design_pen(TONE_QUIET, WEIGHT_LINE), ink = design_pen(TONE_INK, WEIGHT_HAIR);
    const struct pen white = design_pen(TONE_WHITE, WEIGHT_HAIR);
    double x = at_x(q, t->forecast), radius = fmin(5, 1.5 + 0.5 * log10((double)t->count + 1));
    bool outside = fabs(t->observed - t->forecast) > t->error;

    pdf_line(pdf, &quiet, x, at_y(q, t->forecast - t->error), x, at_y(q, t->forecast + t->error));
    pdf_circle(pdf, outside ? &white : &ink, &ink, x, at_y(q, t->observed), radius);
}

void chart_record(struct pdf *pdf, const struct score_tenth tenths[SCORE_TENTHS],
                  const struct chart_frame *frame)
{
    const double left = 30, above = 12, below = 22;
    const struct pen line = design_pen(TONE_ACCENT, WEIGHT_HAIR);
    const struct square q = {frame->x + left, frame->y + above,
                             fmin(frame->w - left, frame->h - above - below)};

    draw_scales(pdf, &q);
    pdf_line(pdf, &line, at_x(&q, 0), at_y(&q, 0), at_x(&q, 1), at_y(&q, 1));
    for (int k = 0; k < SCORE_TENTHS; k++)
        if (tenths[k].count)
            draw_tenth(pdf, &q, &tenths[k]);
}
