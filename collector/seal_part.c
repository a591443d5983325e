#include "seal_part.h"

#include "base/clock.h"
#include "base/log.h"
#include "queries.h"

#include <inttypes.h>
#include <string.h>

/* Every day that a step touches is a partition that it locks. */
enum { STEP_DAYS = 500 };
static const size_t ROW_BYTES = (size_t)256 * 1024 * 1024;

enum { JOURNAL_NO, JOURNAL_RECEIVED, JOURNAL_DATA };

struct gathering {
    struct part_range *range;
    struct seal_place from;
    size_t most, full; /* readings that a step may hold; that the pile may hold before it is cut */
    int64_t until_us;  /* the end of the days that are taken */
    uint64_t end_fan;  /* the first fan that is not taken */
    bool more_fans, more_days;
    struct arena *row_mem;
};

static void put_in(struct gathering *g, const struct reading *r)
{
    if (g->from.before_us != TIME_UNKNOWN && r->at_us < g->from.before_us)
        return;
    if (g->from.until_us == TIME_UNKNOWN) {
        int64_t until_us = day_start_us(day_of(r->at_us) + STEP_DAYS);
        g->until_us = until_us < g->until_us ? until_us : g->until_us;
    }
    if (r->at_us >= g->until_us)
        g->more_days = true;
    else if (r->fan_no >= g->end_fan)
        g->more_fans = true;
    else if (r->fan_no >= (uint64_t)g->from.fan_no)
        pile_add(g->range->pile, r);
}

/* The days that are taken may have moved since some were put in. */
static void drop_later_days(struct gathering *g)
{
    struct pile *p = g->range->pile;
    size_t kept = 0;
    for (size_t k = 0; k < p->count; k++)
        if (p->all[k].reading.at_us < g->until_us)
            p->all[kept++] = p->all[k];
    g->more_days = g->more_days || kept < p->count;
    p->count = kept;
}

/* Keeps the lowest fans that have no more readings than a step may hold, or the lowest one. */
static void drop_higher_fans(struct gathering *g)
{
    struct pile *p = g->range->pile;
    if (p->count <= g->most)
        return;
    pile_sort_by_fan(p);
    uint32_t lowest = p->all[0].reading.fan_no, last = p->all[g->most].reading.fan_no;
    uint64_t end_fan = last > lowest ? last : (uint64_t)lowest + 1;
    size_t kept = p->count;
    while (kept > 0 && p->all[kept - 1].reading.fan_no >= end_fan)
        kept--;
    if (kept == p->count)
        return;
    p->count = kept;
    g->end_fan = end_fan;
    g->more_fans = true;
}

static void cut(struct gathering *g)
{
    drop_later_days(g);
    drop_higher_fans(g);
    size_t count = g->range->pile->count;
    g->full = 2 * (count > g->most ? count : g->most);
}

/* Whether the tables could hold them: bytes may be damaged and still unpack. */
static bool are_storable(const struct reading *readings, size_t count)
{
    static const int64_t latest_us = 100000 * US_PER_DAY; /* 2243 */
    for (size_t k = 0; k < count; k++)
        if (readings[k].fan_no > INT32_MAX || readings[k].at_us < 0 || readings[k].at_us >= latest_us)
            return false;
    return true;
}

static void note_damaged(struct gathering *g, int64_t journal_no, const uint8_t *bytes, size_t size,
                         const char *why)
{
    struct part_range *r = g->range;
    struct arena *mem = r->mem;
    uint8_t *kept = arena_alloc(mem, size);
    memcpy(kept, bytes, size);
    r->damaged = arena_grow(mem, r->damaged, r->damaged_count, r->damaged_count + 1, sizeof *r->damaged);
    r->damaged[r->damaged_count++] = (struct damaged_row){journal_no, kept, size, arena_strdup(mem, why)};
}

static bool on_row(void *context, const struct rows *row, struct err *err)
{
    struct gathering *g = context;
    struct reading *readings;
    struct err why = {0};
    size_t size, count;
    (void)err; /* a damaged row does not stand in the way of the others */
    int64_t journal_no = rows_int(row, 0, JOURNAL_NO);
    arena_reset(g->row_mem);
    const uint8_t *bytes = rows_bytes(row, 0, JOURNAL_DATA, g->row_mem, &size);
    if (!block_decode(bytes, size, g->row_mem, &readings, &count, &why)) {
        note_damaged(g, journal_no, bytes, size, why.text);
        return true;
    }
    if (!are_storable(readings, count)) {
        note_damaged(g, journal_no, bytes, size, "fans or moments that cannot be");
        return true;
    }
    pile_from(g->range->pile, journal_no, rows_moment(row, 0, JOURNAL_RECEIVED));
    for (size_t k = 0; k < count; k++)
        put_in(g, &readings[k]);
    if (g->range->pile->count > g->full)
        cut(g);
    return true;
}

static struct seal_place place_after(const struct gathering *g)
{
    struct seal_place place = g->from;
    if (g->more_fans) {
        place.until_us = g->until_us;
        place.fan_no = (int64_t)g->end_fan;
        return place;
    }
    place.fan_no = 0;
    place.until_us = TIME_UNKNOWN;
    place.is_done = !g->more_days;
    if (g->more_days)
        place.before_us = g->until_us;
    return place;
}

/* Hours that are not closed stay in the journal. */
static void part_from_open(struct part_range *r, struct seal_due due)
{
    struct pile *p = r->pile, *left = &r->left;
    size_t kept = 0;
    for (size_t k = 0; k < p->origin_count; k++)
        pile_from(left, p->origins[k].journal_no, p->origins[k].received_us);
    for (size_t k = 0; k < p->count; k++) {
        const struct piled *x = &p->all[k];
        if (x->reading.at_us < due.closed_us || p->origins[x->origin].received_us < due.latest_us) {
            p->all[kept++] = *x;
        } else {
            pile_add(left, &x->reading);
            left->all[left->count - 1].origin = x->origin;
        }
    }
    pile_sort_by_origin(left);
    p->count = kept;
}

bool seal_part_read(struct db *db, int part, const struct seal_place *from, struct seal_due due,
                    int64_t max_readings, struct part_range *range, struct err *err)
{
    struct gathering g = {.range = range,
                          .from = *from,
                          .most = (size_t)max_readings,
                          .full = 2 * (size_t)max_readings,
                          .until_us = from->until_us == TIME_UNKNOWN ? INT64_MAX : from->until_us,
                          .end_fan = UINT64_MAX,
                          .row_mem = arena_new(ROW_BYTES)};
    const struct db_value params[] = {db_text(from->site), db_int(part)};
    bool ok = db_stream(db, &q_seal_journal, params, 2, on_row, &g, err);
    arena_free(g.row_mem);
    if (!ok)
        return false;
    cut(&g);
    part_from_open(range, due);
    range->place = place_after(&g);
    return true;
}

static bool leave_row(struct db *db, const struct part_range *range, size_t first, size_t count,
                      struct err *err)
{
    const struct pile *left = &range->left;
    struct reading *readings = arena_array(range->mem, struct reading, count);
    int64_t newest_us = INT64_MIN;
    for (size_t k = 0; k < count; k++) {
        readings[k] = left->all[first + k].reading;
        newest_us = readings[k].at_us > newest_us ? readings[k].at_us : newest_us;
    }
    size_t bytes;
    const uint8_t *block = block_encode(readings, count, range->mem, &bytes);
    const struct origin *origin = &left->origins[left->all[first].origin];
    const struct db_value params[] = {db_text(range->place.site),     db_int(origin->journal_no),
                                      db_moment(origin->received_us), db_moment(newest_us),
                                      db_int((int64_t)count),         db_bytes(block, bytes)};
    return db_exec(db, &q_seal_leave, params, 6, NULL, err);
}

static bool set_aside(struct db *db, int part, const char *site, const struct damaged_row *d, struct err *err)
{
    const struct db_value params[] = {db_int(part), db_text(site), db_int(d->journal_no),
                                      db_bytes(d->bytes, d->size), db_text(d->why)};
    log_error("seal.set_aside", "site=%s journal_no=%" PRId64 " why='%s'", site, d->journal_no, d->why);
    return db_exec(db, &q_seal_damaged, params, 5, NULL, err);
}

bool seal_part_leave(struct db *db, int part, struct part_range *range, struct err *err)
{
    const struct pile *left = &range->left;
    for (size_t k = 0; k < range->damaged_count; k++)
        if (!set_aside(db, part, range->place.site, &range->damaged[k], err))
            return false;
    for (size_t first = 0, end; first < left->count; first = end) {
        for (end = first + 1; end < left->count; end++)
            if (left->all[end].origin != left->all[first].origin)
                break;
        if (!leave_row(db, range, first, end - first, err))
            return false;
    }
    return true;
}
