#include "fold.h"

#include "base/clock.h"
#include "base/episode.h"
#include "columns.h"
#include "outbox.h"
#include "queries.h"

#include <stdlib.h>
#include <string.h>

enum { DRIVES_A_TRANSACTION = 50, DRIVE_BYTES = 256 * 1024 * 1024 };

enum {
    ROW_RECEIVED,
    ROW_OCCURRED,
    ROW_ITEM,
    ROW_TYPE,
    ROW_STATE,
    ROW_CODE,
    ROW_ID,
    ROW_QUALIFIER,
    ROW_KIND,
    ROW_LISTED
};
enum { OLD_FAULT, OLD_BEGAN, OLD_KNOWN_FROM, OLD_ALARM, OLD_ENDED, OLD_OUTCOME, OLD_END_SEEN, OLD_REPORTS };

static const char *const fault_words[] = {[FAULT_FAN] = "fan", [FAULT_HEAT_SINK_FAN] = "heat_sink_fan"};

/* What was thought of an episode from one moment to another. */
struct version {
    struct episode episode;
    int64_t known_from_us, known_until_us; /* until TIME_UNKNOWN: the newest */
    bool is_stored;
};

/* The folding of one drive. */
struct drive_fold {
    struct db *db;
    const struct outbox_channels *alerts; /* NULL: none is written */
    struct arena *mem, *scratch;
    const char *site, *drive;
    struct fault_report *reports;
    int64_t *received_us; /* of each report */
    size_t report_count;
    struct version *versions;
    size_t version_count, version_capacity;
};

static enum fault_level level_of(const char *state)
{
    switch (state[0]) {
    case 'n':
        return LEVEL_NORMAL;
    case 'w':
        return LEVEL_WARNING;
    case 'a':
        return LEVEL_ALARM;
    case 'l':
        return LEVEL_LISTED;
    default:
        return LEVEL_UNAVAILABLE;
    }
}

/* The type of a condition that only says that something is wrong, not what. */
static bool is_general_type(const char *type)
{
    return !type[0] || strcmp(type, "SYSTEM") == 0 || strcmp(type, "HARDWARE") == 0 ||
           strcmp(type, "ACTUATOR") == 0;
}

/* A code that is not mapped can still say that something turns too slowly. */
static bool says_too_slow(const char *type, const char *qualifier)
{
    if (strcmp(type, "ROTARY_VELOCITY") == 0)
        return !qualifier || strcmp(qualifier, "HIGH") != 0;
    return is_general_type(type) && qualifier && strcmp(qualifier, "LOW") == 0;
}

static enum code_kind kind_of(const struct rows *r, size_t row, enum fault_level level)
{
    static const struct {
        const char *word;
        enum code_kind kind;
    } kinds[] = {
        {"fan_warning", CODE_FAN_WARNING},
        {"fan_alarm", CODE_FAN_ALARM},
        {"heat_sink_fan_alarm", CODE_HEAT_SINK_FAN_ALARM},
        {"builder_fan_message", CODE_BUILDER_FAN_MESSAGE},
    };
    const char *word = rows_text(r, row, ROW_KIND);
    for (size_t k = 0; word && k < sizeof kinds / sizeof *kinds; k++) {
        if (strcmp(word, kinds[k].word) == 0)
            return kinds[k].kind;
    }
    if (word || !says_too_slow(rows_text(r, row, ROW_TYPE), rows_text(r, row, ROW_QUALIFIER)))
        return CODE_OTHER;
    return level == LEVEL_ALARM ? CODE_FAN_ALARM : CODE_FAN_WARNING;
}

static bool read_reports(struct drive_fold *f, struct err *err)
{
    const struct db_value params[] = {db_text(f->site), db_text(f->drive)};
    struct rows *r;
    if (!db_query(f->db, &q_fold_conditions, params, 2, &r, err))
        return false;
    f->report_count = rows_count(r);
    f->reports = arena_array(f->mem, struct fault_report, f->report_count);
    f->received_us = arena_array(f->mem, int64_t, f->report_count);
    for (size_t k = 0; k < f->report_count; k++) {
        const char *id = rows_text(r, k, ROW_ID), *code = rows_text(r, k, ROW_CODE);
        enum fault_level level = level_of(rows_text(r, k, ROW_STATE));
        f->received_us[k] = rows_moment(r, k, ROW_RECEIVED);
        f->reports[k] = (struct fault_report){
            .at_us = rows_moment(r, k, ROW_OCCURRED),
            .item = arena_strdup(f->mem, rows_text(r, k, ROW_ITEM)),
            .id = arena_strdup(f->mem, id     ? id
                                       : code ? code
                                              : ""),
            .code = arena_strdup(f->mem, code),
            .level = level,
            .kind = kind_of(r, k, level),
            .listed = arena_strdup(f->mem, rows_text(r, k, ROW_LISTED)),
        };
    }
    rows_free(r);
    return true;
}

static struct version *add_version(struct drive_fold *f)
{
    if (f->version_count == f->version_capacity) {
        size_t capacity = f->version_capacity ? f->version_capacity * 2 : 16;
        f->versions = arena_grow(f->mem, f->versions, f->version_count, capacity, sizeof *f->versions);
        f->version_capacity = capacity;
    }
    return &f->versions[f->version_count++];
}

static bool read_versions(struct drive_fold *f, struct err *err)
{
    const struct db_value params[] = {db_text(f->site), db_text(f->drive)};
    struct rows *r;
    if (!db_query(f->db, &q_episode_newest, params, 2, &r, err))
        return false;
    for (size_t k = 0; k < rows_count(r); k++) {
        struct episode e = {
            .fault = strcmp(rows_text(r, k, OLD_FAULT), "fan") == 0 ? FAULT_FAN : FAULT_HEAT_SINK_FAN,
            .began_us = rows_moment(r, k, OLD_BEGAN),
            .alarm_us = rows_moment(r, k, OLD_ALARM),
            .ended_us = rows_moment(r, k, OLD_ENDED),
            .end_seen = rows_bool(r, k, OLD_END_SEEN),
            .reports = (int)rows_int(r, k, OLD_REPORTS),
        };
        if (!episode_outcome_parse(rows_text(r, k, OLD_OUTCOME), &e.outcome))
            BUG("outcome '%s'", rows_text(r, k, OLD_OUTCOME));
        *add_version(f) = (struct version){e, rows_moment(r, k, OLD_KNOWN_FROM), TIME_UNKNOWN, true};
    }
    rows_free(r);
    return true;
}

static bool same_episode(const struct episode *a, const struct episode *b)
{
    return a->fault == b->fault && a->began_us == b->began_us && a->alarm_us == b->alarm_us &&
           a->ended_us == b->ended_us && a->outcome == b->outcome && a->end_seen == b->end_seen &&
           a->reports == b->reports;
}

/* Lets the versions say what was known at a moment. */
static void learn(struct drive_fold *f, const struct episode *episodes, size_t count, int64_t at_us)
{
    bool *known = arena_array(f->scratch, bool, count + 1);
    for (size_t v = 0; v < f->version_count; v++) {
        struct version *version = &f->versions[v];
        if (version->known_until_us != TIME_UNKNOWN)
            continue;
        size_t k = 0;
        while (k < count && !same_episode(&episodes[k], &version->episode))
            k++;
        known[k] = true;
        if (k == count)
            version->known_until_us = at_us;
    }
    for (size_t k = 0; k < count; k++) {
        if (!known[k])
            *add_version(f) = (struct version){episodes[k], at_us, TIME_UNKNOWN, false};
    }
}

static int by_moment(const void *left, const void *right)
{
    int64_t a = *(const int64_t *)left, b = *(const int64_t *)right;
    return (a > b) - (a < b);
}

/* Goes through the moments of receipt from one on. */
static void learn_from(struct drive_fold *f, int64_t since_us)
{
    int64_t *moments = arena_array(f->mem, int64_t, f->report_count + 1);
    size_t n = 0;
    for (size_t k = 0; k < f->report_count; k++) {
        if (f->received_us[k] >= since_us)
            moments[n++] = f->received_us[k];
    }
    qsort(moments, n, sizeof *moments, by_moment);
    for (size_t m = 0; m < n; m++) {
        if (m && moments[m] == moments[m - 1])
            continue;
        arena_reset(f->scratch);
        struct fault_report *then = arena_array(f->scratch, struct fault_report, f->report_count);
        size_t count = 0, episode_count;
        struct episode *episodes;
        for (size_t k = 0; k < f->report_count; k++) {
            if (f->received_us[k] <= moments[m])
                then[count++] = f->reports[k];
        }
        episodes_of(then, count, f->scratch, &episodes, &episode_count);
        learn(f, episodes, episode_count, moments[m]);
    }
}

static void add_insert(struct columns *c, const struct drive_fold *f, const struct version *v)
{
    const struct episode *e = &v->episode;
    const struct db_value cells[] = {
        db_text(f->site),       db_text(f->drive),           db_text(fault_words[e->fault]),
        db_moment(e->began_us), db_moment(v->known_from_us), db_moment(v->known_until_us),
        db_moment(e->alarm_us), db_moment(e->ended_us),      db_text(episode_outcome_word(e->outcome)),
        db_bool(e->end_seen),   db_int(e->reports),
    };
    columns_add(c, cells);
}

/* Ends one stored version. They are few: a drive has seldom more than one open fault. */
static bool close_version(struct drive_fold *f, const struct version *v, struct err *err)
{
    const struct db_value params[] = {
        db_text(f->site),
        db_text(f->drive),
        db_text(fault_words[v->episode.fault]),
        db_moment(v->episode.began_us),
        db_moment(v->known_until_us),
    };
    return db_exec(f->db, &q_episode_close, params, 5, NULL, err);
}

static bool write_versions(struct drive_fold *f, struct err *err)
{
    struct columns *fresh = columns_new(f->mem, 11);
    for (size_t k = 0; k < f->version_count; k++) {
        const struct version *v = &f->versions[k];
        if (!v->is_stored)
            add_insert(fresh, f, v);
        else if (v->known_until_us != TIME_UNKNOWN && !close_version(f, v, err))
            return false;
    }
    return columns_exec(fresh, f->db, &q_episode_insert, NULL, err);
}

static bool is_newest(const struct version *v)
{
    return v->known_until_us == TIME_UNKNOWN;
}

static bool has_newest(const struct drive_fold *f, const struct episode *e)
{
    for (size_t k = 0; k < f->version_count; k++) {
        const struct version *v = &f->versions[k];
        if (is_newest(v) && v->episode.fault == e->fault && v->episode.began_us == e->began_us)
            return true;
    }
    return false;
}

/* Of several states that became known together only the newest is told. */
static bool write_alerts(struct drive_fold *f, struct err *err)
{
    if (!f->alerts)
        return true;
    struct columns *news = outbox_news(f->mem);
    for (size_t k = 0; k < f->version_count; k++) {
        const struct version *v = &f->versions[k];
        bool withdrawn = v->is_stored && !is_newest(v) && !has_newest(f, &v->episode);
        if (withdrawn || (!v->is_stored && is_newest(v)))
            outbox_note(news, f->site, f->drive, fault_words[v->episode.fault], &v->episode,
                        withdrawn ? v->known_until_us : v->known_from_us, withdrawn);
    }
    int64_t written;
    return outbox_write(f->db, news, f->alerts, clock_now_us(), f->mem, &written, err);
}

/* *since_us: the earliest receipt that is new; TIME_UNKNOWN when none is. */
static bool mark_new(struct drive_fold *f, int64_t *since_us, struct err *err)
{
    const struct db_value params[] = {db_text(f->site), db_text(f->drive)};
    struct rows *r;
    if (!db_query(f->db, &q_fold_mark, params, 2, &r, err))
        return false;
    *since_us = rows_moment(r, 0, 0);
    rows_free(r);
    return true;
}

static bool take_back(struct drive_fold *f, int64_t since_us, struct err *err)
{
    const struct db_value params[] = {db_text(f->site), db_text(f->drive), db_moment(since_us)};
    return db_exec(f->db, &q_episode_forget, params, 3, NULL, err) &&
           db_exec(f->db, &q_episode_reopen, params, 3, NULL, err);
}

static const int64_t EVER_US = 0; /* nothing was received before 1970 */

static bool fold_drive(struct drive_fold *f, bool anew, struct err *err)
{
    int64_t since_us;
    if (!mark_new(f, &since_us, err))
        return false;
    if (anew)
        since_us = EVER_US;
    if (since_us == TIME_UNKNOWN)
        return true;
    if (!take_back(f, since_us, err) || !read_reports(f, err) || !read_versions(f, err))
        return false;
    learn_from(f, since_us);
    return write_versions(f, err) && write_alerts(f, err);
}

/* Some drives in one transaction. *done is false when another process folds. */
static bool fold_some(struct db *db, const struct outbox_channels *alerts, const struct rows *drives,
                      size_t first, size_t count, bool anew, bool *done, struct err *err)
{
    struct arena *mem = arena_new(DRIVE_BYTES), *scratch = arena_new(DRIVE_BYTES);
    struct rows *lock = NULL;
    bool ok = db_begin(db, err) && db_query(db, &q_fold_lock, NULL, 0, &lock, err);
    *done = ok && rows_bool(lock, 0, 0);
    for (size_t k = first; ok && *done && k < first + count; k++) {
        struct drive_fold f = {.db = db,
                               .alerts = alerts,
                               .mem = mem,
                               .scratch = scratch,
                               .site = rows_text(drives, k, 0),
                               .drive = rows_text(drives, k, 1)};
        ok = fold_drive(&f, anew, err) || err_in(err, "episodes of drive '%s'", f.drive);
        arena_reset(mem);
    }
    ok = ok && db_commit(db, err);
    if (!ok)
        db_rollback(db);
    rows_free(lock);
    arena_free(mem);
    arena_free(scratch);
    return ok;
}

bool fold_new(struct db *db, const struct outbox_channels *alerts, int64_t *drives, struct err *err)
{
    *drives = 0;
    for (;;) {
        const struct db_value params[] = {db_int(DRIVES_A_TRANSACTION)};
        struct rows *due;
        if (!db_query(db, &q_fold_due, params, 1, &due, err))
            return false;
        size_t count = rows_count(due);
        bool done = false, ok = count == 0 || fold_some(db, alerts, due, 0, count, false, &done, err);
        rows_free(due);
        if (!ok)
            return false;
        if (!done)
            return true;
        *drives += (int64_t)count;
    }
}

bool fold_all(struct db *db, int64_t *drives, struct err *err)
{
    *drives = 0;
    struct rows *all;
    if (!db_query(db, &q_fold_drives, NULL, 0, &all, err))
        return false;
    bool ok = true, done = true;
    for (size_t at = 0; ok && done && at < rows_count(all); at += DRIVES_A_TRANSACTION) {
        size_t left = rows_count(all) - at, n = left < DRIVES_A_TRANSACTION ? left : DRIVES_A_TRANSACTION;
        ok = fold_some(db, NULL, all, at, n, true, &done, err);
        if (ok && done)
            *drives += (int64_t)n;
    }
    rows_free(all);
    if (ok && !done)
        return err_set(err, ERR_UNAVAILABLE, "another process is working out episodes");
    return ok;
}
