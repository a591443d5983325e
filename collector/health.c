#include "health.h"

#include "base/clock.h"
#include "queries.h"
#include "settings.h"

#include <jansson.h>

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

enum { EXIT_UNWELL = 3 };
enum {
    SITE,
    SOURCE,
    URL,
    PERIOD,
    CONTACT,
    NEXT,
    LAST,
    BUFFER,
    OFFSET,
    FAILURES,
    LAST_ERROR,
    BINDINGS,
    GAPS,
    SET_ASIDE,
    SET_ASIDE_WHY
};
enum { JOURNAL_ROWS, JOURNAL_READINGS, JOURNAL_OLDEST };

/* A source is late when it has been silent for so many periods and so many seconds more. */
enum { LATE_PERIODS = 3, LATE_S = 60, OFFSET_LIMIT_S = 60, LAG_LIMIT_PERCENT = 50, JOURNAL_LIMIT_HOURS = 3 };

/* What is wrong with one source, and what to do. */
struct complaint {
    const char *source, *what, *help;
};

struct health {
    struct arena *mem;
    int64_t now_us;
    struct complaint *complaints;
    size_t count, capacity;
};

static void complain(struct health *h, const char *source, const char *what, const char *help)
{
    if (h->count == h->capacity) {
        size_t capacity = h->capacity ? h->capacity * 2 : 16;
        h->complaints = arena_grow(h->mem, h->complaints, h->count, capacity, sizeof *h->complaints);
        h->capacity = capacity;
    }
    h->complaints[h->count++] = (struct complaint){arena_strdup(h->mem, source), what, help};
}

static const char *duration(struct arena *mem, int64_t us)
{
    int64_t s = us / US_PER_S;
    if (s < 120)
        return arena_printf(mem, "%" PRId64 " s", s);
    if (s < 2 * 3600)
        return arena_printf(mem, "%" PRId64 " min", s / 60);
    return s < 2 * 86400 ? arena_printf(mem, "%" PRId64 " h", s / 3600)
                         : arena_printf(mem, "%" PRId64 " days", s / 86400);
}

/* Observations that the source holds and we have not read. */
static int64_t lag_of(const struct rows *r, size_t row)
{
    if (rows_null(r, row, LAST))
        return 0;
    int64_t lag = rows_int(r, row, LAST) - rows_int(r, row, NEXT) + 1;
    return lag > 0 ? lag : 0;
}

static double lag_percent(const struct rows *r, size_t row)
{
    int64_t buffer = rows_int(r, row, BUFFER);
    return buffer > 0 ? 100.0 * (double)lag_of(r, row) / (double)buffer : 0;
}

static void check_contact(struct health *h, const struct rows *r, size_t row)
{
    const char *source = rows_text(r, row, SOURCE), *error = rows_text(r, row, LAST_ERROR);
    const char *look = arena_printf(h->mem, "vaneward-collector discover %s", rows_text(r, row, URL));
    int64_t contact = rows_moment(r, row, CONTACT), failures = rows_int(r, row, FAILURES);
    if (failures) {
        complain(h, source,
                 arena_printf(h->mem, "%" PRId64 " failed polls in a row, the last: %s", failures,
                              error ? error : "not known"),
                 look);
    }
    if (contact == TIME_UNKNOWN) {
        if (!failures)
            complain(h, source, "was never read", "vaneward-collector run --once");
        return;
    }
    int64_t limit_us = (LATE_PERIODS * rows_int(r, row, PERIOD) + LATE_S) * US_PER_S;
    if (h->now_us - contact > limit_us)
        complain(h, source,
                 arena_printf(h->mem, "last answered %s ago; it is to be asked every %s",
                              duration(h->mem, h->now_us - contact),
                              duration(h->mem, rows_int(r, row, PERIOD) * US_PER_S)),
                 failures ? look : "vaneward-collector run");
}

static void check_reading(struct health *h, const struct rows *r, size_t row)
{
    const char *source = rows_text(r, row, SOURCE);
    int64_t offset_s = rows_int(r, row, OFFSET) / 1000;
    if (rows_int(r, row, BINDINGS) == 0)
        complain(h, source, "none of its items is bound: nothing of it is stored",
                 arena_printf(h->mem, "vaneward-collector discover %s", rows_text(r, row, URL)));
    if (lag_percent(r, row) > LAG_LIMIT_PERCENT)
        complain(h, source,
                 arena_printf(h->mem,
                              "%" PRId64 " observations are not read yet, %.0f %% of what it can hold",
                              lag_of(r, row), lag_percent(r, row)),
                 "vaneward-collector run --catch-up");
    if (offset_s > OFFSET_LIMIT_S || offset_s < -OFFSET_LIMIT_S)
        complain(h, source,
                 arena_printf(h->mem, "its clock is %s %s of ours",
                              duration(h->mem, llabs(offset_s) * US_PER_S),
                              offset_s > 0 ? "ahead" : "behind"),
                 "timedatectl status (on both machines)");
}

static void check_losses(struct health *h, const struct rows *r, size_t row)
{
    const char *source = rows_text(r, row, SOURCE), *why = rows_text(r, row, SET_ASIDE_WHY);
    int64_t gaps = rows_int(r, row, GAPS), aside = rows_int(r, row, SET_ASIDE);
    if (gaps)
        complain(h, source, arena_printf(h->mem, "%" PRId64 " gaps in the last 24 hours", gaps),
                 arena_printf(h->mem, "psql -c \"SELECT * FROM vaneward.gap WHERE source = '%s'\"", source));
    if (aside)
        complain(
            h, source,
            arena_printf(h->mem, "%" PRId64 " observations set aside in the last 24 hours, such as: %s",
                         aside, why),
            arena_printf(h->mem, "psql -c \"SELECT * FROM vaneward.set_aside WHERE source = '%s'\"", source));
}

static void check_journal(struct health *h, const struct rows *journal)
{
    int64_t oldest = rows_moment(journal, 0, JOURNAL_OLDEST);
    if (oldest != TIME_UNKNOWN && h->now_us - oldest > JOURNAL_LIMIT_HOURS * US_PER_HOUR)
        complain(h, NULL,
                 arena_printf(h->mem, "readings wait in the journal for %s: nobody seals",
                              duration(h->mem, h->now_us - oldest)),
                 "vaneward-collector run");
}

static json_t *text_or_null(const char *text)
{
    return text ? json_string(text) : json_null();
}

static json_t *int_or_null(const struct rows *r, size_t row, int column)
{
    return rows_null(r, row, column) ? json_null() : json_integer(rows_int(r, row, column));
}

static json_t *moment_or_null(int64_t us)
{
    char text[TIME_TEXT];
    if (us == TIME_UNKNOWN)
        return json_null();
    time_format(us, text);
    return json_string(text);
}

static json_t *source_as_json(const struct health *h, const struct rows *r, size_t row)
{
    int64_t contact = rows_moment(r, row, CONTACT);
    json_t *age =
        contact == TIME_UNKNOWN ? json_null() : json_real((double)(h->now_us - contact) / (double)US_PER_S);
    json_t *share = rows_int(r, row, BUFFER) ? json_real(lag_percent(r, row) / 100) : json_null();
    return json_pack(
        "{s:s, s:s, s:I, s:o, s:o, s:I, s:o, s:o, s:I, s:o, s:I, s:I, s:I}", "site", rows_text(r, row, SITE),
        "source", rows_text(r, row, SOURCE), "period_s", (json_int_t)rows_int(r, row, PERIOD),
        "last_contact_at", moment_or_null(contact), "age_s", age, "lag", (json_int_t)lag_of(r, row),
        "lag_of_buffer", share, "clock_offset_ms", int_or_null(r, row, OFFSET), "failures",
        (json_int_t)rows_int(r, row, FAILURES), "last_error", text_or_null(rows_text(r, row, LAST_ERROR)),
        "bindings", (json_int_t)rows_int(r, row, BINDINGS), "gaps_24h", (json_int_t)rows_int(r, row, GAPS),
        "set_aside_24h", (json_int_t)rows_int(r, row, SET_ASIDE));
}

static bool print_json(const struct health *h, const struct rows *sources, const struct rows *journal)
{
    json_t *root = json_object(), *list = json_array(), *wrong = json_array();
    for (size_t k = 0; k < rows_count(sources); k++)
        json_array_append_new(list, source_as_json(h, sources, k));
    for (size_t k = 0; k < h->count; k++) {
        const struct complaint *c = &h->complaints[k];
        json_array_append_new(wrong, json_pack("{s:o, s:s, s:s}", "source", text_or_null(c->source), "what",
                                               c->what, "help", c->help));
    }
    json_object_set_new(root, "at", moment_or_null(h->now_us));
    json_object_set_new(root, "sources", list);
    json_object_set_new(root, "journal_rows", json_integer(rows_int(journal, 0, JOURNAL_ROWS)));
    json_object_set_new(root, "journal_readings", json_integer(rows_int(journal, 0, JOURNAL_READINGS)));
    json_object_set_new(root, "wrong", wrong);
    bool ok = json_dumpf(root, stdout, JSON_INDENT(2) | JSON_REAL_PRECISION(12)) == 0;
    json_decref(root);
    return ok && putchar('\n') != EOF && fflush(stdout) == 0;
}

static bool print_text(const struct health *h, const struct rows *sources, const struct rows *journal)
{
    printf("%zu sources; %" PRId64 " readings wait in the journal to be sealed\n", rows_count(sources),
           rows_int(journal, 0, JOURNAL_READINGS));
    for (size_t k = 0; k < h->count; k++) {
        const struct complaint *c = &h->complaints[k];
        printf("%s: %s\n    what helps: %s\n", c->source ? c->source : "database", c->what, c->help);
    }
    if (!h->count)
        puts("all is well");
    return fflush(stdout) == 0;
}

static bool examine(struct db *db, struct health *h, struct err *err)
{
    struct rows *sources = NULL, *journal = NULL;
    const struct db_value now[] = {db_moment(h->now_us)};
    if (!db_query(db, &q_health_sources, now, 1, &sources, err))
        return false;
    if (!db_query(db, &q_health_journal, NULL, 0, &journal, err)) {
        rows_free(sources);
        return false;
    }
    for (size_t k = 0; k < rows_count(sources); k++) {
        check_contact(h, sources, k);
        check_reading(h, sources, k);
        check_losses(h, sources, k);
    }
    check_journal(h, journal);
    bool printed = settings.json ? print_json(h, sources, journal) : print_text(h, sources, journal);
    rows_free(sources);
    rows_free(journal);
    return printed || err_set(err, ERR_OUTPUT, "cannot write the result");
}

int health_command(const char *const *args, int count, struct err *err)
{
    (void)args;
    (void)count;
    struct db *db;
    if (!settings_open(&db, err))
        return err_exit_status(err->kind);
    struct health h = {.mem = arena_new((size_t)1024 * 1024 * 1024), .now_us = clock_now_us()};
    bool ok = examine(db, &h, err);
    bool well = h.count == 0;
    arena_free(h.mem);
    db_close(db);
    if (!ok)
        return err_exit_status(err->kind);
    return well ? EXIT_SUCCESS : EXIT_UNWELL;
}
