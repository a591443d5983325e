#include "seal.h"

#include "base/clock.h"
#include "base/log.h"
#include "queries.h"
#include "seal_blocks.h"
#include "seal_part.h"
#include "seal_partitions.h"
#include "seal_scatter.h"

#include <stdio.h>
#include <string.h>

enum { STEP_READINGS = 2000000 };
static const size_t STEP_BYTES = (size_t)4 * 1024 * 1024 * 1024;
static const char LOCK_NOT_AVAILABLE[] = "55P03";

/* What is found in the database (seal_state.sql). */
struct state {
    int64_t moves;
    int closed_part;
    struct seal_place place;
    const char *next_site; /* with readings that are not sealed in the closed part; NULL: none */
    bool holds_sealed;     /* the closed part is not empty */
    bool open_is_due;
    const char *day_site;
    int64_t day_fan_no;
    int32_t raw_from;
};

struct step {
    struct db *db;
    struct arena *mem;
    int64_t now_us, max_readings;
    struct seal_due due;
    int64_t open_day_us; /* the beginning of the first day that is not closed */
    struct state state;
    struct seal_report *out;
};

static bool read_state(struct step *s, struct err *err)
{
    enum { MOVES, CLOSED, SITE, BEFORE, UNTIL, FAN_NO, SCATTERED };
    enum { NEXT = SCATTERED + 1, HOLDS, IS_DUE, DAY_SITE, DAY_FAN_NO, RAW_FROM };
    const struct db_value params[] = {db_moment(s->due.closed_us), db_moment(s->due.latest_us)};
    struct rows *r;
    if (!db_query(s->db, &q_seal_state, params, 2, &r, err))
        return false;
    s->state = (struct state){
        .moves = rows_int(r, 0, MOVES),
        .closed_part = (int)rows_int(r, 0, CLOSED),
        .place = {.site = arena_strdup(s->mem, rows_text(r, 0, SITE)),
                  .before_us = rows_moment(r, 0, BEFORE),
                  .until_us = rows_moment(r, 0, UNTIL),
                  .fan_no = rows_int(r, 0, FAN_NO),
                  .scattered_fans = rows_int(r, 0, SCATTERED)},
        .next_site = arena_strdup(s->mem, rows_text(r, 0, NEXT)),
        .holds_sealed = rows_bool(r, 0, HOLDS),
        .open_is_due = rows_bool(r, 0, IS_DUE),
        .day_site = arena_strdup(s->mem, rows_text(r, 0, DAY_SITE)),
        .day_fan_no = rows_int(r, 0, DAY_FAN_NO),
        .raw_from = rows_day(r, 0, RAW_FROM),
    };
    rows_free(r);
    return true;
}

/* A change of the state, in a transaction without other sealers; *done is false when one came first. */
static bool change_state(struct db *db, const struct query *q, const struct db_value *params, int count,
                         bool *done, struct err *err)
{
    int64_t affected;
    if (!db_exec(db, q, params, count, &affected, err))
        return err_in(err, "journal_state");
    *done = affected == 1;
    return true;
}

static bool move_place(struct step *s, const struct seal_place *to, bool *done, struct err *err)
{
    const struct db_value params[] = {
        db_int(s->state.moves),  db_text(to->site),  db_bool(to->is_done),      db_moment(to->before_us),
        db_moment(to->until_us), db_int(to->fan_no), db_int(to->scattered_fans)};
    return change_state(s->db, &q_seal_move, params, 7, done, err);
}

/* What is done in a transaction; *done is false where another sealer came first. */
typedef bool change_fn(struct step *s, void *what, bool *done, struct err *err);

/* In a transaction without other sealers. */
static bool alone(struct step *s, change_fn *change, void *what, struct err *err)
{
    bool taken, done = false;
    if (!seal_begin_alone(s->db, &taken, err))
        return false;
    if (taken) {
        bool ok = change(s, what, &done, err);
        if (ok && done && db_commit(s->db, err))
            return true;
        db_rollback(s->db);
        if (!ok || done)
            return false;
    }
    s->out->was_busy = true;
    return true;
}

struct storing {
    struct sealing *blocks;
    change_fn *first; /* besides writing blocks */
    void *what;
    int64_t fan_days;
};

static bool write_all(struct step *s, void *what, bool *done, struct err *err)
{
    struct storing *x = what;
    return x->first(s, x->what, done, err) && (!*done || seal_blocks_write(x->blocks, &x->fan_days, err));
}

/* Partitions, then all else in one transaction. */
static bool store(struct step *s, struct sealing *blocks, change_fn *first, void *what, struct err *err)
{
    bool taken = true;
    int64_t readings = (int64_t)blocks->pile.count;
    struct storing x = {blocks, first, what, 0};
    if (!seal_partitions_make(s->db, blocks->keys[true], true, &taken, err) ||
        !seal_partitions_make(s->db, blocks->keys[false], false, &taken, err))
        return false;
    s->out->was_busy = !taken;
    if (taken && !alone(s, write_all, &x, err))
        return false;
    if (s->out->was_busy)
        return true;
    s->out->steps++;
    s->out->readings += readings;
    s->out->fan_days += x.fan_days;
    return true;
}

static bool set_lock_timeout(struct step *s, struct err *err)
{
    return db_script(s->db, "lock timeout", "SET LOCAL lock_timeout = '1s'", err);
}

static bool empty_part(struct step *s, void *what, bool *done, struct err *err)
{
    (void)what;
    char text[64];
    snprintf(text, sizeof text, "TRUNCATE vaneward.journal_%d, vaneward.journal_scattered",
             s->state.closed_part);
    struct seal_place end = s->state.place;
    end.is_done = true;
    end.scattered_fans = 0;
    return set_lock_timeout(s, err) && move_place(s, &end, done, err) &&
           (!*done || db_script(s->db, "empty a part of the journal", text, err));
}

static bool change_places(struct step *s, void *what, bool *done, struct err *err)
{
    (void)what;
    const struct db_value moves = db_int(s->state.moves);
    struct rows *r;
    if (!set_lock_timeout(s, err) || !db_query(s->db, &q_seal_flip_lock, NULL, 0, &r, err))
        return false;
    rows_free(r);
    return change_state(s->db, &q_seal_flip, &moves, 1, done, err);
}

/* Something that needs the journal for a moment; those who use it are waited for a second. */
static bool hold_journal(struct step *s, change_fn *change, struct err *err)
{
    struct err why = {0};
    if (alone(s, change, NULL, &why))
        return true;
    s->out->was_held = strcmp(why.sqlstate, LOCK_NOT_AVAILABLE) == 0;
    if (s->out->was_held)
        return true;
    *err = why;
    return err_in(err, "journal");
}

static bool empty_scattered(struct step *s, void *what, bool *done, struct err *err)
{
    (void)what;
    s->state.place.scattered_fans = 0;
    return set_lock_timeout(s, err) && move_place(s, &s->state.place, done, err) &&
           (!*done ||
            db_script(s->db, "empty what is scattered", "TRUNCATE vaneward.journal_scattered", err));
}

static bool scatter_share(struct step *s, void *what, bool *done, struct err *err)
{
    struct scatter *scatter = what;
    return move_place(s, &scatter->place, done, err) && (!*done || seal_scatter_write(scatter, err));
}

/* In many transactions, so that none lasts. Each moves the place, so it fails where another sealer came
 * between. */
static bool scatter_site(struct step *s, struct scatter *scatter, struct err *err)
{
    if (!hold_journal(s, empty_scattered, err))
        return false;
    for (bool more = true; more && !s->out->was_busy && !s->out->was_held;) {
        s->state.moves++; /* our own move, the last time */
        if (!seal_scatter_read(scatter, &more, err) || !alone(s, scatter_share, scatter, err))
            return false;
    }
    return true;
}

/* *done is false where the range need not be scattered, or is. */
static bool scatter_if_needed(struct step *s, bool *done, struct err *err)
{
    const struct state *state = &s->state;
    struct scatter scatter;
    *done = false;
    if (seal_part_is_scattered(&state->place))
        return true;
    if (!seal_scatter_begin(&scatter, s->db, state->closed_part, &state->place, s->due, s->max_readings, done,
                            err))
        return false;
    if (!*done)
        return true;
    bool ok = scatter_site(s, &scatter, err);
    s->out->unpacked += scatter.rows.unpacked;
    s->out->steps++;
    seal_scatter_end(&scatter);
    return ok;
}

static bool leave_and_move(struct step *s, void *what, bool *done, struct err *err)
{
    struct part_range *range = what;
    return move_place(s, &range->place, done, err) && (!*done || seal_part_leave(range, err));
}

/*
 * A range of the closed part. Yesterday's readings go into its hour blocks: the day's other hours lie there,
 * and all are folded together.
 */
static bool seal_range(struct step *s, struct err *err)
{
    const struct state *state = &s->state;
    struct sealing blocks;
    seal_blocks_init(&blocks, s->db, s->mem, state->next_site, s->open_day_us - US_PER_DAY);
    blocks.raw_from = state->raw_from;
    struct part_range range = {.mem = s->mem, .pile = &blocks.pile};
    bool ok = seal_part_read(s->db, state->closed_part, &state->place, s->due, s->max_readings, &range, err);
    if (ok) {
        s->out->unpacked += range.unpacked;
        seal_blocks_keys_of_pile(&blocks);
        ok = store(s, &blocks, leave_and_move, &range, err);
    }
    seal_part_release(&range);
    seal_blocks_release(&blocks);
    return ok;
}

/* What is scattered is damaged: it is scattered again. */
static bool forget_scattered(struct step *s, const struct err *why, struct err *err)
{
    log_error("seal.scattered_again", "site=%s why='%s'", s->state.next_site, why->text);
    return hold_journal(s, empty_scattered, err);
}

static bool seal_next_site(struct step *s, struct err *err)
{
    struct state *state = &s->state;
    struct err why = {0};
    bool done;
    if (strcmp(state->next_site, state->place.site) != 0)
        state->place = (struct seal_place){
            .site = state->next_site, .before_us = TIME_UNKNOWN, .until_us = TIME_UNKNOWN};
    if (!scatter_if_needed(s, &done, err))
        return false;
    if (done || seal_range(s, &why))
        return true;
    if (why.kind == ERR_INPUT && seal_part_is_scattered(&state->place))
        return forget_scattered(s, &why, err);
    *err = why;
    return false;
}

static bool move_days(struct step *s, void *what, bool *done, struct err *err)
{
    const struct sealing *blocks = what;
    const struct db_value params[] = {db_int(s->state.moves), db_text(blocks->site),
                                      db_int(blocks->highest_fan)};
    return change_state(s->db, &q_seal_move_days, params, 3, done, err);
}

static bool find_days(struct step *s, int64_t before_us, const char *site, int64_t fan_no, struct rows **r,
                      struct err *err)
{
    const struct db_value params[] = {db_moment(before_us), db_text(site), db_int(fan_no),
                                      db_int(s->max_readings)};
    return db_query(s->db, &q_seal_open_days, params, 4, r, err);
}

/* Hour blocks of closed days into day blocks; *found is false when there are none. */
static bool seal_days(struct step *s, int64_t before_us, bool *found, struct err *err)
{
    enum { SITE, FAN_NO, DAY };
    struct rows *r;
    *found = false;
    if (!find_days(s, before_us, s->state.day_site, s->state.day_fan_no, &r, err))
        return false;
    if (!rows_count(r)) {
        rows_free(r);
        if (!find_days(s, before_us, "", 0, &r, err))
            return false;
    }
    *found = rows_count(r) > 0;
    struct sealing blocks;
    const char *site = *found ? arena_strdup(s->mem, rows_text(r, 0, SITE)) : "";
    seal_blocks_init(&blocks, s->db, s->mem, site, s->open_day_us);
    blocks.raw_from = s->state.raw_from;
    for (size_t k = 0; k < rows_count(r) && strcmp(rows_text(r, k, SITE), site) == 0; k++)
        seal_blocks_key(&blocks, true, (uint32_t)rows_int(r, k, FAN_NO), rows_moment(r, k, DAY));
    rows_free(r);
    bool ok = !*found || store(s, &blocks, move_days, &blocks, err);
    seal_blocks_release(&blocks);
    return ok;
}

/* The journal's next step; *found is false when there is none. */
static bool seal_journal(struct step *s, bool *found, struct err *err)
{
    const struct state *state = &s->state;
    *found = true;
    if (state->next_site && !s->out->was_held)
        return seal_next_site(s, err);
    if (!s->out->was_held && state->holds_sealed)
        return hold_journal(s, empty_part, err);
    if (!s->out->was_held && state->open_is_due)
        return hold_journal(s, change_places, err);
    *found = false;
    return true;
}

/* Days before yesterday come first: late readings of theirs then need no hour blocks. */
static bool take_step(struct step *s, bool *more, struct err *err)
{
    if (!read_state(s, err) || !seal_days(s, s->open_day_us - US_PER_DAY, more, err))
        return false;
    return *more || (seal_journal(s, more, err) && (*more || seal_days(s, s->open_day_us, more, err)));
}

bool seal_step(struct db *db, int64_t now_us, int64_t max_readings, struct seal_report *out, bool *more,
               struct err *err)
{
    int64_t closed_us = now_us - SEAL_GRACE_US;
    struct step s = {.db = db,
                     .mem = arena_new(STEP_BYTES),
                     .now_us = now_us,
                     .max_readings = max_readings,
                     .due = {closed_us - closed_us % US_PER_HOUR, now_us - SEAL_LATEST_US},
                     .open_day_us = day_start_us(day_of(closed_us)),
                     .out = out};
    bool ok = take_step(&s, more, err);
    arena_free(s.mem);
    *more = *more && ok && !out->was_busy;
    return ok &&
           (*more || out->was_busy ||
            (seal_partitions_make_ahead(db, now_us, err) && seal_partitions_drop_empty(db, now_us, err)));
}

bool seal(struct db *db, int64_t now_us, struct seal_report *out, struct err *err)
{
    *out = (struct seal_report){0};
    for (bool more = true; more;) {
        if (!seal_step(db, now_us, STEP_READINGS, out, &more, err))
            return false;
    }
    return true;
}
