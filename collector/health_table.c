#include "health_table.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

enum { COLUMNS = 11 };

static const char *const titles[COLUMNS] = {"SOURCE", "SITE",      "ANSWERED",   "LATE",
                                            "LAG",    "OF BUFFER", "CLOCK ms",   "FAILED",
                                            "GAPS",   "ASIDE",     "CERTIFICATE"};

static const char *number(struct arena *mem, int64_t value)
{
    return value == HEALTH_UNKNOWN ? "?" : arena_printf(mem, "%" PRId64, value);
}

static const char *span(struct arena *mem, int64_t us)
{
    return us == HEALTH_UNKNOWN ? "?" : health_duration(mem, us);
}

static const char *share(struct arena *mem, int64_t millionths)
{
    return millionths == HEALTH_UNKNOWN ? "?" : arena_printf(mem, "%.1f %%", (double)millionths / 1e4);
}

static void cells_of(const struct health *h, const struct source_health *s, const char *cells[COLUMNS])
{
    struct arena *mem = h->mem;
    int64_t left_us = s->certificate_us == TIME_UNKNOWN ? HEALTH_UNKNOWN : s->certificate_us - h->now_us;
    const char *all[COLUMNS] = {
        s->source,
        s->site,
        s->contact_us == TIME_UNKNOWN ? "never" : health_duration(mem, health_age_us(s, h->now_us)),
        span(mem, health_late_us(s, h->now_us, h->clock_stepped_us)),
        number(mem, health_lag(s)),
        share(mem, health_lag_share(s)),
        number(mem, s->clock_offset_ms),
        number(mem, s->failures),
        number(mem, s->gaps),
        number(mem, s->set_aside),
        left_us == HEALTH_UNKNOWN ? "-"
        : left_us < 0             ? "expired"
                                  : health_duration(mem, left_us),
    };
    memcpy(cells, all, sizeof all);
}

static void print_row(const char *const cells[COLUMNS], const int widths[COLUMNS])
{
    for (int k = 0; k < COLUMNS - 1; k++)
        printf(k < 2 ? "%-*s  " : "%*s  ", widths[k], cells[k]);
    printf("%*s\n", widths[COLUMNS - 1], cells[COLUMNS - 1]);
}

void health_table_print(const struct health *h, const struct findings *f)
{
    const char *(*rows)[COLUMNS] = arena_calloc(h->mem, f->source_count, sizeof *rows);
    int widths[COLUMNS];
    for (int k = 0; k < COLUMNS; k++)
        widths[k] = (int)strlen(titles[k]);
    for (size_t n = 0; n < f->source_count; n++) {
        cells_of(h, &f->sources[n], rows[n]);
        for (int k = 0; k < COLUMNS; k++)
            widths[k] = (int)strlen(rows[n][k]) > widths[k] ? (int)strlen(rows[n][k]) : widths[k];
    }
    print_row(titles, widths);
    for (size_t n = 0; n < f->source_count; n++)
        print_row(rows[n], widths);
}
