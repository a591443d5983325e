#include "run.h"

#include "base/clock.h"
#include "base/log.h"
#include "fold.h"
#include "primary.h"
#include "reader.h"
#include "seal.h"
#include "service.h"
#include "settings.h"
#include "spooling.h"

#include <jansson.h>

#include <errno.h>
#include <inttypes.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum {
    EXIT_PARTLY = 3,
    TURN_MS = 250,
    DRAIN_TURN_MS = 20, /* of reading, between shares of the spool */
    SPOOL_RETRY_MS = 1000,
    REGISTER_MS = 60 * 1000,
    FOLD_MS = 500,
    STOP_S = 5, /* from the first signal to the end, whatever hangs */
    CUT_S = 3,  /* and to the end of waiting for the database, where there is a spool */
    ALERTS_LAST_MS = 1000,
    DATABASE_LAST_MS = 3000,
    SEAL_READINGS = 2 * 1000 * 1000,
    AWAY_FIRST_MS = 500,
    AWAY_LAST_MS = 5 * 1000,
};

static struct {
    bool once, catch_up, no_seal;
    int64_t in_flight;
    const char *state;
    struct service_settings service;
    struct spooling_settings spool;
} options = {.in_flight = 64, .spool = {.max_mb = 2048}};

const struct opt run_options[] = {
    {"once", NULL, "Ask each source once, then end", OPT_FLAG, &options.once, 0, 0},
    {"catch-up", NULL, "End when every source has been read to its end", OPT_FLAG, &options.catch_up, 0, 0},
    {"in-flight", "N", "Ask at most N sources at a time (64)", OPT_INT, &options.in_flight, 1, 4096},
    {"no-seal", NULL, "Leave the journal as it is", OPT_FLAG, &options.no_seal, 0, 0},
    {"state", "DIR",
     "Note here which database server is the newest primary (else $STATE_DIRECTORY, else beside the spool)",
     OPT_TEXT, &options.state, 0, 0},
    {"spool", "DIR",
     "While the database is away, keep here what is read (" SPOOL_USUAL_DIR ", if it is there)", OPT_TEXT,
     &options.spool.dir, 0, 0},
    {"spool-max-mb", "N", "Room for the spool, in MiB (2048); the oldest readings go first", OPT_INT,
     &options.spool.max_mb, 1, 1 << 24},
    {"on-episode", "COMMAND", "Hand each new or changed episode to this program, as JSON on its input",
     OPT_TEXT, &options.service.on_episode, 0, 0},
    {"webhook", "URL", "Hand each new or changed episode to this address, as JSON by POST", OPT_TEXT,
     &options.service.webhook, 0, 0},
    {"webhook-key", "NAME", "Credential that signs what goes to the webhook", OPT_TEXT,
     &options.service.webhook_key, 0, 0},
    {"metrics", "FILE", "Write OpenMetrics text to this file every 15 s", OPT_TEXT,
     &options.service.metrics_file, 0, 0},
    {0},
};

static volatile sig_atomic_t stop_asked, reload_asked;
static volatile sig_atomic_t link_socket =
    -1; /* to be cut, so that what the database does not take is spooled */
static volatile sig_atomic_t abandon_status; /* of a run whose end hangs */

static void on_stop(int signal)
{
    if (stop_asked)
        _exit(128 + signal); /* asked twice: at once */
    stop_asked = 1;
    alarm(link_socket >= 0 ? CUT_S : STOP_S);
}

static void on_reload(int signal)
{
    (void)signal;
    reload_asked = 1;
}

/* What hangs is abandoned: no cursor has moved for what is not stored, so it will be read again. */
static void on_alarm(int signal)
{
    static const char words[] =
        "stop.abandoned: the database did not answer in time; what it has not stored will be "
        "read again\n";
    (void)signal;
    if (link_socket >= 0) {
        int kept = errno;
        shutdown(link_socket, SHUT_RDWR);
        link_socket = -1;
        alarm(STOP_S - CUT_S);
        errno = kept;
        return;
    }
    ssize_t written = write(STDERR_FILENO, words, sizeof words - 1);
    (void)written;
    _exit(abandon_status);
}

/* One run of the command. */
struct run {
    enum reader_mode mode;
    struct reader *reader;
    struct service *service;
    struct db *db;
    int64_t began_ms, register_due_ms, fold_due_ms, seal_due_us, progress_due_ms;
    bool is_terminal, has_register;
    struct primary primary;
    struct spool *spool; /* NULL: none */
    struct spool_state told;
    int64_t drain_due_ms;
    int64_t away_since_ms, back_since_ms, retry_due_ms, retry_wait_ms; /* of the database */
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
    const struct outbox_channels *alerts = run->mode == READ_FOR_EVER ? service_channels(run->service) : NULL;
    if (!fold_new(run->db, alerts, &drives, err))
        return err_in(err, "episodes");
    service_wake(run->service);
    if (drives)
        log_debug("fold.done", "drives=%" PRId64, drives);
    return true;
}

static void add_report(struct seal_report *sum, const struct seal_report *step)
{
    sum->steps += step->steps;
    sum->readings += step->readings;
    sum->fan_days += step->fan_days;
}

/* Step by step, so that whoever watches over us sees that we are alive. */
static bool seal_now(struct run *run, struct err *err)
{
    struct seal_report sum = {0};
    int64_t now_us = clock_now_us(), began_ms = clock_mono_ms();
    int64_t hour_us = now_us - now_us % US_PER_HOUR;
    run->seal_due_us = hour_us + SEAL_GRACE_US + (now_us - hour_us < SEAL_GRACE_US ? 0 : US_PER_HOUR);
    for (bool more = true; more;) {
        struct seal_report step = {0};
        if (!seal_step(run->db, now_us, SEAL_READINGS, &step, &more, err))
            return err_in(err, "sealing");
        add_report(&sum, &step);
        service_alive(run->service, run->reader, run->spool, true);
    }
    if (sum.steps)
        log_info("seal.done", "readings=%" PRId64 " fan_days=%" PRId64 " ms=%" PRId64, sum.readings,
                 sum.fan_days, clock_mono_ms() - began_ms);
    return true;
}

/* A register that cannot be used leaves the old one in force. */
static bool read_register(struct run *run, struct err *err)
{
    run->register_due_ms = clock_mono_ms() + REGISTER_MS;
    if (reader_register(run->reader, run->db, err)) {
        run->has_register = true;
        return true;
    }
    if (!run->has_register || (err->kind != ERR_INPUT && err->kind != ERR_REJECTED))
        return false;
    log_error("register.refused", "why='%s'", err->text);
    err_clear(err);
    return true;
}

/* Settings that are wrong leave the old ones in force. */
static void read_settings(struct run *run)
{
    struct err err = {0};
    bool ok = opts_reload(&err);
    options.service.credentials = settings.credentials;
    if (ok && service_change(run->service, &options.service, &err))
        log_info("settings.read", "again=yes");
    else
        log_error("settings.refused", "why='%s'", err.text);
    settings_apply_log();
}

static bool reload(struct run *run, struct err *err)
{
    reload_asked = 0;
    service_reloading(run->service);
    read_settings(run);
    bool ok = read_register(run, err);
    service_reloaded(run->service);
    return ok;
}

static bool open_database(struct run *run, struct err *err)
{
    link_socket = -1;
    if (!settings_open_where(&run->db, primary_accept, &run->primary, err))
        return false;
    link_socket = run->spool ? db_socket(run->db) : -1;
    return true;
}

/* The database is away, and there is a spool: reading goes on. */
static void go_on_without(struct run *run, struct err *why)
{
    int64_t now_ms = clock_mono_ms();
    log_error("database.away", "why='%s'", why->text);
    err_clear(why);
    link_socket = -1;
    db_close(run->db);
    run->db = NULL;
    if (now_ms - run->back_since_ms > 2 * AWAY_LAST_MS)
        run->retry_wait_ms = AWAY_FIRST_MS;
    run->away_since_ms = now_ms;
    run->retry_due_ms = now_ms + run->retry_wait_ms;
}

static void try_database(struct run *run)
{
    struct err why = {0};
    if (clock_mono_ms() < run->retry_due_ms)
        return;
    bool is_back = open_database(run, &why);
    int64_t now_ms = clock_mono_ms();
    run->retry_wait_ms = run->retry_wait_ms * 2 < AWAY_LAST_MS ? run->retry_wait_ms * 2 : AWAY_LAST_MS;
    run->retry_due_ms = now_ms + run->retry_wait_ms;
    if (!is_back)
        return;
    log_info("database.back", "after_s=%" PRId64, (now_ms - run->away_since_ms) / 1000);
    run->back_since_ms = now_ms;
    run->register_due_ms = now_ms;
}

static bool is_draining(const struct run *run)
{
    return run->db && run->spool && !spool_empty(run->spool);
}

/* A share of the spool. What is wrong with the spool itself leaves it for later. */
static bool drain(struct run *run, struct err *err)
{
    struct err why = {0};
    if (!is_draining(run) || clock_mono_ms() < run->drain_due_ms || reader_drain(run->reader, run->db, &why))
        return true;
    if (why.kind != ERR_SYSTEM && why.kind != ERR_OUTPUT) {
        *err = why;
        return err_in(err, "spool");
    }
    log_error("spool.unreadable", "why='%s'", why.text);
    run->drain_due_ms = clock_mono_ms() + SPOOL_RETRY_MS;
    return true;
}

/* Reading alone. */
static bool turn_without_database(struct run *run, struct err *err)
{
    bool ok = reader_turn(run->reader, NULL, service_turn_ms(run->service, TURN_MS), err);
    service_alive(run->service, run->reader, run->spool, false);
    spooling_tell(run->spool, &run->told);
    try_database(run);
    return ok;
}

/* A round of a run without end: sources, and the upkeep that is due. */
static bool turn(struct run *run, struct err *err)
{
    if (!run->db)
        return turn_without_database(run, err);
    if (reload_asked && !reload(run, err))
        return false;
    if (clock_mono_ms() >= run->register_due_ms && !read_register(run, err))
        return false;
    bool ok = drain(run, err) &&
              reader_turn(run->reader, run->db,
                          service_turn_ms(run->service, is_draining(run) ? DRAIN_TURN_MS : TURN_MS), err);
    if (run->spool)
        spooling_tell(run->spool, &run->told);
    if (!ok)
        return false;
    say_progress(run);
    service_alive(run->service, run->reader, run->spool, true);
    if (run->mode != READ_FOR_EVER)
        return true;
    service_ready(run->service);
    if (clock_mono_ms() >= run->fold_due_ms && reader_has_conditions(run->reader) && !fold_now(run, err))
        return false;
    if (!service_turn(run->service, run->db, err))
        return false;
    return options.no_seal || is_draining(run) || clock_now_us() < run->seal_due_us || seal_now(run, err);
}

/* What was read and not stored is spooled. */
static bool finish_without_database(struct run *run, struct err *err)
{
    service_stopping(run->service, STOP_S * 1000);
    bool ok = reader_flush(run->reader, NULL, err);
    if (reader_waiting(run->reader))
        log_warn("stop.abandoned", "batches=%zu will be read again", reader_waiting(run->reader));
    return ok;
}

static bool finish(struct run *run, struct err *err)
{
    if (!run->db)
        return finish_without_database(run, err);
    if (stop_asked) {
        service_stopping(run->service, STOP_S * 1000);
        db_set_deadline(run->db, DATABASE_LAST_MS);
    }
    if (!reader_flush(run->reader, run->db, err) || !fold_now(run, err))
        return false;
    if (run->mode == READ_FOR_EVER)
        return service_finish(run->service, run->db, ALERTS_LAST_MS, err);
    return options.no_seal || seal_now(run, err);
}

/* Waits without the database; whoever watches over us sees that we are alive. */
static void pause_ms(struct run *run, int64_t ms)
{
    int64_t until_ms = clock_mono_ms() + ms;
    while (!stop_asked && clock_mono_ms() < until_ms) {
        service_alive(run->service, run->reader, run->spool, false);
        usleep(TURN_MS * 1000);
    }
}

/*
 * Whether waiting may help. What is wrong with role, tables or schema while sources are read (and was right
 * when the run began) is for a person to put right; until then the database counts as away.
 */
static bool is_away(const struct run *run, const struct err *why)
{
    return run->mode == READ_FOR_EVER &&
           (why->kind == ERR_UNAVAILABLE ||
            (run->has_register && (why->kind == ERR_CONFIG || why->kind == ERR_REJECTED)));
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
        if (open_database(run, why) && reader_register(run->reader, run->db, why)) {
            run->has_register = true;
            log_info("database.back", "after_s=%" PRId64, (clock_mono_ms() - since_ms) / 1000);
            return true;
        }
        if (!is_away(run, why))
            return false;
        service_waiting(run->service);
        pause_ms(run, wait_ms);
        wait_ms = wait_ms * 2 < AWAY_LAST_MS ? wait_ms * 2 : AWAY_LAST_MS;
    }
    return false;
}

/* Asked to stop while the database is away: nothing is lost by ending, since no cursor has moved. */
static bool abandon(struct run *run, struct err *err)
{
    if (!stop_asked || !is_away(run, err))
        return false;
    log_warn("stop.abandoned", "why='%s'", err->text);
    err_clear(err);
    return true;
}

static bool read_all(struct run *run, struct err *err)
{
    while (!stop_asked && !reader_is_done(run->reader)) {
        if (turn(run, err))
            continue;
        if (run->spool && run->has_register && is_away(run, err)) {
            go_on_without(run, err);
            continue;
        }
        if (!is_away(run, err) || !reconnect(run, err))
            return abandon(run, err);
        err_clear(err);
    }
    return finish(run, err) || abandon(run, err);
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
    static const struct {
        int signal;
        void (*handler)(int);
    } all[] = {
        {SIGTERM, on_stop}, {SIGINT, on_stop}, {SIGHUP, on_reload}, {SIGALRM, on_alarm}, {SIGPIPE, SIG_IGN}};
    for (size_t k = 0; k < sizeof all / sizeof *all; k++) {
        struct sigaction action = {.sa_handler = all[k].handler};
        sigemptyset(&action.sa_mask);
        sigaction(all[k].signal, &action, NULL);
    }
}

/* The database as it is found at the start: a run without end waits for it. */
static bool open_at_start(struct run *run, struct err *err)
{
    if (open_database(run, err))
        return true;
    if (!is_away(run, err))
        return false;
    if (!reconnect(run, err))
        return abandon(run, err);
    err_clear(err);
    return true;
}

/* Where the newest primary is noted; beside the spool unless told otherwise. NULL: nowhere. */
static const char *state_dir(const struct run *run)
{
    const char *dir = options.state ? options.state : getenv("STATE_DIRECTORY");
    return dir || !run->spool ? dir : spooling_dir(&options.spool);
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
    options.service.credentials = settings.credentials;
    abandon_status = run.mode == READ_FOR_EVER ? EXIT_SUCCESS : EXIT_PARTLY;
    settings_apply_log();
    catch_signals();
    bool ok = service_new(&run.service, &options.service, err) &&
              reader_new(&run.reader, run.mode, (size_t)options.in_flight, err) &&
              (run.mode != READ_FOR_EVER || spooling_open(&run.spool, &options.spool, err)) &&
              primary_open(&run.primary, state_dir(&run), err);
    if (ok) {
        reader_use_spool(run.reader, run.spool);
        ok = open_at_start(&run, err) && read_all(&run, err);
    }
    if (run.is_terminal)
        fputc('\n', stderr);
    if (ok && !print_summary(&run))
        ok = err_set(err, ERR_OUTPUT, "cannot write the summary");
    bool all_read = ok && reader_sources_read(run.reader) == reader_sources(run.reader);
    reader_free(run.reader);
    service_free(run.service);
    spool_close(run.spool);
    db_close(run.db);
    if (!ok)
        return err_exit_status(err->kind);
    return all_read || run.mode == READ_FOR_EVER ? EXIT_SUCCESS : EXIT_PARTLY;
}
