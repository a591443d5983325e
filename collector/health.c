#include "health.h"

#include "health_check.h"
#include "queries.h"
#include "settings.h"
#include "spooling.h"

#include <jansson.h>

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

enum { EXIT_UNWELL = 3 };

static struct spooling_settings spool_settings;

const struct opt health_options[] = {
    {"spool", "DIR", "Folder of the collector's spool (" SPOOL_USUAL_DIR ", if it is there)", OPT_TEXT,
     &spool_settings.dir, 0, 0},
    {0},
};

/* What was read; rows are NULL while the database cannot be used. */
struct findings {
    struct rows *sources, *journal, *service;
    const char *spool; /* folder; NULL: none */
    uint64_t spool_bytes;
    int64_t spool_oldest_us;
};

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

static json_t *seconds_or_null(int64_t us)
{
    return us == TIME_UNKNOWN ? json_null() : json_real((double)us / (double)US_PER_S);
}

/* Kinds of refusal and how often; an empty object when there were none. */
static json_t *refusals_of(const struct rows *r, size_t row)
{
    const char *text = rows_text(r, row, SOURCE_REFUSALS);
    json_t *kinds = text ? json_loads(text, 0, NULL) : NULL;
    return kinds ? kinds : json_object();
}

static json_t *source_as_json(const struct health *h, const struct rows *r, size_t row)
{
    int64_t contact = rows_moment(r, row, SOURCE_CONTACT);
    json_t *share = rows_int(r, row, SOURCE_BUFFER) ? json_real(health_lag_share(r, row)) : json_null();
    return json_pack(
        "{s:s, s:s, s:I, s:o, s:o, s:o, s:I, s:o, s:o, s:I, s:o, s:I, s:I, s:I, s:o, s:o}", "site",
        rows_text(r, row, SOURCE_SITE), "source", rows_text(r, row, SOURCE_NAME), "period_s",
        (json_int_t)rows_int(r, row, SOURCE_PERIOD), "last_contact_at", moment_or_null(contact), "age_s",
        seconds_or_null(contact == TIME_UNKNOWN ? TIME_UNKNOWN : h->now_us - contact), "late_s",
        seconds_or_null(health_late_us(h, r, row)), "lag", (json_int_t)health_lag(r, row), "lag_of_buffer",
        share, "clock_offset_ms", int_or_null(r, row, SOURCE_OFFSET), "failures",
        (json_int_t)rows_int(r, row, SOURCE_FAILURES), "last_error",
        text_or_null(rows_text(r, row, SOURCE_LAST_ERROR)), "bindings",
        (json_int_t)rows_int(r, row, SOURCE_BINDINGS), "gaps_24h", (json_int_t)rows_int(r, row, SOURCE_GAPS),
        "set_aside_24h", (json_int_t)rows_int(r, row, SOURCE_SET_ASIDE), "refusals_24h", refusals_of(r, row),
        "certificate_expires_at", moment_or_null(rows_moment(r, row, SOURCE_CERTIFICATE)));
}

static void add_database(json_t *root, const struct health *h, const struct findings *f)
{
    json_t *list = json_array();
    for (size_t k = 0; k < rows_count(f->sources); k++)
        json_array_append_new(list, source_as_json(h, f->sources, k));
    json_object_set_new(root, "sources", list);
    json_object_set_new(root, "journal_rows", json_integer(rows_int(f->journal, 0, JOURNAL_ROWS)));
    json_object_set_new(root, "journal_readings", json_integer(rows_int(f->journal, 0, JOURNAL_READINGS)));
    json_object_set_new(root, "journal_oldest_at",
                        moment_or_null(rows_moment(f->journal, 0, JOURNAL_OLDEST)));
    json_object_set_new(root, "collectors_running", json_integer(rows_int(f->service, 0, SERVICE_RUNNING)));
    json_object_set_new(root, "alerts_waiting", json_integer(rows_int(f->service, 0, SERVICE_ALERTS)));
    json_object_set_new(root, "alerts_given_up_24h",
                        json_integer(rows_int(f->service, 0, SERVICE_ALERTS_GIVEN_UP)));
    json_object_set_new(root, "schema_version", json_integer(rows_int(f->service, 0, SERVICE_SCHEMA)));
    json_object_set_new(root, "server_version", text_or_null(rows_text(f->service, 0, SERVICE_SERVER)));
}

static bool print_json(const struct health *h, const struct findings *f)
{
    json_t *root = json_object(), *wrong = json_array();
    for (size_t k = 0; k < h->count; k++) {
        const struct complaint *c = &h->complaints[k];
        json_array_append_new(wrong,
                              json_pack("{s:s, s:o, s:s, s:s, s:s}", "severity", severity_words[c->severity],
                                        "source", text_or_null(c->is_source ? c->about : NULL), "about",
                                        c->about, "what", c->what, "help", c->help));
    }
    json_object_set_new(root, "at", moment_or_null(h->now_us));
    json_object_set_new(root, "database_up", json_boolean(f->sources));
    if (f->sources)
        add_database(root, h, f);
    json_object_set_new(root, "spool_bytes",
                        f->spool ? json_integer((json_int_t)f->spool_bytes) : json_null());
    json_object_set_new(root, "spool_oldest_at", moment_or_null(f->spool_oldest_us));
    json_object_set_new(root, "wrong", wrong);
    bool ok = json_dumpf(root, stdout, JSON_INDENT(2) | JSON_REAL_PRECISION(12)) == 0;
    json_decref(root);
    return ok && putchar('\n') != EOF && fflush(stdout) == 0;
}

static bool print_text(const struct health *h, const struct findings *f)
{
    if (f->sources)
        printf("%zu sources; %" PRId64 " readings wait in the journal to be sealed; %" PRId64
               " alerts wait; schema %" PRId64 " on PostgreSQL %s\n",
               rows_count(f->sources), rows_int(f->journal, 0, JOURNAL_READINGS),
               rows_int(f->service, 0, SERVICE_ALERTS), rows_int(f->service, 0, SERVICE_SCHEMA),
               rows_text(f->service, 0, SERVICE_SERVER));
    for (size_t k = 0; k < h->count; k++) {
        const struct complaint *c = &h->complaints[k];
        printf("%s: %s: %s\n    what helps: %s\n", severity_words[c->severity], c->about, c->what, c->help);
    }
    if (!h->count)
        puts("all is well");
    return fflush(stdout) == 0;
}

static bool read_database(struct db *db, const struct health *h, struct findings *f, struct err *err)
{
    const struct db_value now[] = {db_moment(h->now_us)};
    return db_query(db, &q_health_service, now, 1, &f->service, err) &&
           db_query(db, &q_health_journal, NULL, 0, &f->journal, err) &&
           db_query(db, &q_health_sources, now, 1, &f->sources, err);
}

static void judge_database(struct health *h, const struct findings *f)
{
    health_check_service(h, f->service);
    for (size_t k = 0; k < rows_count(f->sources); k++)
        health_check_source(h, f->sources, k);
    health_check_journal(h, f->journal);
}

static void look_at_spool(struct health *h, struct findings *f)
{
    struct err err = {0};
    f->spool_oldest_us = TIME_UNKNOWN;
    f->spool = spooling_dir(&spool_settings);
    if (!f->spool)
        return;
    if (spool_look(f->spool, &f->spool_bytes, &f->spool_oldest_us, &err))
        health_check_spool(h, f->spool, f->spool_bytes, f->spool_oldest_us);
    else
        health_complain(h, SEVERITY_WRONG, "spool", arena_strdup(h->mem, err.text),
                        arena_printf(h->mem, "ls -ld '%s'", f->spool));
}

static void complain_of_database(struct health *h, const struct err *err)
{
    health_complain(h, SEVERITY_LOSING, "database", arena_strdup(h->mem, err->text),
                    err->hint[0]              ? arena_strdup(h->mem, err->hint)
                    : err->kind == ERR_CONFIG ? "vaneward-collector prepare"
                                              : "pg_isready, and --db or the PG* environment");
}

int health_command(const char *const *args, int count, struct err *err)
{
    (void)args;
    (void)count;
    struct db *db = NULL;
    struct findings found = {0};
    struct health h = {.mem = arena_new((size_t)1024 * 1024 * 1024),
                       .now_us = clock_now_us(),
                       .clock_stepped_us = TIME_UNKNOWN};
    bool is_up = settings_open(&db, err);
    if (is_up && !read_database(db, &h, &found, err)) {
        rows_free(found.sources);
        found.sources = NULL;
        is_up = false;
    }
    look_at_spool(&h, &found);
    if (is_up)
        judge_database(&h, &found);
    else
        complain_of_database(&h, err);
    health_sort(&h);
    bool printed = settings.json ? print_json(&h, &found) : print_text(&h, &found);
    bool well = h.count == 0;
    rows_free(found.sources);
    rows_free(found.journal);
    rows_free(found.service);
    arena_free(h.mem);
    db_close(db);
    if (is_up && !printed)
        err_set(err, ERR_OUTPUT, "cannot write the result");
    if (err->kind != ERR_NONE)
        return err_exit_status(err->kind);
    return well ? EXIT_SUCCESS : EXIT_UNWELL;
}
