#include "run.h"

#include "base/clock.h"
#include "base/log.h"
#include "fold.h"
#include "reader.h"
#include "seal.h"
#include "settings.h"

#include <jansson.h>

#include <inttypes.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum {
    EXIT_PARTLY = 3,
    TURN_MS = 250,
    REGISTER_MS = 60 * 1000,
    FOLD_MS = 2000,
    AWAY_FIRST_MS = 500,
    AWAY_LAST_MS = 5 * 1000,
};

static struct {
    bool once, catch_up, no_seal;
    int64_t in_flight;
} options = {.in_flight = 64};

const struct opt run_options[] = {
    {"once", NULL, "Ask each source once, then end", OPT_FLAG, &options.once, 0, 0},
    {"catch-up", NULL, "End when every source has been read to its end", OPT_FLAG, &options.catch_up, 0, 0},
    {"in-flight", "N", "Ask at most N sources at a time (64)", OPT_INT, &options.in_flight, 1, 4096},
    {"no-seal", NULL, "Leave the journal as it is", OPT_FLAG, &options.no_seal, 0, 0},
    {0},
};

static volatile sig_atomic_t stop_asked;

static void on_signal(int signal)
{
    (void)signal;
    if (stop_asked)
        _exit(128 + signal); /* asked twice: at once */
    stop_asked = 1;
}

/* One run of the command. */
struct run {
    enum reader_mode mode;
    struct reader *reader;
    struct db *db;
    int64_t began_ms, register_due_ms, fold_due_ms, seal_due_us, progress_due_ms;
    bool is_terminal;
};

static void say_progress(struct run *run)
{
    int64_t now_ms = clock_mono_ms();
    if (!run->is_terminal || now_ms < run->progress_due_ms)
        return;
    run->progress_due_ms = now_ms + 500;
    const struct reader_totals *t = reader_totals(run->reader);
    double seconds = (double)(now_ms - run->began_ms) / 1000;
    fprintf(stderr, "\r%zu of %zu sources, %" PRId64 " observations, %.0f per second ",
            reader_sources_read(run->reader), reader_sources(run->reader), t->observations,
            seconds > 0 ? (double)t->observations / seconds : 0.0);
}

static bool fold_now(struct run *run, struct err *err)
{
    int64_t drives;
    run->fold_due_ms = clock_mono_ms() + FOLD_MS;
    if (!fold_new(run->db, &drives, err))
        return err_in(err, "episodes");
    if (drives)
        log_debug("fold.done", "drives=%" PRId64, drives);
    return true;
}

static bool seal_now(struct run *run, struct err *err)
{
    struct seal_report report;
    int64_t now_us = clock_now_us(), began_ms = clock_mono_ms();
    int64_t hour_us = now_us - now_us % US_PER_HOUR;
    run->seal_due_us = hour_us + SEAL_GRACE_US + (now_us - hour_us < SEAL_GRACE_US ? 0 : US_PER_HOUR);
    if (!seal(run->db, now_us, &report, err))
        return err_in(err, "sealing");
    if (report.steps)
        log_info("seal.done", "readings=%" PRId64 " fan_days=%" PRId64 " ms=%" PRId64, report.readings,
                 report.fan_days, clock_mono_ms() - began_ms);
    return true;
}

/* A round of a run without end: sources, and the upkeep that is due. */
static bool turn(struct run *run, struct err *err)
{
    if (clock_mono_ms() >= run->register_due_ms) {
        if (!reader_register(run->reader, run->db, err))
            return false;
        run->register_due_ms = clock_mono_ms() + REGISTER_MS;
    }
    if (!reader_turn(run->reader, run->db, TURN_MS, err))
        return false;
    say_progress(run);
    if (run->mode != READ_FOR_EVER)
        return true;
    if (clock_mono_ms() >= run->fold_due_ms && reader_has_conditions(run->reader) && !fold_now(run, err))
        return false;
    return options.no_seal || clock_now_us() < run->seal_due_us || seal_now(run, err);
}

static bool finish(struct run *run, struct err *err)
{
    if (!reader_flush(run->reader, run->db, err) || !fold_now(run, err))
        return false;
    return run->mode == READ_FOR_EVER || options.no_seal || seal_now(run, err);
}

static void pause_ms(int64_t ms)
{
    if (!stop_asked)
        usleep((useconds_t)(ms * 1000));
}

/* Waits for the database. False: it answers, but cannot be used; or the run was asked to stop. */
static bool reconnect(struct run *run, struct err *why)
{
    int64_t wait_ms = AWAY_FIRST_MS, since_ms = clock_mono_ms();
    log_error("database.away", "why='%s'", why->text);
    reader_lose(run->reader);
    while (!stop_asked) {
        db_close(run->db);
        run->db = NULL;
        err_clear(why);
        if (settings_open(&run->db, why) && reader_register(run->reader, run->db, why)) {
            log_info("database.back", "after_s=%" PRId64, (clock_mono_ms() - since_ms) / 1000);
            return true;
        }
        if (why->kind != ERR_UNAVAILABLE)
            return false;
        pause_ms(wait_ms);
        wait_ms = wait_ms * 2 < AWAY_LAST_MS ? wait_ms * 2 : AWAY_LAST_MS;
    }
    return false;
}

static bool read_all(struct run *run, struct err *err)
{
    while (!stop_asked && !reader_is_done(run->reader)) {
        if (turn(run, err))
            continue;
        if (run->mode != READ_FOR_EVER || err->kind != ERR_UNAVAILABLE || !reconnect(run, err))
            return stop_asked && err->kind == ERR_UNAVAILABLE;
        err_clear(err);
    }
    return finish(run, err);
}

struct figure {
    const char *name, *words;
    double value;
    bool is_whole;
};

static size_t figures_of(const struct run *run, struct figure figures[static 10])
{
    const struct reader_totals *t = reader_totals(run->reader);
    double seconds = (double)(clock_mono_ms() - run->began_ms) / 1000;
    const struct figure all[] = {
        {"sources", "sources", (double)reader_sources(run->reader), true},
        {"sources_read", "sources read", (double)reader_sources_read(run->reader), true},
        {"observations", "observations", (double)t->observations, true},
        {"readings", "readings stored", (double)t->readings, true},
        {"conditions", "conditions stored", (double)t->conditions, true},
        {"gaps", "gaps", (double)t->gaps, true},
        {"set_aside", "set aside", (double)t->set_aside, true},
        {"seconds", "seconds", seconds, false},
        {"observations_per_second", "observations per second",
         seconds > 0 ? (double)t->observations / seconds : 0, true},
    };
    memcpy(figures, all, sizeof all);
    return sizeof all / sizeof *all;
}

static void failure_as_json(void *context, const char *source, const char *why)
{
    json_array_append_new(context, json_pack("{s:s, s:s}", "source", source, "why", why));
}

static void failure_as_text(void *context, const char *source, const char *why)
{
    fprintf(context, "not read: %s: %s\n", source, why);
}

static bool print_summary(const struct run *run)
{
    struct figure figures[10];
    size_t n = figures_of(run, figures);
    if (!settings.json) {
        for (size_t k = 0; k < n; k++)
            printf("%-24s %*.*f\n", figures[k].words, 12, figures[k].is_whole ? 0 : 1, figures[k].value);
        reader_failures(run->reader, failure_as_text, stdout);
        return fflush(stdout) == 0;
    }
    json_t *root = json_object(), *failed = json_array();
    for (size_t k = 0; k < n; k++)
        json_object_set_new(root, figures[k].name,
                            figures[k].is_whole ? json_integer((json_int_t)figures[k].value)
                                                : json_real(figures[k].value));
    reader_failures(run->reader, failure_as_json, failed);
    json_object_set_new(root, "not_read", failed);
    bool ok = json_dumpf(root, stdout, JSON_INDENT(2)) == 0 && putchar('\n') != EOF && fflush(stdout) == 0;
    json_decref(root);
    return ok;
}

static void catch_signals(void)
{
    struct sigaction action = {.sa_handler = on_signal};
    sigemptyset(&action.sa_mask);
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
}

/* The database as it is found at the start: a run without end waits for it. */
static bool open_at_start(struct run *run, struct err *err)
{
    if (settings_open(&run->db, err))
        return true;
    if (run->mode != READ_FOR_EVER || err->kind != ERR_UNAVAILABLE)
        return false;
    if (reconnect(run, err)) {
        err_clear(err);
        return true;
    }
    return false;
}

int run_command(const char *const *args, int count, struct err *err)
{
    (void)args;
    (void)count;
    struct run run = {.mode = options.once       ? READ_ONCE
                              : options.catch_up ? READ_TO_THE_END
                                                 : READ_FOR_EVER,
                      .began_ms = clock_mono_ms(),
                      .is_terminal = isatty(STDERR_FILENO)};
    if (options.once && options.catch_up) {
        err_set(err, ERR_USAGE, "--once and --catch-up exclude each other");
        return err_exit_status(err->kind);
    }
    catch_signals();
    bool ok = reader_new(&run.reader, run.mode, (size_t)options.in_flight, err) && open_at_start(&run, err) &&
              read_all(&run, err);
    if (run.is_terminal)
        fputc('\n', stderr);
    if (ok && !print_summary(&run))
        ok = err_set(err, ERR_OUTPUT, "cannot write the summary");
    bool all_read = reader_sources_read(run.reader) == reader_sources(run.reader);
    reader_free(run.reader);
    db_close(run.db);
    if (!ok)
        return err_exit_status(err->kind);
    return all_read || run.mode == READ_FOR_EVER ? EXIT_SUCCESS : EXIT_PARTLY;
}
