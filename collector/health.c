#include "health.h"

#include "health_check.h"
#include "health_figures.h"
#include "health_table.h"
#include "primary.h"
#include "queries.h"
#include "settings.h"
#include "spooling.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

enum { EXIT_UNWELL = 3, SCHEMA_VERSION = 1 };

static struct {
    struct spooling_settings spool;
    const char *state;
    bool sources;
} options;

const struct opt health_options[] = {
    {"spool", "DIR", "Folder of the collector's spool (" SPOOL_USUAL_DIR ", if it is there)", OPT_TEXT,
     &options.spool.dir, 0, 0},
    {"state", "DIR", "Folder of the collector's state (else $STATE_DIRECTORY, else beside the spool)",
     OPT_TEXT, &options.state, 0, 0},
    {"sources", NULL, "List all sources with their figures too", OPT_FLAG, &options.sources, 0, 0},
    {0},
};

static json_t *complaints_json(const struct health *h)
{
    json_t *wrong = json_array();
    for (size_t k = 0; k < h->count; k++) {
        const struct complaint *c = &h->complaints[k];
        json_array_append_new(wrong,
                              json_pack("{s:s, s:o, s:s, s:s, s:s}", "severity", severity_words[c->severity],
                                        "source", health_json_text(c->is_source ? c->about : NULL), "about",
                                        c->about, "what", c->what, "help", c->help));
    }
    return wrong;
}

/* null for all that only the database knows. */
static void add_number(json_t *root, const char *name, const struct rows *r, int column)
{
    json_object_set_new(root, name,
                        r && !rows_null(r, 0, column) ? json_integer(rows_int(r, 0, column)) : json_null());
}

static void add_database(json_t *root, const struct findings *f)
{
    json_object_set_new(root, "database_up", json_boolean(f->service));
    add_number(root, "journal_rows", f->journal, JOURNAL_ROWS);
    add_number(root, "journal_readings", f->journal, JOURNAL_READINGS);
    json_object_set_new(
        root, "journal_oldest_at",
        health_json_moment(f->journal ? rows_moment(f->journal, 0, JOURNAL_OLDEST) : TIME_UNKNOWN));
    add_number(root, "collectors_running", f->service, SERVICE_RUNNING);
    add_number(root, "alerts_waiting", f->service, SERVICE_ALERTS);
    add_number(root, "alerts_given_up_24h", f->service, SERVICE_ALERTS_GIVEN_UP);
    add_number(root, "schema_version", f->service, SERVICE_SCHEMA);
    json_object_set_new(root, "server_version",
                        health_json_text(f->service ? rows_text(f->service, 0, SERVICE_SERVER) : NULL));
}

static json_t *sources_json(const struct health *h, const struct findings *f)
{
    json_t *list = json_array();
    for (size_t k = 0; k < f->source_count; k++)
        json_array_append_new(list, health_figures_json(&f->sources[k], h->now_us, h->clock_stepped_us));
    return list;
}

static bool print_json(const struct health *h, const struct findings *f)
{
    static const char *const witnesses[] = {
        [WITNESS_DATABASE] = "database", [WITNESS_COLLECTOR] = "collector"};
    json_t *root = json_object();
    json_object_set_new(root, "format", json_integer(SCHEMA_VERSION));
    json_object_set_new(root, "at", health_json_moment(h->now_us));
    add_database(root, f);
    json_object_set_new(root, "primary_refused_at",
                        health_json_moment(f->has_state ? f->state.primary_refused_us : TIME_UNKNOWN));
    json_object_set_new(root, "spool_bytes",
                        f->spool ? json_integer((json_int_t)f->spool_bytes) : json_null());
    json_object_set_new(root, "spool_oldest_at", health_json_moment(f->spool_oldest_us));
    json_object_set_new(root, "spool_disk_free",
                        f->has_spool_disk ? json_real(f->spool_disk.free) : json_null());
    json_object_set_new(root, "spool_reserve_bytes",
                        f->has_spool_disk ? json_integer((json_int_t)f->spool_reserve_bytes) : json_null());
    json_object_set_new(root, "sources_as_of",
                        health_json_moment(f->witness == WITNESS_COLLECTOR  ? f->state.at_us
                                           : f->witness == WITNESS_DATABASE ? h->now_us
                                                                            : TIME_UNKNOWN));
    json_object_set_new(root, "sources_from", health_json_text(witnesses[f->witness]));
    json_object_set_new(root, "sources", sources_json(h, f));
    json_object_set_new(root, "wrong", complaints_json(h));
    bool ok = json_dumpf(root, stdout, JSON_INDENT(2) | JSON_REAL_PRECISION(12)) == 0;
    json_decref(root);
    return ok && putchar('\n') != EOF && fflush(stdout) == 0;
}

static void print_summary(const struct health *h, const struct findings *f)
{
    printf("%zu sources", f->source_count);
    if (f->witness == WITNESS_DATABASE)
        printf("; %" PRId64 " readings wait in the journal to be sealed; %" PRId64
               " alerts wait; schema %" PRId64 " on PostgreSQL %s\n",
               rows_int(f->journal, 0, JOURNAL_READINGS), rows_int(f->service, 0, SERVICE_ALERTS),
               rows_int(f->service, 0, SERVICE_SCHEMA), rows_text(f->service, 0, SERVICE_SERVER));
    else if (f->witness == WITNESS_COLLECTOR)
        printf(", as collector %s knew them %s ago\n", f->state.collector,
               health_duration(h->mem, h->now_us - f->state.at_us));
    else
        printf(" are known: the database is away, and no collector has left its state here (--state DIR)\n");
}

static bool print_text(const struct health *h, const struct findings *f)
{
    print_summary(h, f);
    if (options.sources)
        health_table_print(h, f);
    for (size_t k = 0; k < h->count; k++) {
        const struct complaint *c = &h->complaints[k];
        printf("%s: %s: %s\n    what helps: %s\n", severity_words[c->severity], c->about, c->what, c->help);
    }
    if (!h->count)
        puts("all is well");
    return fflush(stdout) == 0;
}

static bool read_database(const struct health *h, struct db *db, struct rows **sources, struct findings *f,
                          struct err *err)
{
    const struct db_value now[] = {db_moment(h->now_us)};
    return db_query(db, &q_health_service, now, 1, &f->service, err) &&
           db_query(db, &q_health_journal, NULL, 0, &f->journal, err) &&
           db_query(db, &q_health_sources, now, 1, sources, err);
}

static void look_at_spool(const struct health *h, struct findings *f)
{
    struct err err = {0};
    f->spool_oldest_us = TIME_UNKNOWN;
    f->spool = spooling_dir(&options.spool);
    if (f->spool && !spool_look(f->spool, &f->spool_bytes, &f->spool_oldest_us, &err))
        f->spool_error = arena_strdup(h->mem, err.text);
    f->has_spool_disk = f->spool && spool_look_at_disk(f->spool, &f->spool_disk, &f->spool_reserve_bytes);
}

/* Where the service manager keeps the state of the collector, the usual spool lies below. The folder of the
 * state; NULL: none. */
static const char *look_at_state(const struct health *h, struct findings *f)
{
    const char *dir = options.state ? options.state : getenv("STATE_DIRECTORY");
    if (!dir && f->spool)
        f->has_state = state_file_read(state_file_path(f->spool, h->mem), h->mem, &f->state);
    if (!dir && f->spool && !f->has_state)
        dir = arena_printf(h->mem, "%s/..", f->spool);
    if (dir)
        f->has_state = state_file_read(state_file_path(dir, h->mem), h->mem, &f->state);
    return dir ? dir : f->spool;
}

static void database_is_away(const struct health *h, struct findings *f, const struct err *why)
{
    rows_free(f->service);
    rows_free(f->journal);
    f->service = f->journal = NULL;
    f->database_error = arena_strdup(h->mem, why->text);
    f->database_help = why->hint[0]              ? arena_strdup(h->mem, why->hint)
                       : why->kind == ERR_CONFIG ? "vaneward-collector prepare"
                                                 : "pg_isready, and --db or the PG* environment";
    if (!f->has_state)
        return;
    f->witness = WITNESS_COLLECTOR;
    f->sources = f->state.sources;
    f->source_count = f->state.source_count;
}

static void look_at_all(struct health *h, struct db **db, struct rows **sources, struct findings *f,
                        struct err *err)
{
    look_at_spool(h, f);
    struct primary known;
    primary_look(&known, look_at_state(h, f));
    if (!settings_open_where(db, primary_may_be_read, &known, err) ||
        !read_database(h, *db, sources, f, err)) {
        database_is_away(h, f, err);
        return;
    }
    f->witness = WITNESS_DATABASE;
    f->sources = health_sources_of_rows(*sources, h->mem);
    f->source_count = rows_count(*sources);
}

int health_command(const char *const *args, int count, struct err *err)
{
    (void)args;
    (void)count;
    struct db *db = NULL;
    struct rows *sources = NULL;
    struct findings found = {0};
    struct health h = {.mem = arena_new((size_t)1024 * 1024 * 1024), .now_us = clock_now_us()};
    look_at_all(&h, &db, &sources, &found, err);
    health_check(&h, &found);
    bool printed = settings.json ? print_json(&h, &found) : print_text(&h, &found);
    bool well = h.count == 0;
    rows_free(sources);
    rows_free(found.journal);
    rows_free(found.service);
    arena_free(h.mem);
    db_close(db);
    if (err->kind == ERR_NONE && !printed)
        err_set(err, ERR_OUTPUT, "cannot write the result");
    if (err->kind != ERR_NONE)
        return err_exit_status(err->kind);
    return well ? EXIT_SUCCESS : EXIT_UNWELL;
}
