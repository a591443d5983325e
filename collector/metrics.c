#include "metrics.h"

#include "health_figures.h"
#include "openmetrics.h"
#include "whole_file.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A moment in Unix seconds; left out while there is none. */
static void moment(FILE *out, const char *name, const char *help, int64_t us)
{
    openmetrics_family(out, name, "gauge", "seconds", help);
    if (us != TIME_UNKNOWN)
        fprintf(out, "vaneward_%s %" PRId64 ".%03" PRId64 "\n", name, us / US_PER_S, us % US_PER_S / 1000);
}

static void failures(FILE *out, const struct metrics *m)
{
    openmetrics_family(out, "poll_failures", "counter", NULL,
                       "Polls that brought nothing, by kind of failure.");
    for (int k = 0; k < FAILURE_KINDS; k++)
        fprintf(out, "vaneward_poll_failures_total{kind=\"%s\"} %" PRId64 "\n", failure_words[k],
                m->failures[k]);
}

static void commits(FILE *out, const struct histogram *h)
{
    int64_t below = 0;
    openmetrics_family(out, "commit_seconds", "histogram", "seconds",
                       "Time to store what came in, one transaction each.");
    for (int k = 0; k < HISTOGRAM_STEPS; k++) {
        below += h->within[k];
        /* 1.0 wants a float as canonical text: always with a point. */
        double bound = histogram_bounds[k];
        fprintf(out,
                bound >= 1 ? "vaneward_commit_seconds_bucket{le=\"%.1f\"} %" PRId64 "\n"
                           : "vaneward_commit_seconds_bucket{le=\"%g\"} %" PRId64 "\n",
                bound, below);
    }
    fprintf(out, "vaneward_commit_seconds_bucket{le=\"+Inf\"} %" PRId64 "\n", h->count);
    fprintf(out, "vaneward_commit_seconds_count %" PRId64 "\n", h->count);
    fprintf(out, "vaneward_commit_seconds_sum %.6f\n", h->sum_s);
}

static void spool(FILE *out, const struct metrics *m, int64_t now_us)
{
    if (!m->has_spool)
        return;
    openmetrics_gauge(out, "spool_bytes", "bytes", "Size of what waits on disk for the database.",
                      m->spool_bytes);
    int64_t age_us = m->spool_oldest_us == TIME_UNKNOWN ? 0 : now_us - m->spool_oldest_us;
    openmetrics_gauge(out, "spool_age_seconds", "seconds",
                      "Age of the oldest batch that waits on disk; 0 when none does.",
                      age_us > 0 ? age_us / US_PER_S : 0);
    openmetrics_counter(out, "spool_dropped_batches",
                        "Batches whose readings went because the spool was full.", m->spool_dropped);
    openmetrics_counter(out, "spool_damaged_records", "Records of the spool that could not be read.",
                        m->spool_damaged);
    openmetrics_gauge(out, "spool_reserve_bytes", "bytes",
                      "Size of the file that is given up first when the spool's disk is full.",
                      m->spool_reserve_bytes);
    if (!m->has_spool_disk)
        return;
    openmetrics_gauge(out, "spool_disk_writable", NULL, "1 while the spool's disk can be written, else 0.",
                      !m->spool_disk.is_read_only);
    openmetrics_gauge(out, "spool_disk_free_percent", NULL,
                      "Free share of the spool's disk; below 10 plain readings are not kept there.",
                      (int64_t)(100 * m->spool_disk.free));
}

static void write_all(FILE *out, const struct metrics *m, int64_t now_us)
{
    openmetrics_family(out, "build", "info", NULL, "The program that runs.");
    fprintf(out, "vaneward_build_info{version=\"%s\"} 1\n", VANEWARD_VERSION);
    openmetrics_counter(out, "polls", "Requests to sources that have ended, well or not.", m->polls);
    failures(out, m);
    openmetrics_counter(out, "observations", "Observations in answers that were stored.", m->observations);
    openmetrics_counter(out, "readings", "Fan speeds stored.", m->readings);
    openmetrics_counter(out, "conditions", "State changes stored.", m->conditions);
    openmetrics_counter(out, "gaps", "Spans of lost observations recorded.", m->gaps);
    openmetrics_counter(out, "set_aside", "Observations set aside because they could not be used.",
                        m->set_aside);
    openmetrics_counter(out, "stale_batches",
                        "Batches not stored because they were stored before, or by another collector.",
                        m->stale_batches);
    openmetrics_counter(out, "alerts_sent", "Alerts that a command or webhook has taken.", m->alerts_sent);
    openmetrics_counter(out, "alert_failures", "Failed tries to hand on an alert.", m->alerts_failed);
    openmetrics_gauge(out, "sources", NULL, "Sources in the register.", m->sources);
    openmetrics_gauge(out, "sources_failing", NULL, "Sources whose last poll failed.", m->sources_failing);
    openmetrics_gauge(out, "database_up", NULL, "1 while the database can be used, else 0.", m->database_up);
    openmetrics_counter(out, "primaries_refused",
                        "Database servers not used because they are an old primary or another system.",
                        m->primaries_refused);
    commits(out, &m->commits);
    spool(out, m, now_us);
    health_figures_metrics(out, m->each, m->each_count, now_us, m->clock_stepped_us);
    moment(out, "start_time_seconds", "When the collector started, in Unix time.", m->started_us);
    moment(out, "last_success_time_seconds", "When something was last stored, in Unix time.",
           m->last_success_us);
    fputs("# EOF\n", out);
}

const char *metrics_text(const struct metrics *m, int64_t now_us, struct arena *mem)
{
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    if (!out)
        err_no_memory();
    write_all(out, m, now_us);
    if (fclose(out) != 0)
        err_no_memory();
    const char *kept = arena_strndup(mem, text, size);
    free(text);
    return kept;
}

bool metrics_write(const struct metrics *m, int64_t now_us, const char *path, struct err *err)
{
    struct arena *mem = arena_new(METRICS_BYTES);
    const char *text = metrics_text(m, now_us, mem);
    bool ok = whole_file_write(path, WHOLE_FILE_SHOWN, text, strlen(text), err);
    arena_free(mem);
    return ok;
}
