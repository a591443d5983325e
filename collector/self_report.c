#include "self_report.h"

#include "base/log.h"
#include "metrics.h"
#include "metrics_port.h"
#include "state_file.h"

#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { EVERY_MS = 15 * 1000 };

struct self_report {
    struct self_report_settings settings;
    struct metrics_port *port; /* NULL: none */
    char state[PATH_MAX];      /* "": not kept */
    bool has_written_state;
    bool metrics_failed, state_failed; /* told */
    int64_t due_ms;
    const struct self_view *view; /* while the port is served */
};

bool self_report_new(struct self_report **out, const struct self_report_settings *settings, struct err *err)
{
    struct self_report *r = calloc(1, sizeof *r);
    if (!r)
        err_no_memory();
    *out = r;
    return self_report_change(r, settings, err);
}

void self_report_free(struct self_report *r)
{
    if (!r)
        return;
    if (r->has_written_state)
        unlink(r->state);
    metrics_port_close(r->port);
    free(r);
}

bool self_report_change(struct self_report *r, const struct self_report_settings *settings, struct err *err)
{
    if (settings->metrics_port != r->settings.metrics_port) {
        struct metrics_port *port = NULL;
        if (settings->metrics_port && !metrics_port_open(&port, (int)settings->metrics_port, err))
            return false;
        metrics_port_close(r->port);
        r->port = port;
    }
    r->settings = *settings;
    return true;
}

void self_report_keep_state(struct self_report *r, const char *dir)
{
    struct arena *mem = arena_new(2 * PATH_MAX);
    snprintf(r->state, sizeof r->state, "%s", state_file_path(dir, mem));
    arena_free(mem);
}

static struct source_health *sources_of(const struct roster *roster, struct arena *mem)
{
    struct source_health *all = arena_array(mem, struct source_health, roster->count);
    for (size_t k = 0; k < roster->count; k++)
        all[k] = station_health(roster->stations[k]);
    return all;
}

static void count_totals(struct metrics *m, const struct totals *t)
{
    m->polls = t->polls;
    memcpy(m->failures, t->failures, sizeof m->failures);
    m->observations = t->observations;
    m->readings = t->readings;
    m->conditions = t->conditions;
    m->gaps = t->gaps;
    m->set_aside = t->set_aside;
    m->stale_batches = t->stale_batches;
    m->commits = t->commits;
    m->last_success_us = t->last_success_us;
}

static struct metrics metrics_of(const struct self_view *view, struct arena *mem)
{
    const struct roster *roster = reader_roster(view->reader);
    struct metrics m = {.alerts_sent = view->alerts_sent,
                        .alerts_failed = view->alerts_failed,
                        .sources = (int64_t)roster->count,
                        .sources_failing = (int64_t)roster_count_failing(roster),
                        .database_up = !view->database_away,
                        .primaries_refused = view->primary->refusals,
                        .started_us = view->started_us,
                        .has_spool = view->spool,
                        .spool_oldest_us = TIME_UNKNOWN,
                        .each = sources_of(roster, mem),
                        .each_count = roster->count,
                        .clock_stepped_us = view->clock_stepped_us};
    count_totals(&m, reader_totals(view->reader));
    if (view->spool) {
        struct spool_state state = spool_state(view->spool);
        m.spool_bytes = state.batches ? (int64_t)state.bytes : 0;
        m.spool_oldest_us = state.oldest_us;
        m.spool_dropped = (int64_t)state.readings_dropped;
        m.spool_damaged = (int64_t)state.damaged;
        m.spool_reserve_bytes = (int64_t)state.reserve_bytes;
        m.has_spool_disk = spool_disk(view->spool, &m.spool_disk);
    }
    return m;
}

static const char *text_of(void *context, struct arena *mem)
{
    const struct self_report *r = context;
    struct metrics m = metrics_of(r->view, mem);
    return metrics_text(&m, clock_now_us(), mem);
}

/* What cannot be written is told once, until it can be again. */
static void tell(bool ok, bool *was_told, const char *event, const struct err *why)
{
    if (!ok && !*was_told)
        log_error(event, "why='%s'", why->text);
    *was_told = !ok;
}

static void write_metrics(struct self_report *r, const struct metrics *m)
{
    struct err err = {0};
    tell(metrics_write(m, clock_now_us(), r->settings.metrics_file, &err), &r->metrics_failed,
         "metrics.failed", &err);
}

/* Gaps and refusals of the last day are known to the database only. */
static void write_state(struct self_report *r, const struct self_view *view, const struct metrics *m,
                        struct arena *mem)
{
    struct err err = {0};
    struct state s = {.collector = view->collector,
                      .version = VANEWARD_VERSION,
                      .at_us = clock_now_us(),
                      .started_us = view->started_us,
                      .clock_stepped_us = view->clock_stepped_us,
                      .database_away = view->database_away,
                      .primary_refused = view->primary->refusals ? view->primary->refused_why : NULL,
                      .primary_refused_us = view->primary->refused_us,
                      .spool_dropped = m->spool_dropped,
                      .spool_damaged = m->spool_damaged,
                      .sources = arena_array(mem, struct source_health, m->each_count),
                      .source_count = m->each_count};
    for (size_t k = 0; k < m->each_count; k++) {
        s.sources[k] = m->each[k];
        s.sources[k].gaps = s.sources[k].set_aside = HEALTH_UNKNOWN;
    }
    bool ok = state_file_write(&s, r->state, &err);
    r->has_written_state |= ok;
    tell(ok, &r->state_failed, "state.failed", &err);
}

void self_report_turn(struct self_report *r, const struct self_view *view)
{
    int64_t now_ms = clock_mono_ms();
    r->view = view;
    if (r->port)
        metrics_port_turn(r->port, text_of, r);
    if (now_ms < r->due_ms || (!r->settings.metrics_file && !r->state[0]))
        return;
    r->due_ms = now_ms + EVERY_MS;
    struct arena *mem = arena_new(METRICS_BYTES);
    struct metrics m = metrics_of(view, mem);
    if (r->settings.metrics_file)
        write_metrics(r, &m);
    if (r->state[0])
        write_state(r, view, &m, mem);
    arena_free(mem);
}

void self_report_hurry(struct self_report *r)
{
    r->due_ms = 0;
}

bool self_report_busy(const struct self_report *r)
{
    return r->port && metrics_port_busy(r->port);
}
