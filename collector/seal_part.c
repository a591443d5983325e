#include "seal_part.h"

#include "base/clock.h"
#include "parcel.h"
#include "queries.h"

static const size_t PARCEL_BYTES = (size_t)256 * 1024 * 1024;

/* Every day that a step touches is a partition that it locks. */
enum { STEP_DAYS = 500 };
enum { SCATTERED_TO_FAN, SCATTERED_DATA };

struct gathering {
    struct part_range *range;
    struct seal_place from;
    size_t most, full; /* readings that a step may hold; that the pile may hold before it is cut */
    int64_t end_fan;   /* the first fan that is not taken */
    struct arena *parcel_mem;
};

int64_t seal_part_until(int64_t earliest_us, int64_t latest_us)
{
    int64_t until_us = day_start_us(day_of(earliest_us) + STEP_DAYS);
    return latest_us < until_us ? PILE_LATEST_US : until_us;
}

struct seal_place seal_part_after(const struct seal_place *from, int64_t until_us, int64_t end_fan)
{
    struct seal_place place = *from;
    place.until_us = until_us;
    place.fan_no = end_fan;
    if (end_fan < SEAL_END_FAN)
        return place;
    place.is_done = until_us == PILE_LATEST_US;
    place.before_us = until_us;
    place.until_us = TIME_UNKNOWN;
    place.fan_no = place.scattered_fans = 0;
    return place;
}

static void put_row(void *context, const struct origin *from, const struct reading *readings, size_t count)
{
    struct gathering *g = context;
    struct pile *p = g->range->pile;
    pile_from(p, from->journal_no, from->received_us);
    for (size_t k = 0; k < count; k++)
        if (readings[k].fan_no < g->end_fan && seal_part_is_open(&g->from, &readings[k]))
            pile_add(p, &readings[k]);
}

/* Keeps the lowest fans that have no more readings than a step may hold, or the lowest one. */
static void drop_higher_fans(struct gathering *g)
{
    struct pile *p = g->range->pile;
    if (p->count > g->most) {
        pile_sort_by_fan(p);
        uint32_t lowest = p->all[0].reading.fan_no, last = p->all[g->most].reading.fan_no;
        int64_t end_fan = last > lowest ? last : (int64_t)lowest + 1;
        g->end_fan = end_fan < g->end_fan ? end_fan : g->end_fan;
        while (p->all[p->count - 1].reading.fan_no >= g->end_fan)
            p->count--;
    }
    g->full = 2 * (p->count > g->most ? p->count : g->most);
}

static bool on_parcel(void *context, const struct rows *row, struct err *err)
{
    struct gathering *g = context;
    struct parcel p;
    size_t size;
    arena_reset(g->parcel_mem);
    const uint8_t *bytes = rows_bytes(row, 0, SCATTERED_DATA, g->parcel_mem, &size);
    if (!parcel_decode(bytes, size, g->parcel_mem, &p, err))
        return false;
    if (g->end_fan == SEAL_END_FAN)
        g->end_fan = rows_int(row, 0, SCATTERED_TO_FAN);
    const struct reading *next = p.readings;
    for (size_t k = 0; k < p.origin_count; next += p.counts[k], k++)
        put_row(g, &p.origins[k], next, (size_t)p.counts[k]);
    g->range->unpacked += (int64_t)p.count;
    if (g->range->pile->count > g->full)
        drop_higher_fans(g);
    return true;
}

/* The next range of fans, as it was scattered. */
static bool read_scattered(struct gathering *g, struct db *db, struct err *err)
{
    const struct db_value from = db_int(g->from.fan_no);
    g->parcel_mem = arena_new(PARCEL_BYTES);
    bool ok = db_stream(db, &q_seal_scattered, &from, 1, on_parcel, g, err);
    arena_free(g->parcel_mem);
    if (!ok)
        return false;
    drop_higher_fans(g);
    if (g->end_fan == SEAL_END_FAN) /* nothing more was scattered */
        g->end_fan = g->from.scattered_fans;
    g->range->place = seal_part_after(&g->from, g->from.until_us, g->end_fan);
    return true;
}

/* The days that are sealed together. */
static void take_days(struct gathering *g)
{
    struct pile *p = g->range->pile;
    int64_t earliest_us = PILE_LATEST_US, latest_us = 0;
    size_t kept = 0;
    for (size_t k = 0; k < p->count; k++) {
        int64_t at_us = p->all[k].reading.at_us;
        earliest_us = at_us < earliest_us ? at_us : earliest_us;
        latest_us = at_us > latest_us ? at_us : latest_us;
    }
    g->from.until_us = seal_part_until(earliest_us, latest_us);
    for (size_t k = 0; k < p->count; k++)
        if (p->all[k].reading.at_us < g->from.until_us)
            p->all[kept++] = p->all[k];
    p->count = kept;
}

/* All of the site. */
static bool read_journal(struct gathering *g, struct err *err)
{
    struct seal_rows *rows = &g->range->rows;
    for (bool more = true; more;)
        if (!seal_rows_read(rows, &more, err))
            return false;
    g->range->unpacked = rows->unpacked;
    if (g->from.until_us == TIME_UNKNOWN)
        take_days(g);
    g->range->place = seal_part_after(&g->from, g->from.until_us, SEAL_END_FAN);
    return true;
}

/* Hours that are not closed stay in the journal. */
static void part_from_open(struct part_range *r, const struct seal_due *due)
{
    struct pile *p = r->pile, *left = &r->left;
    size_t kept = 0;
    for (size_t k = 0; k < p->origin_count; k++)
        pile_from(left, p->origins[k].journal_no, p->origins[k].received_us);
    for (size_t k = 0; k < p->count; k++) {
        const struct piled *x = &p->all[k];
        if (seal_rows_due(due, x->reading.at_us, p->origins[x->origin].received_us)) {
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
                          .end_fan = SEAL_END_FAN};
    range->rows = (struct seal_rows){.db = db,
                                     .site = from->site,
                                     .part = part,
                                     .due = due,
                                     .is_untouched = seal_part_is_untouched(from),
                                     .on_row = put_row,
                                     .context = &g};
    seal_rows_begin(&range->rows);
    if (!(seal_part_is_scattered(from) ? read_scattered(&g, db, err) : read_journal(&g, err)))
        return false;
    part_from_open(range, &due);
    return true;
}

void seal_part_release(struct part_range *range)
{
    seal_rows_end(&range->rows);
    pile_free(&range->left);
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

bool seal_part_leave(struct part_range *range, struct err *err)
{
    const struct pile *left = &range->left;
    if (!seal_rows_settle(&range->rows, err))
        return false;
    for (size_t first = 0, end; first < left->count; first = end) {
        for (end = first + 1; end < left->count; end++)
            if (left->all[end].origin != left->all[first].origin)
                break;
        if (!leave_row(range->rows.db, range, first, end - first, err))
            return err_in(err, "journal");
    }
    return true;
}
