#include "run_report.h"

#include "settings.h"

#include <jansson.h>

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

static double per_second(int64_t things, int64_t ms)
{
    return ms > 0 ? (double)things / ((double)ms / 1000) : 0;
}

void run_report_progress(const struct reader *reader, int64_t run_ms)
{
    const struct roster *roster = reader_roster(reader);
    int64_t observations = reader_totals(reader)->observations;
    fprintf(stderr, "\r%zu of %zu sources, %" PRId64 " observations, %.0f per second ",
            roster_count_read(roster), roster->count, observations, per_second(observations, run_ms));
}

enum { FIGURES = 9 };

struct figure {
    const char *name, *words;
    double value;
    bool is_whole;
};

static void figures_of(const struct reader *reader, int64_t run_ms, struct figure figures[static FIGURES])
{
    const struct totals *t = reader_totals(reader);
    const struct roster *roster = reader_roster(reader);
    const struct figure all[FIGURES] = {
        {"sources", "sources", (double)roster->count, true},
        {"sources_read", "sources read", (double)roster_count_read(roster), true},
        {"observations", "observations", (double)t->observations, true},
        {"readings", "readings stored", (double)t->readings, true},
        {"conditions", "conditions stored", (double)t->conditions, true},
        {"gaps", "gaps", (double)t->gaps, true},
        {"set_aside", "set aside", (double)t->set_aside, true},
        {"seconds", "seconds", (double)run_ms / 1000, false},
        {"observations_per_second", "observations per second", per_second(t->observations, run_ms), true},
    };
    memcpy(figures, all, sizeof all);
}

static void failure_as_json(void *context, const char *source, const char *why)
{
    json_array_append_new(context, json_pack("{s:s, s:s}", "source", source, "why", why));
}

static void failure_as_text(void *context, const char *source, const char *why)
{
    fprintf(context, "not read: %s: %s\n", source, why);
}

static bool print_text(const struct figure *figures, const struct roster *roster)
{
    for (size_t k = 0; k < FIGURES; k++)
        printf("%-24s %*.*f\n", figures[k].words, 12, figures[k].is_whole ? 0 : 1, figures[k].value);
    roster_failures(roster, failure_as_text, stdout);
    return fflush(stdout) == 0;
}

static bool print_json(const struct figure *figures, const struct roster *roster)
{
    json_t *root = json_object(), *failed = json_array();
    for (size_t k = 0; k < FIGURES; k++)
        json_object_set_new(root, figures[k].name,
                            figures[k].is_whole ? json_integer((json_int_t)figures[k].value)
                                                : json_real(figures[k].value));
    roster_failures(roster, failure_as_json, failed);
    json_object_set_new(root, "not_read", failed);
    bool ok = json_dumpf(root, stdout, JSON_INDENT(2)) == 0 && putchar('\n') != EOF && fflush(stdout) == 0;
    json_decref(root);
    return ok;
}

bool run_report_summary(const struct reader *reader, int64_t run_ms)
{
    struct figure figures[FIGURES];
    figures_of(reader, run_ms, figures);
    const struct roster *roster = reader_roster(reader);
    return settings.json ? print_json(figures, roster) : print_text(figures, roster);
}
