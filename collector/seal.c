#include "seal.h"

#include "base/clock.h"
#include "queries.h"
#include "seal_blocks.h"
#include "seal_part.h"
#include "seal_partitions.h"

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
    enum { MOVES, CLOSED, SITE, BEFORE, UNTIL, FAN_NO, NEXT, HOLDS, IS_DUE, DAY_SITE, DAY_FAN_NO, RAW_FROM };
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
                  .fan_no = rows_int(r, 0, FAN_NO)},
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
    const struct db_value params[] = {db_int(s->state.moves),   db_text(to->site),       db_bool(to->is_done),
                                      db_moment(to->before_us), db_moment(to->until_us), db_int(to->fan_no)};
    return change_state(s->db, &q_seal_move, params, 6, done, err);
}

/* What a step does in its transaction besides writing blocks. */
typedef bool step_fn(struct step *s, void *what, bool *done, struct err *err);

/* Ends the transaction of seal_begin_alone: with COMMIT where all is well and done. */
static bool end_alone(struct step *s, bool ok, bool done, struct err *err)
{
    if (ok && done && db_commit(s->db, err))
        return true;
    db_rollback(s->db);
    s->out->was_busy = ok && !done;
    return s->out->was_busy;
}

/* Partitions, then all else in one transaction. */
static bool store(struct step *s, struct sealing *blocks, step_fn *first, void *what, struct err *err)
{
    bool taken = true, done = false;
    int64_t fan_days = 0, readings = (int64_t)blocks->pile.count;
    if (!seal_partitions_make(s->db, blocks->keys[true], true, &taken, err) ||
        !seal_partitions_make(s->db, blocks->keys[false], false, &taken, err) ||
        (taken && !seal_begin_alone(s->db, &taken, err)))
        return false;
    if (!taken) {
        s->out->was_busy = true;
        return true;
    }
    bool ok = first(s, what, &done, err) && (!done || seal_blocks_write(blocks, &fan_days, err));
    if (!end_alone(s, ok, done, err))
        return false;
    if (done) {
        s->out->steps++;
        s->out->readings += readings;
        s->out->fan_days += fan_days;
    }
    return true;
}

static bool leave_and_move(struct step *s, void *what, bool *done, struct err *err)
{
    struct part_range *range = what;
    return move_place(s, &range->place, done, err) &&
           (!*done || seal_part_leave(s->db, s->state.closed_part, range, err) || err_in(err, "journal"));
}

/*
 * A range of the closed part. Yesterday's readings go into its hour blocks: the day's other hours lie there,
 * and all are folded together.
 */
static bool seal_range(struct step *s, struct err *err)
{
    struct state *state = &s->state;
    if (strcmp(state->next_site, state->place.site) != 0)
        state->place = (struct seal_place){
            .site = state->next_site, .before_us = TIME_UNKNOWN, .until_us = TIME_UNKNOWN};
    struct sealing blocks;
    seal_blocks_init(&blocks, s->db, s->mem, state->next_site, s->open_day_us - US_PER_DAY);
    blocks.raw_from = state->raw_from;
    struct part_range range = {.mem = s->mem, .pile = &blocks.pile};
    bool ok = seal_part_read(s->db, state->closed_part, &state->place, s->due, s->max_readings, &range, err);
    if (ok) {
        seal_blocks_keys_of_pile(&blocks);
        ok = store(s, &blocks, leave_and_move, &range, err);
    }
    pile_free(&range.left);
    seal_blocks_release(&blocks);
    return ok;
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

static bool set_lock_timeout(struct step *s, struct err *err)
{
    return db_script(s->db, "lock timeout", "SET LOCAL lock_timeout = '1s'", err);
}

static bool empty_part(struct step *s, bool *done, struct err *err)
{
    char text[64];
    snprintf(text, sizeof text, "TRUNCATE vaneward.journal_%d", s->state.closed_part);
    struct seal_place end = s->state.place;
    end.is_done = true;
    return set_lock_timeout(s, err) && move_place(s, &end, done, err) &&
           (!*done || db_script(s->db, "empty a part of the journal", text, err));
}

static bool change_places(struct step *s, bool *done, struct err *err)
{
    const struct db_value moves = db_int(s->state.moves);
    struct rows *r;
    if (!set_lock_timeout(s, err) || !db_query(s->db, &q_seal_flip_lock, NULL, 0, &r, err))
        return false;
    rows_free(r);
    return change_state(s->db, &q_seal_flip, &moves, 1, done, err);
}

/* Something that needs the journal for a moment; those who use it are waited for a second. */
static bool hold_journal(struct step *s, bool (*change)(struct step *s, bool *done, struct err *err),
                         struct err *err)
{
    struct err why = {0};
    bool taken, done = false;
    if (!seal_begin_alone(s->db, &taken, err))
        return false;
    if (!taken) {
        s->out->was_busy = true;
        return true;
    }
    bool ok = change(s, &done, &why);
    if (end_alone(s, ok, done, &why))
        return true;
    s->out->was_held = strcmp(why.sqlstate, LOCK_NOT_AVAILABLE) == 0;
    if (s->out->was_held)
        return true;
    *err = why;
    return err_in(err, "journal");
}

/* The journal's next step; *found is false when there is none. */
static bool seal_journal(struct step *s, bool *found, struct err *err)
{
    const struct state *state = &s->state;
    *found = true;
    if (state->next_site)
        return seal_range(s, err);
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
