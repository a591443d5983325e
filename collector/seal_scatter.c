#include "seal_scatter.h"

#include "base/clock.h"
#include "parcel.h"
#include "queries.h"

#include <stdlib.h>

/* A packed range then takes about a page of the table, and all of them at most 100 MB here. */
enum { PACKED_READINGS = 1500, MOST_RANGES = 2048 };
static const size_t PACKED_BYTES = (size_t)1024 * 1024 * 1024;

struct packed_range {
    int64_t to_fan;
    const uint8_t *bytes;
    size_t size;
};

static int64_t end_of_range(const struct scatter *s, size_t range)
{
    return range + 1 < s->ranges ? s->from.fan_no + ((int64_t)(range + 1) << s->shift) : s->end_fan;
}

static void pack(struct scatter *s, size_t range)
{
    struct pile *p = &s->piles[range];
    struct packed_range packed = {.to_fan = end_of_range(s, range)};
    packed.bytes = parcel_encode(p, s->mem, &packed.size);
    if (s->packed_count == s->packed_room) {
        s->packed_room = 2 * s->packed_room + 64;
        s->packed = arena_grow(s->mem, s->packed, s->packed_count, s->packed_room, sizeof *s->packed);
    }
    s->packed[s->packed_count++] = packed;
    p->count = p->origin_count = 0;
}

static void put(struct scatter *s, const struct origin *from, const struct reading *r)
{
    size_t range = (size_t)(r->fan_no - s->from.fan_no) >> s->shift;
    if (range >= s->ranges)
        range = s->ranges - 1;
    struct pile *p = &s->piles[range];
    if (!p->origin_count || p->origins[p->origin_count - 1].journal_no != from->journal_no)
        pile_from(p, from->journal_no, from->received_us);
    pile_add(p, r);
    if (p->count == PACKED_READINGS)
        pack(s, range);
}

static void on_row(void *context, const struct origin *from, const struct reading *readings, size_t count)
{
    struct scatter *s = context;
    for (size_t k = 0; k < count; k++) {
        const struct reading *r = &readings[k];
        if (!seal_part_is_open(&s->from, r))
            continue;
        s->earliest_us = r->at_us < s->earliest_us ? r->at_us : s->earliest_us;
        s->latest_us = r->at_us > s->latest_us ? r->at_us : s->latest_us;
        if (r->fan_no < s->end_fan)
            put(s, from, r);
    }
}

/* Ranges of a power of two fans, which a step should be able to hold. */
static void cut_into_ranges(struct scatter *s, int64_t readings, int64_t highest_fan, int64_t max_readings)
{
    int64_t fans = highest_fan > s->from.fan_no ? highest_fan + 1 - s->from.fan_no : 1;
    int64_t of_a_fan = readings / (highest_fan > 0 ? highest_fan : 1) + 1, most = max_readings / 8 * 7;
    while ((of_a_fan << (s->shift + 1)) <= most)
        s->shift++;
    s->ranges = (size_t)((fans - 1) >> s->shift) + 1;
    s->end_fan = SEAL_END_FAN;
    if (s->ranges > MOST_RANGES) {
        s->ranges = MOST_RANGES;
        s->end_fan = s->from.fan_no + ((int64_t)MOST_RANGES << s->shift);
    }
    s->piles = calloc(s->ranges, sizeof *s->piles);
    if (!s->piles)
        err_no_memory();
}

static bool size_of_part(struct db *db, int part, const char *site, int64_t *readings, int64_t *highest_fan,
                         struct err *err)
{
    const struct db_value params[] = {db_text(site), db_int(part)};
    struct rows *r;
    if (!db_query(db, &q_seal_part_size, params, 2, &r, err))
        return false;
    *readings = rows_int(r, 0, 0);
    *highest_fan = rows_int(r, 0, 1);
    rows_free(r);
    return true;
}

bool seal_scatter_begin(struct scatter *s, struct db *db, int part, const struct seal_place *from,
                        struct seal_due due, int64_t max_readings, bool *needed, struct err *err)
{
    int64_t readings, highest_fan;
    *s = (struct scatter){.from = *from, .earliest_us = PILE_LATEST_US};
    if (!size_of_part(db, part, from->site, &readings, &highest_fan, err))
        return false;
    *needed = readings > max_readings;
    if (!*needed)
        return true;
    s->rows = (struct seal_rows){.db = db,
                                 .site = from->site,
                                 .part = part,
                                 .due = due,
                                 .is_untouched = seal_part_is_untouched(from),
                                 .on_row = on_row,
                                 .context = s};
    seal_rows_begin(&s->rows);
    s->mem = arena_new(PACKED_BYTES);
    cut_into_ranges(s, readings, highest_fan, max_readings);
    return true;
}

void seal_scatter_end(struct scatter *s)
{
    for (size_t k = 0; k < s->ranges; k++)
        pile_free(&s->piles[k]);
    free(s->piles);
    arena_free(s->mem);
    seal_rows_end(&s->rows);
}

static void finish(struct scatter *s)
{
    for (size_t k = 0; k < s->ranges; k++)
        if (s->piles[k].count)
            pack(s, k);
    int64_t until_us = s->from.until_us;
    if (until_us == TIME_UNKNOWN)
        until_us = seal_part_until(s->earliest_us, s->latest_us);
    bool is_empty = !s->row_no && !s->packed_count;
    s->place = seal_part_after(&s->from, until_us, is_empty ? s->end_fan : s->from.fan_no);
    if (!is_empty)
        s->place.scattered_fans = s->end_fan;
}

bool seal_scatter_read(struct scatter *s, bool *more, struct err *err)
{
    s->place = s->from;
    if (!seal_rows_read(&s->rows, more, err))
        return false;
    if (!*more)
        finish(s);
    return true;
}

bool seal_scatter_write(struct scatter *s, struct err *err)
{
    if (!seal_rows_settle(&s->rows, err) || !db_copy_begin(s->rows.db, &q_seal_scatter, err))
        return false;
    for (size_t k = 0; k < s->packed_count; k++) {
        const struct packed_range *p = &s->packed[k];
        const struct db_value cells[] = {db_int(p->to_fan), db_int(s->row_no++), db_bytes(p->bytes, p->size)};
        if (!db_copy_row(s->rows.db, cells, 3, err))
            return false;
    }
    s->packed = NULL;
    s->packed_count = s->packed_room = 0;
    arena_reset(s->mem);
    return db_copy_end(s->rows.db, NULL, err);
}
