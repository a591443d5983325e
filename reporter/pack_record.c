#include "pack_inside.h"

#include "chart.h"

#include <math.h>

/* How the forecasts of one horizon did, with the plain rules beside them. */
static void draw_methods(struct sheet *s, const struct track *t, const struct track_horizon *h)
{
    static const struct column columns[] = {
        {"Method", 34, ALIGN_LEFT, 2},
        {"Brier skill", 16, ALIGN_RIGHT, 2},
        {"Area under the curve", 18, ALIGN_RIGHT, 2},
        {"With a fault, of the top 5 %", 22, ALIGN_RIGHT, 2},
    };
    struct table *table = table_new(s, columns, sizeof columns / sizeof *columns);

    for (int m = 0; m < FORECAST_METHODS; m++) {
        const struct track_score *score = &h->by[m];
        bool used = (enum forecast_method)m == t->calibration.method;
        struct cell *c = table_row(table, used ? ROW_SUM : ROW_PLAIN);
        c[0].text = arena_printf(s->mem, "%s%s", forecast_method_word((enum forecast_method)m),
                                 used ? " (in use)" : "");
        c[1].text = arena_printf(s->mem, "%.2f", score->brier.skill);
        c[2].text = isfinite(score->area) ? arena_printf(s->mem, "%.2f", score->area) : "not known";
        c[3].text = pack_percent(s->mem, score->precision);
    }
    table_draw(table);
}

void pack_record(struct sheet *s, const struct pack_input *in)
{
    enum { SHOWN = 1 }; /* 30 days */
    const struct track *t = in->assessment->fleet->track;
    const double side = 150;

    sheet_head(s, "How good the last forecasts were", 60);
    sheet_text(s, TYPE_BODY, track_line(s->mem, t, in->issued));
    sheet_text(s, TYPE_NOTE, track_method_line(s->mem, t));
    if (!t || !t->horizons[SHOWN].forecasts)
        return;
    const struct track_horizon *h = &t->horizons[SHOWN];
    sheet_need(s, side + 40);
    chart_record(s->pdf, h->tenths, &(struct chart_frame){s->left, s->y + 4, side, side});
    sheet_block(s, TYPE_NOTE, s->left + side + 16, s->y + 16, sheet_width(s) - side - 16, 0,
                arena_printf(
                    s->mem,
                    "Each point is a tenth of the scale: what was said for %d days, and in how many cases a "
                    "fault came (%zu forecasts at %d dates, each made from what was dated before it). On the "
                    "line what was said came true; the bar is the 95 %% sampling error; empty points lie "
                    "outside of it.",
                    h->days, h->forecasts, t->scored_dates));
    s->y += side + 12;
    draw_methods(s, t, h);
}
