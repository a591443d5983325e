#include "metrics.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* The text while it grows: families one after the other, as the format wants it. */
struct exposition {
    FILE *out;
};

static void family(const struct exposition *x, const char *name, const char *type, const char *unit,
                   const char *help)
{
    fprintf(x->out, "# TYPE vaneward_%s %s\n", name, type);
    if (unit)
        fprintf(x->out, "# UNIT vaneward_%s %s\n", name, unit);
    fprintf(x->out, "# HELP vaneward_%s %s\n", name, help);
}

static void counter(const struct exposition *x, const char *name, const char *help, int64_t value)
{
    family(x, name, "counter", NULL, help);
    fprintf(x->out, "vaneward_%s_total %" PRId64 "\n", name, value);
}

static void gauge(const struct exposition *x, const char *name, const char *unit, const char *help,
                  int64_t value)
{
    family(x, name, "gauge", unit, help);
    fprintf(x->out, "vaneward_%s %" PRId64 "\n", name, value);
}

/* A moment in Unix seconds; left out while there is none. */
static void moment(const struct exposition *x, const char *name, const char *help, int64_t us)
{
    family(x, name, "gauge", "seconds", help);
    if (us != TIME_UNKNOWN)
        fprintf(x->out, "vaneward_%s %" PRId64 ".%03" PRId64 "\n", name, us / US_PER_S, us % US_PER_S / 1000);
}

static void failures(const struct exposition *x, const struct metrics *m)
{
    family(x, "poll_failures", "counter", NULL, "Polls that brought nothing, by kind of failure.");
    for (int k = 0; k < FAILURE_KINDS; k++)
        fprintf(x->out, "vaneward_poll_failures_total{kind=\"%s\"} %" PRId64 "\n", failure_words[k],
                m->failures[k]);
}

static void commits(const struct exposition *x, const struct histogram *h)
{
    int64_t below = 0;
    family(x, "commit_seconds", "histogram", "seconds", "Time to store what came in, one transaction each.");
    for (int k = 0; k < HISTOGRAM_STEPS; k++) {
        below += h->within[k];
        /* 1.0 wants a float as canonical text: always with a point. */
        double bound = histogram_bounds[k];
        fprintf(x->out,
                bound >= 1 ? "vaneward_commit_seconds_bucket{le=\"%.1f\"} %" PRId64 "\n"
                           : "vaneward_commit_seconds_bucket{le=\"%g\"} %" PRId64 "\n",
                bound, below);
    }
    fprintf(x->out, "vaneward_commit_seconds_bucket{le=\"+Inf\"} %" PRId64 "\n", h->count);
    fprintf(x->out, "vaneward_commit_seconds_count %" PRId64 "\n", h->count);
    fprintf(x->out, "vaneward_commit_seconds_sum %.6f\n", h->sum_s);
}

static void spool(const struct exposition *x, const struct metrics *m, int64_t now_us)
{
    if (!m->has_spool)
        return;
    gauge(x, "spool_bytes", "bytes", "Size of what waits on disk for the database.", m->spool_bytes);
    int64_t age_us = m->spool_oldest_us == TIME_UNKNOWN ? 0 : now_us - m->spool_oldest_us;
    gauge(x, "spool_age_seconds", "seconds", "Age of the oldest batch that waits on disk; 0 when none does.",
          age_us > 0 ? age_us / US_PER_S : 0);
}

static void write_all(const struct exposition *x, const struct metrics *m, int64_t now_us)
{
    family(x, "build", "info", NULL, "The program that runs.");
    fprintf(x->out, "vaneward_build_info{version=\"%s\"} 1\n", VANEWARD_VERSION);
    counter(x, "polls", "Requests to sources that have ended, well or not.", m->polls);
    failures(x, m);
    counter(x, "observations", "Observations in answers that were stored.", m->observations);
    counter(x, "readings", "Fan speeds stored.", m->readings);
    counter(x, "conditions", "State changes stored.", m->conditions);
    counter(x, "gaps", "Spans of lost observations recorded.", m->gaps);
    counter(x, "set_aside", "Observations set aside because they could not be used.", m->set_aside);
    counter(x, "stale_batches",
            "Batches not stored because they were stored before, or by another collector.", m->stale_batches);
    counter(x, "alerts_sent", "Alerts that a command or webhook has taken.", m->alerts_sent);
    counter(x, "alert_failures", "Failed tries to hand on an alert.", m->alerts_failed);
    gauge(x, "sources", NULL, "Sources in the register.", m->sources);
    gauge(x, "sources_failing", NULL, "Sources whose last poll failed.", m->sources_failing);
    gauge(x, "database_up", NULL, "1 while the database can be used, else 0.", m->database_up);
    commits(x, &m->commits);
    spool(x, m, now_us);
    moment(x, "start_time_seconds", "When the collector started, in Unix time.", m->started_us);
    moment(x, "last_success_time_seconds", "When something was last stored, in Unix time.",
           m->last_success_us);
    fputs("# EOF\n", x->out);
}

const char *metrics_text(const struct metrics *m, int64_t now_us, struct arena *mem)
{
    char *text = NULL;
    size_t size = 0;
    struct exposition x = {open_memstream(&text, &size)};
    if (!x.out)
        err_no_memory();
    write_all(&x, m, now_us);
    if (fclose(x.out) != 0)
        err_no_memory();
    const char *kept = arena_strndup(mem, text, size);
    free(text);
    return kept;
}

static bool write_file(const char *path, const char *text)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, 0644);
    if (fd < 0)
        return false;
    size_t size = strlen(text);
    bool ok = write(fd, text, size) == (ssize_t)size;
    return close(fd) == 0 && ok;
}

bool metrics_write(const struct metrics *m, int64_t now_us, const char *path, struct err *err)
{
    struct arena *mem = arena_new(1024 * 1024);
    const char *beside = arena_printf(mem, "%s.new", path);
    bool ok = write_file(beside, metrics_text(m, now_us, mem)) && rename(beside, path) == 0;
    if (!ok)
        err_set(err, ERR_OUTPUT, "cannot write '%s': %s", path, strerror(errno));
    arena_free(mem);
    return ok;
}
