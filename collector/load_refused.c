#include "load_refused.h"

#include "base/clock.h"
#include "base/log.h"
#include "journal.h"
#include "load_rows.h"

#include <inttypes.h>
#include <string.h>

struct sieve {
    struct db *db;
    struct arena *mem;
    struct row *aside; /* each of a batch of its own */
    size_t count, capacity;
    struct refused_rows *refused;
};

/* Rows of one kind, or the readings of a batch where there is one. */
struct part {
    enum row_kind kind;
    const struct row *rows;
    const struct batch *batch;
};

bool load_is_about_content(const struct err *err)
{
    return err->kind == ERR_REJECTED &&
           (strncmp(err->sqlstate, "22", 2) == 0 || strncmp(err->sqlstate, "23", 2) == 0);
}

static bool store(const struct sieve *s, const struct part *p, size_t first, size_t count, struct err *err)
{
    const struct batch *b = p->batch;
    if (!b)
        return load_rows_store(s->db, p->kind, p->rows + first, count, s->mem, err);
    return journal_write(s->db, b->site, b->received_us, clock_now_us(), b->readings + first, count, s->mem,
                         err);
}

static struct set_aside_row refused_reading(const struct reading *r, const char *why, struct arena *mem)
{
    char at[TIME_TEXT];
    time_format(r->at_us, at);
    return (struct set_aside_row){
        .reason = arena_printf(mem, "reading of fan %" PRIu32 " at %s: %s", r->fan_no, at, why)};
}

static size_t *count_of(struct refused_rows *refused, const struct part *p)
{
    if (p->batch)
        return &refused->readings;
    switch (p->kind) {
    case ROW_CONDITION:
        return &refused->conditions;
    case ROW_EVENT:
        return &refused->events;
    case ROW_GAP:
        return &refused->gaps;
    case ROW_SET_ASIDE:
    case ROW_KINDS:
        break;
    }
    return &refused->set_aside;
}

static void set_aside(struct sieve *s, const struct part *p, size_t at, const struct err *why)
{
    const struct batch *of = p->batch ? p->batch : p->rows[at].batch;
    struct batch *b = arena_alloc(s->mem, sizeof *b);
    *b = *of;
    b->set_aside = arena_alloc(s->mem, sizeof *b->set_aside);
    b->set_aside_count = 1;
    b->set_aside[0] = p->batch ? refused_reading(&b->readings[at], why->text, s->mem)
                               : load_row_set_aside(p->kind, &p->rows[at], why->text, s->mem);
    if (s->count == s->capacity) {
        size_t capacity = s->capacity ? 2 * s->capacity : 8;
        s->aside = arena_grow(s->mem, s->aside, s->count, capacity, sizeof *s->aside);
        s->capacity = capacity;
    }
    s->aside[s->count++] = (struct row){b, 0};
    ++*count_of(s->refused, p);
    log_error("load.set_aside", "source=%s sqlstate=%s why='%s'", of->source, why->sqlstate, why->text);
}

/* Stores a part or takes it back. False: it was not for its content; else *refusal says whether. */
static bool try_part(const struct sieve *s, const struct part *p, size_t first, size_t count,
                     struct err *refusal, struct err *err)
{
    if (!db_mark(s->db, err))
        return false;
    err_clear(refusal);
    if (store(s, p, first, count, refusal))
        return db_forget_mark(s->db, err);
    if (load_is_about_content(refusal))
        return db_back_to_mark(s->db, err);
    *err = *refusal;
    return false;
}

/* A part that was refused for the reason given, in two halves. */
static bool halve(struct sieve *s, const struct part *p, size_t first, size_t count, const struct err *why,
                  struct err *err)
{
    size_t half = count / 2;
    struct err refusal;
    if (count == 1) {
        set_aside(s, p, first, why);
        return true;
    }
    if (!try_part(s, p, first, half, &refusal, err))
        return false;
    if (refusal.kind == ERR_NONE) /* then it was the other one */
        return halve(s, p, first + half, count - half, why, err);
    if (!halve(s, p, first, half, &refusal, err) ||
        !try_part(s, p, first + half, count - half, &refusal, err))
        return false;
    return refusal.kind == ERR_NONE || halve(s, p, first + half, count - half, &refusal, err);
}

static bool sift(struct sieve *s, const struct part *p, size_t count, struct err *err)
{
    struct err refusal;
    if (!count)
        return true;
    if (!try_part(s, p, 0, count, &refusal, err))
        return false;
    return refusal.kind == ERR_NONE || halve(s, p, 0, count, &refusal, err);
}

bool load_sifted(struct db *db, const struct batch *const *batches, size_t count, struct arena *mem,
                 struct refused_rows *refused, struct err *err)
{
    struct sieve s = {.db = db, .mem = mem, .refused = refused};
    for (size_t k = 0; k < count; k++) {
        const struct part readings = {.batch = batches[k]};
        if (!sift(&s, &readings, batches[k]->reading_count, err))
            return false;
    }
    for (enum row_kind kind = 0; kind < ROW_KINDS; kind++) {
        size_t n;
        const struct part rows = {.kind = kind, .rows = load_rows_of(kind, batches, count, mem, &n)};
        if (!sift(&s, &rows, n, err))
            return false;
    }
    return load_rows_store(db, ROW_SET_ASIDE, s.aside, s.count, mem, err);
}
