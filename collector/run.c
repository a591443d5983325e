#include "run.h"

#include "base/clock.h"
#include "base/log.h"
#include "connection.h"
#include "reader.h"
#include "run_report.h"
#include "sealer.h"
#include "service.h"
#include "settings.h"
#include "signals.h"
#include "spooling.h"
#include "upkeep.h"

#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

enum {
    EXIT_PARTLY = 3,
    TURN_MS = 250,
    DRAIN_TURN_MS = 20, /* of reading, between shares of the spool */
    PROGRESS_MS = 500,
    SPOOL_RETRY_MS = 1000,
    REGISTER_MS = 60 * 1000,
    ALERTS_LAST_MS = 1000,
    DATABASE_LAST_MS = 3000,
};

static struct {
    bool once, catch_up, no_seal;
    int64_t in_flight;
    struct seal_keep keep;
    const char *state;
    struct service_settings service;
    struct spooling_settings spool;
} options = {.in_flight = 64, .keep = {.raw_days = 90}, .spool = {.max_mb = 2048, .reserve_mb = 64}};

const struct opt run_options[] = {
    {"once", NULL, "Ask each source once, then end", OPT_FLAG, &options.once, 0, 0},
    {"catch-up", NULL, "End when every source has been read to its end", OPT_FLAG, &options.catch_up, 0, 0},
    {"in-flight", "N", "Ask at most N sources at a time (64)", OPT_INT, &options.in_flight, 1, 4096},
    {"no-seal", NULL, "Leave the journal as it is", OPT_FLAG, &options.no_seal, 0, 0},
    {"keep-raw-days", "N",
     "In a run without end, drop readings that are older; their summaries stay (90; 0: never)", OPT_INT,
     &options.keep.raw_days, 0, 36500},
    {"keep-summaries-days", "N", "In a run without end, drop daily summaries that are older (0: never)",
     OPT_INT, &options.keep.summary_days, 0, 36500},
    {"state", "DIR",
     "Keep here what health and the next run need to know (else $STATE_DIRECTORY, else beside the spool)",
     OPT_TEXT, &options.state, 0, 0},
    {"spool", "DIR",
     "While the database is away, keep here what is read (" SPOOL_USUAL_DIR ", if it is there)", OPT_TEXT,
     &options.spool.dir, 0, 0},
    {"spool-max-mb", "N", "Room for the spool, in MiB (2048); the oldest readings go first", OPT_INT,
     &options.spool.max_mb, 1, 1 << 24},
    {"spool-reserve-mb", "N",
     "MiB kept beside the spool, given up first when the disk is full (64; a sixteenth of a small disk)",
     OPT_INT, &options.spool.reserve_mb, 0, 1 << 20},
    {"on-episode", "COMMAND", "Hand each new or changed episode to this program, as JSON on its input",
     OPT_TEXT, &options.service.on_episode, 0, 0},
    {"webhook", "URL", "Hand each new or changed episode to this address, as JSON by POST", OPT_TEXT,
     &options.service.webhook, 0, 0},
    {"webhook-key", "NAME", "Credential that signs what goes to the webhook", OPT_TEXT,
     &options.service.webhook_key, 0, 0},
    {"metrics", "FILE", "Write OpenMetrics text to this file every 15 s", OPT_TEXT,
     &options.service.report.metrics_file, 0, 0},
    {"metrics-port", "N", "Give the same text by HTTP on this port of the loopback interface", OPT_INT,
     &options.service.report.metrics_port, 1, 65535},
    {0},
};

/* One run of the command. */
struct run {
    enum reader_mode mode;
    struct reader *reader;
    struct service *service;
    struct connection connection;
    struct upkeep upkeep;
    struct sealer sealer; /* of a run without end */
    int64_t began_ms, register_due_ms, progress_due_ms;
    bool is_terminal, has_register;
    struct spool *spool;       /* NULL: none */
    struct register_copy copy; /* beside the spool */
    struct spooling_told told;
    int64_t drain_due_ms;
};

static void say_progress(struct run *run)
{
    int64_t now_ms = clock_mono_ms();
    if (!run->is_terminal || now_ms < run->progress_due_ms)
        return;
    run->progress_due_ms = now_ms + PROGRESS_MS;
    run_report_progress(run->reader, now_ms - run->began_ms);
}

static void alive(void *context)
{
    struct run *run = context;
    service_alive(run->service, run->reader, run->spool, &run->connection);
}

static bool fold(struct run *run, struct err *err)
{
    const struct outbox_channels *alerts = run->mode == READ_FOR_EVER ? service_channels(run->service) : NULL;
    if (!upkeep_fold(&run->upkeep, run->connection.db, alerts, err))
        return false;
    service_wake(run->service);
    return true;
}

static bool is_draining(const struct run *run)
{
    return run->connection.db && run->spool && !spool_empty(run->spool);
}

/* All that is due, before a run ends. History that is caught up is looked at first: nothing is dropped. */
static bool seal(struct run *run, struct err *err)
{
    static const struct seal_keep everything;
    bool again;
    return options.no_seal || upkeep_seal(run->connection.db, &everything, alive, run, &again, err);
}

static void seal_beside(struct run *run)
{
    if (!options.no_seal && !is_draining(run))
        sealer_turn(&run->sealer, &run->connection.primary, &options.keep);
}

/* A register that cannot be used leaves the old one in force. */
static bool read_register(struct run *run, struct err *err)
{
    run->register_due_ms = clock_mono_ms() + REGISTER_MS;
    if (reader_register(run->reader, run->connection.db, err)) {
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
    if (opts_reload(&err) && service_change(run->service, &options.service, &err))
        log_info("settings.read", "again=yes");
    else
        log_error("settings.refused", "why='%s'", err.text);
    settings_apply_log();
}

/* Settings and credentials at once, the register as soon as there is a database. */
static bool reload(struct run *run, struct err *err)
{
    service_reloading(run->service);
    read_settings(run);
    reader_forget_version(run->reader);
    bool ok = !run->connection.db || read_register(run, err);
    service_reloaded(run->service);
    return ok;
}

/* A share of the spool. What is wrong with the spool itself leaves it for later. */
static bool drain(struct run *run, struct err *err)
{
    struct err why = {0};
    if (!is_draining(run) || clock_mono_ms() < run->drain_due_ms ||
        reader_drain(run->reader, run->connection.db, &why))
        return true;
    if (why.kind != ERR_SYSTEM && why.kind != ERR_OUTPUT) {
        *err = why;
        return err_in(err, "spool");
    }
    log_error("spool.unreadable", "why='%s'", why.text);
    run->drain_due_ms = clock_mono_ms() + SPOOL_RETRY_MS;
    return true;
}

/* Sources, for a moment. */
static bool read_sources(struct run *run, int64_t usual_ms, struct err *err)
{
    bool ok = reader_turn(run->reader, run->connection.db, service_turn_ms(run->service, usual_ms), err);
    if (run->spool)
        spooling_tell(run->spool, &run->told);
    return ok;
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

/* Sources are read into the spool, as the register was when it was last read. */
static void read_on_by_copy(struct run *run)
{
    struct err why = {0};
    run->has_register = reader_register_from_copy(run->reader, &why);
    if (run->has_register)
        log_warn("register.from_copy", "sources=%zu file='%s'", reader_roster(run->reader)->count,
                 run->copy.path);
    else
        log_warn("register.unknown", "no source is read until the database answers: %s", why.text);
}

/* With a spool, reading goes on. Without one nothing is lost, since no cursor has moved. */
static void lose_database(struct run *run, struct err *why)
{
    connection_lost(&run->connection, why);
    service_database_away(run->service, why->text);
    err_clear(why);
    if (!run->spool)
        reader_lose(run->reader);
    else if (!run->has_register)
        read_on_by_copy(run);
}

/* A round without the database. False: it answers, but cannot be used. */
static bool turn_alone(struct run *run, struct err *err)
{
    if (!run->spool || !run->has_register)
        usleep(TURN_MS * 1000);
    else if (!read_sources(run, TURN_MS, err))
        return false;
    alive(run);
    service_ready(run->service);
    struct err why = {0};
    if (connection_retry(&run->connection, &why))
        run->register_due_ms = 0;
    if (why.kind == ERR_NONE)
        return true;
    service_database_away(run->service, why.text);
    if (run->has_register || is_away(run, &why))
        return true;
    *err = why;
    return false;
}

/* A round with the database: sources, and in a run without end the upkeep that is due. */
static bool turn(struct run *run, struct err *err)
{
    bool is_due = clock_mono_ms() >= run->register_due_ms || reader_is_at_register(run->reader);
    if (is_due && !read_register(run, err))
        return false;
    if (!drain(run, err) || !read_sources(run, is_draining(run) ? DRAIN_TURN_MS : TURN_MS, err))
        return false;
    say_progress(run);
    alive(run);
    if (run->mode != READ_FOR_EVER)
        return true;
    service_ready(run->service);
    if (upkeep_fold_is_due(&run->upkeep) && reader_has_conditions(run->reader) && !fold(run, err))
        return false;
    seal_beside(run);
    return service_turn(run->service, run->connection.db, err);
}

static bool read_all(struct run *run, struct err *err)
{
    while (!signals_stop() && !reader_is_done(run->reader)) {
        bool ok = !signals_reload() || reload(run, err);
        if (ok && (run->connection.db ? turn(run, err) : turn_alone(run, err)))
            continue;
        if (!is_away(run, err))
            return false;
        lose_database(run, err);
    }
    return true;
}

/* What was read and not stored is spooled. */
static bool finish_alone(struct run *run, struct err *err)
{
    service_stopping(run->service, SIGNALS_STOP_S * 1000);
    bool ok = reader_flush(run->reader, NULL, err);
    if (reader_waiting(run->reader))
        log_warn("stop.abandoned", "batches=%zu will be read again", reader_waiting(run->reader));
    return ok;
}

static bool finish(struct run *run, struct err *err)
{
    if (!run->connection.db)
        return finish_alone(run, err);
    if (signals_stop()) {
        service_stopping(run->service, SIGNALS_STOP_S * 1000);
        db_set_deadline(run->connection.db, DATABASE_LAST_MS);
    }
    if (!reader_flush(run->reader, run->connection.db, err) || !fold(run, err))
        return false;
    if (run->mode == READ_FOR_EVER)
        return service_finish(run->service, run->connection.db, ALERTS_LAST_MS, err);
    return seal(run, err);
}

/* Asked to stop while the database is away: nothing is lost by ending, since no cursor has moved. */
static bool abandon(struct run *run, struct err *err)
{
    if (!signals_stop() || !is_away(run, err))
        return false;
    log_warn("stop.abandoned", "why='%s'", err->text);
    err_clear(err);
    return true;
}

/* The database as it is found at the start: a run without end reads on or waits. */
static bool begin(struct run *run, struct err *err)
{
    if (connection_open(&run->connection, err))
        return true;
    if (!is_away(run, err))
        return false;
    lose_database(run, err);
    return true;
}

/* Where the newest primary is noted; beside the spool unless told otherwise. NULL: nowhere. */
static const char *state_dir(const struct run *run)
{
    const char *dir = options.state ? options.state : getenv("STATE_DIRECTORY");
    return dir || !run->spool ? dir : spooling_dir(&options.spool);
}

static bool open_all(struct run *run, struct err *err)
{
    run->reader = reader_new(run->mode, (size_t)options.in_flight);
    if (!service_new(&run->service, &options.service, err) ||
        (run->mode == READ_FOR_EVER && !spooling_open(&run->spool, &options.spool, err)) ||
        !primary_open(&run->connection.primary, state_dir(run), err) ||
        !register_copy_open(&run->copy, run->spool ? spooling_dir(&options.spool) : NULL, err))
        return false;
    if (run->mode == READ_FOR_EVER && state_dir(run))
        service_keep_state(run->service, state_dir(run));
    run->connection.is_cut = run->spool;
    reader_use_spool(run->reader, run->spool, &run->copy);
    return true;
}

static void close_all(struct run *run)
{
    sealer_stop(&run->sealer);
    reader_free(run->reader);
    service_free(run->service);
    spool_close(run->spool);
    connection_close(&run->connection);
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
    settings_apply_log();
    signals_catch(run.mode == READ_FOR_EVER ? EXIT_SUCCESS : EXIT_PARTLY);
    bool ok = open_all(&run, err) && begin(&run, err) && read_all(&run, err) &&
              (finish(&run, err) || abandon(&run, err));
    if (run.is_terminal)
        fputc('\n', stderr);
    if (ok && !run_report_summary(run.reader, clock_mono_ms() - run.began_ms))
        ok = err_set(err, ERR_OUTPUT, "cannot write the summary");
    const struct roster *roster = reader_roster(run.reader);
    bool all_read = roster_count_read(roster) == roster->count;
    close_all(&run);
    if (!ok)
        return err_exit_status(err->kind);
    return all_read || run.mode == READ_FOR_EVER ? EXIT_SUCCESS : EXIT_PARTLY;
}
