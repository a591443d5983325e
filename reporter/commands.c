#include "commands.h"
#include "commands_files.h"
#include "commands_packs.h"
#include "export.h"
#include "migrate.h"

#include <errno.h>
#include <string.h>
#include <sys/stat.h>

enum { DONE = 0, DONE_IN_PART = 3 };
#define REPORT_MAX_BYTES ((size_t)16 << 30)

/* What the command line and the settings say; each command shows those that it takes. */
static struct {
    const char *db, *site, *lifetimes, *history, *out, *drive, *position;
    bool json, calibrate, forecasts;
    int64_t as_of_us, from_us, to_us, risk_days, demand_days;
    double service;
} set = {.as_of_us = TIME_UNKNOWN,
         .from_us = TIME_UNKNOWN,
         .to_us = TIME_UNKNOWN,
         .risk_days = 30,
         .demand_days = 90,
         .service = 0.95};

/* One report: what was read and what was made of it. */
struct report {
    struct arena *mem;
    struct fleet fleet;
    struct assessment assessment;
    struct issued_record issued; /* where all is read */
};

static bool open_database(struct db **db, struct err *err)
{
    if (!db_open(db, set.db, "vaneward-reporter", err))
        return false;
    if (migrate_check(*db, err))
        return true;
    db_close(*db);
    return false;
}

static bool report_read(struct report *r, struct err *err)
{
    struct db *db;
    if (!open_database(&db, err))
        return false;
    int64_t as_of_us = set.as_of_us == TIME_UNKNOWN ? clock_now_us() : set.as_of_us;
    bool ok = fleet_read(db, set.site, as_of_us, r->mem, &r->fleet, err) &&
              packs_issued(db, &r->fleet, r->mem, &r->issued, err);
    db_close(db);
    return ok;
}

/* The days of one site at a time. */
struct days_at_hand {
    struct db *db;
    const struct fleet *fleet;
    const struct site *site; /* whose days they are; NULL: no site's yet */
    struct arena *mem;
};

static bool next_days(void *context, const struct site *site, struct err *err)
{
    struct days_at_hand *d = context;
    if (d->site)
        fleet_forget_days(d->site);
    arena_reset(d->mem);
    d->site = site;
    return fleet_read_days(d->db, d->fleet, site, d->mem, err);
}

/* Reads and judges site by site; the days are not kept. */
static bool report_begin(struct report *r, int64_t horizon_days, struct err *err)
{
    struct db *db;
    int64_t as_of_us = set.as_of_us == TIME_UNKNOWN ? clock_now_us() : set.as_of_us;
    *r = (struct report){.mem = arena_new(REPORT_MAX_BYTES)};
    if (!open_database(&db, err))
        return false;
    bool ok = fleet_begin(db, set.site, as_of_us, r->mem, &r->fleet, err);
    if (ok) {
        struct days_at_hand days = {db, &r->fleet, NULL, arena_new(REPORT_MAX_BYTES)};
        ok = risk_assess_by_site(&r->fleet, (int)horizon_days, next_days, &days, r->mem, &r->assessment, err);
        if (days.site)
            fleet_forget_days(days.site);
        arena_free(days.mem);
        ok = fleet_end(db, ok, err);
    }
    db_close(db);
    return ok;
}

/* Reads all, then judges: a pack draws days. */
static bool report_begin_with_days(struct report *r, int64_t horizon_days, struct err *err)
{
    *r = (struct report){.mem = arena_new(REPORT_MAX_BYTES)};
    if (!report_read(r, err))
        return false;
    risk_assess(&r->fleet, (int)horizon_days, r->mem, &r->assessment);
    return true;
}

static int report_end(struct report *r, bool ok, const struct err *err)
{
    arena_free(r->mem);
    return ok ? DONE : err_exit_status(err->kind);
}

static int run_rank(const char *const *args, int count, struct err *err)
{
    struct report r;
    (void)args, (void)count;

    bool ok = report_begin(&r, set.risk_days, err) &&
              (set.json ? export_rank_json : export_rank_text)(&r.assessment, stdout, err);
    return report_end(&r, ok, err);
}

static int run_life(const char *const *args, int count, struct err *err)
{
    struct report r = {.mem = NULL};
    struct life_report life;
    bool ok;
    (void)args, (void)count;

    if (set.lifetimes) {
        r.mem = arena_new(REPORT_MAX_BYTES);
        ok = files_life(set.lifetimes, r.mem, &life, err);
    } else {
        ok = report_begin(&r, set.risk_days, err);
        if (ok)
            life_report_of(&r.assessment, r.mem, &life);
    }
    ok = ok && (set.json ? export_life_json : export_life_text)(&life, stdout, err);
    return report_end(&r, ok, err);
}

static bool is_asked_for(const struct site *site)
{
    return !set.site || (site && strcmp(site->site, set.site) == 0);
}

static size_t demand_asked_for(const struct report *r, struct demand **items)
{
    size_t all = demand_of(&r->assessment, r->assessment.horizon_days, r->mem, items), n = 0;
    for (size_t i = 0; i < all; i++)
        if (is_asked_for((*items)[i].site))
            (*items)[n++] = (*items)[i];
    return n;
}

static int run_history(struct err *err)
{
    struct report r = {.mem = arena_new(REPORT_MAX_BYTES)};
    struct history_part *parts;
    size_t n;

    bool ok = files_history(set.history, r.mem, &parts, &n, err) &&
              (set.json ? export_history_json : export_history_text)(parts, n, stdout, err);
    return report_end(&r, ok, err);
}

static int run_demand(const char *const *args, int count, struct err *err)
{
    struct report r;
    struct demand *items;
    (void)args, (void)count;

    if (set.history)
        return run_history(err);
    bool ok = report_begin(&r, set.demand_days, err);
    if (ok) {
        size_t n = demand_asked_for(&r, &items);
        ok = (set.json ? export_demand_json : export_demand_text)(&r.assessment, items, n, stdout, err);
    }
    return report_end(&r, ok, err);
}

static int run_stock(const char *const *args, int count, struct err *err)
{
    struct report r;
    struct order_line *lines;
    (void)args, (void)count;

    bool ok = report_begin(&r, set.risk_days, err);
    if (ok) {
        size_t all = stock_plan(&r.assessment, set.service, r.mem, &lines), n = 0;
        for (size_t i = 0; i < all; i++)
            if (is_asked_for(lines[i].site))
                lines[n++] = lines[i];
        ok = (set.json ? export_stock_json : export_stock_text)(&r.assessment, set.service, lines, n, stdout,
                                                                err);
    }
    return report_end(&r, ok, err);
}

static bool check_pack(const char *kind, struct err *err)
{
    bool site = strcmp(kind, "site") == 0;
    if (!site && strcmp(kind, "procurement") != 0 && strcmp(kind, "fleet") != 0)
        return err_set(err, ERR_USAGE, "no pack '%s': site, procurement or fleet", kind);
    if (!site && set.site)
        return err_set(err, ERR_USAGE, "--site goes with 'pack site' only: the %s pack is of the whole fleet",
                       kind);
    if (!set.out)
        return err_set(err, ERR_USAGE, "--out DIR is needed: where to write the pack");
    if (mkdir(set.out, 0777) && errno != EEXIST)
        return err_set(err, ERR_OUTPUT, "cannot make folder '%s': %s", set.out, strerror(errno));
    return true;
}

static int run_pack(const char *const *args, int count, struct err *err)
{
    struct report r;
    (void)count;

    if (!check_pack(args[0], err))
        return err_exit_status(err->kind);
    if (!report_begin_with_days(&r, set.risk_days, err))
        return report_end(&r, false, err);
    size_t failed, room = r.fleet.site_count + 1;
    const char **paths = arena_array(r.mem, const char *, room);
    const struct packs_wanted wanted = {args[0], set.out, set.site, set.service, &r.assessment, &r.issued};
    size_t n = packs_write(&wanted, r.mem, paths, &failed, err);
    if (failed && !n)
        return report_end(&r, false, err);
    err_clear(err);
    if (!packs_keep_forecasts(set.db, &r.assessment, err)) {
        err_print("vaneward-reporter", err);
        err_clear(err);
        failed++;
    }
    bool ok = !set.json || export_files_json(r.fleet.as_of_us, paths, n, stdout, err);
    for (size_t i = 0; i < n && !set.json; i++)
        puts(paths[i]);
    int status = report_end(&r, ok, err);
    return status == DONE && failed ? DONE_IN_PART : status;
}

static bool store_track(const struct track *track, struct err *err)
{
    struct db *db;
    if (!open_database(&db, err))
        return false;
    bool ok = fleet_store_track(db, track, clock_now_us(), err);
    db_close(db);
    return ok;
}

static bool tell_track(const struct report *r, const struct track *track, struct err *err)
{
    if (set.forecasts)
        return export_track_rows(track, stdout, err);
    return (set.json ? export_track_json : export_track_text)(&r->fleet, track, &r->issued, set.calibrate,
                                                              stdout, err);
}

static int run_track_record(const char *const *args, int count, struct err *err)
{
    struct report r = {.mem = arena_new(REPORT_MAX_BYTES)};
    struct track track;
    (void)args, (void)count;

    bool ok = true;
    if (set.calibrate && set.site)
        ok = err_set(err, ERR_USAGE, "--calibrate goes without --site: all sites teach together");
    ok = ok && report_read(&r, err);
    if (ok)
        track_replay(&r.fleet, r.mem, &track);
    ok = ok && (!set.calibrate || store_track(&track, err)) && tell_track(&r, &track, err);
    return report_end(&r, ok, err);
}

static int run_readings(const char *const *args, int count, struct err *err)
{
    struct db *db;
    int64_t n;
    (void)args, (void)count;

    if (set.json)
        err_set(err, ERR_USAGE, "readings are written as CSV: leave --json away");
    else if (open_database(&db, err)) {
        int64_t from = set.from_us == TIME_UNKNOWN ? 0 : set.from_us;
        int64_t to = set.to_us == TIME_UNKNOWN ? clock_now_us() + US_PER_DAY : set.to_us;
        const struct fleet_fans which = {set.site, set.drive, set.position};
        bool ok = fleet_readings(db, &which, from, to, stdout, &n, err);
        db_close(db);
        if (ok && fflush(stdout) == 0)
            return DONE;
        err_set(err, ERR_OUTPUT, "cannot write the readings");
    }
    return err_exit_status(err->kind);
}

static const struct opt common[] = {
    {"db", "CONNINFO", "the database; without it the PG* environment", OPT_TEXT, &set.db, 0, 0},
    {"json", NULL, "write JSON instead of a table", OPT_FLAG, &set.json, 0, 0},
    {"as-of", "MOMENT",
     "use only what was known then, as 2026-03-01 or 2026-03-01T06:00:00Z; without it: now", OPT_MOMENT,
     &set.as_of_us, 0, 0},
    {0},
};

#define SITE_OPTION                                                                                          \
    {                                                                                                        \
        "site", "SITE", "only this site; without it: all", OPT_TEXT, &set.site, 0, 0                         \
    }
#define HORIZON_OPTION(days)                                                                                 \
    {                                                                                                        \
        "horizon", "DAYS", "how far to look ahead", OPT_INT, &set.days, 1, 1825                              \
    }
#define SERVICE_OPTION                                                                                       \
    {                                                                                                        \
        "service", "SHARE", "probability that a piece is on the shelf when asked for; 0.95", OPT_REAL,       \
            &set.service, 0.5, 0.9999                                                                        \
    }

static const struct opt rank_options[] = {SITE_OPTION, HORIZON_OPTION(risk_days), {0}};
static const struct opt life_options[] = {
    {"lifetimes", "FILE.csv",
     "from a file instead of the database: "
     "entry,exit,event[,group][,exit_high][,cause][,site][,temperature_c]",
     OPT_TEXT, &set.lifetimes, 0, 0},
    {0},
};
static const struct opt demand_options[] = {
    SITE_OPTION,
    HORIZON_OPTION(demand_days),
    {"history", "FILE.csv", "from a file instead of the database: part,period,quantity", OPT_TEXT,
     &set.history, 0, 0},
    {0},
};
static const struct opt stock_options[] = {SITE_OPTION, SERVICE_OPTION, {0}};
static const struct opt pack_options[] = {
    SITE_OPTION,
    HORIZON_OPTION(risk_days),
    SERVICE_OPTION,
    {"out", "DIR", "where to write; made when it is not there", OPT_TEXT, &set.out, 0, 0},
    {0},
};
static const struct opt track_options[] = {
    SITE_OPTION,
    {"forecasts", NULL, "write each forecast of the replay as CSV instead", OPT_FLAG, &set.forecasts, 0, 0},
    {"calibrate", NULL, "store what was learned: reports use it from now on", OPT_FLAG, &set.calibrate, 0, 0},
    {0},
};
static const struct opt readings_options[] = {
    SITE_OPTION,
    {"drive", "DRIVE", "only this drive; without it: all", OPT_TEXT, &set.drive, 0, 0},
    {"position", "POSITION", "only this position: internal-1, internal-2 or heat-sink", OPT_TEXT,
     &set.position, 0, 0},
    {"from", "MOMENT", "first moment; without it: all", OPT_MOMENT, &set.from_us, 0, 0},
    {"to", "MOMENT", "end, not included; without it: all", OPT_MOMENT, &set.to_us, 0, 0},
    {0},
};

static const struct command commands[] = {
    {"rank", "", "drives at risk of a fan fault, dearest first, with reasons", NULL, rank_options, 0, 0,
     run_rank},
    {"life", "", "life model of each fan model", NULL, life_options, 0, 0, run_life},
    {"demand", "", "how many fans of each part will be needed", NULL, demand_options, 0, 0, run_demand},
    {"stock", "", "what to keep where, what to order now", NULL, stock_options, 0, 0, run_stock},
    {"pack", "site|procurement|fleet", "PDF packs for the job, the order and the meeting", NULL, pack_options,
     1, 1, run_pack},
    {"track-record", "", "how past forecasts did, issued and replayed", NULL, track_options, 0, 0,
     run_track_record},
    {"readings", "", "raw readings as CSV, in the form that the collector imports", NULL, readings_options, 0,
     0, run_readings},
    {0},
};

const struct program reporter = {
    .name = "vaneward-reporter",
    .version = VANEWARD_VERSION,
    .summary = "Which fans of a fleet's drives will fail, what to do about it, and which spares to order.",
    .common = common,
    .commands = commands,
};
