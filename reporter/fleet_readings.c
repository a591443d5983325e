#include "base/csv.h"
#include "block.h"
#include "fleet.h"
#include "queries.h"

#include <stdlib.h>

/* Readings of one fan and span, picked out of blocks that may hold others. */
struct picker {
    struct arena *mem, *block_mem;
    uint32_t fan_no;
    int64_t from_us, to_us;
    struct reading *readings;
    size_t count, room;
};

static bool on_block(void *context, const struct rows *rows, struct err *err)
{
    enum { DATA, FROM };
    struct picker *p = context;
    struct reading *readings;
    size_t bytes, count;
    int64_t from_us = p->from_us;
    if (!rows_null(rows, 0, FROM) && rows_moment(rows, 0, FROM) > from_us)
        from_us = rows_moment(rows, 0, FROM);

    arena_reset(p->block_mem);
    const uint8_t *block = rows_bytes(rows, 0, DATA, p->block_mem, &bytes);
    if (!block_decode(block, bytes, p->block_mem, &readings, &count, err))
        return false;
    for (size_t i = 0; i < count; i++) {
        const struct reading *x = &readings[i];
        if (x->fan_no != p->fan_no || x->at_us < from_us || x->at_us >= p->to_us)
            continue;
        if (p->count == p->room) {
            p->room = p->room ? 2 * p->room : 4096;
            p->readings = arena_grow(p->mem, p->readings, p->count, p->room, sizeof *p->readings);
        }
        p->readings[p->count++] = *x;
    }
    return true;
}

/* Order of time; within one moment by value, so that the same readings always come out the same. */
static int by_moment(const void *a, const void *b)
{
    const struct reading *x = a, *y = b;
    if (x->at_us != y->at_us)
        return x->at_us < y->at_us ? -1 : 1;
    return (x->milli_rpm > y->milli_rpm) - (x->milli_rpm < y->milli_rpm);
}

static void write_reading(const char *drive, const char *position, const struct reading *x, FILE *out)
{
    char at[TIME_TEXT], speed[32] = "";
    time_format(x->at_us, at);
    if (x->milli_rpm != RPM_UNAVAILABLE) {
        int n = snprintf(speed, sizeof speed, "%.3f", x->milli_rpm / 1000.0);
        while (speed[n - 1] == '0')
            speed[--n] = '\0';
        if (speed[n - 1] == '.')
            speed[--n] = '\0';
    }
    csv_write_text(out, drive);
    fprintf(out, ",%s,%s,%s\n", position, at, speed);
}

static bool pick_readings(struct db *db, const char *site, struct picker *p, struct err *err)
{
    const struct db_value params[] = {db_text(site), db_int(p->fan_no), db_moment(p->from_us),
                                      db_moment(p->to_us)};
    if (!db_stream(db, &q_fan_blocks, params, 4, on_block, p, err))
        return err_in(err, "readings of fan %u of site '%s'", p->fan_no, site);
    if (p->count)
        qsort(p->readings, p->count, sizeof *p->readings, by_moment);
    return true;
}

static bool write_fan(struct db *db, const struct rows *fans, size_t row, struct picker *p, FILE *out,
                      int64_t *count, struct err *err)
{
    enum { SITE, FAN_NO, DRIVE, POSITION };
    p->fan_no = (uint32_t)rows_int(fans, row, FAN_NO);
    if (!pick_readings(db, rows_text(fans, row, SITE), p, err))
        return false;
    for (size_t i = 0; i < p->count; i++)
        write_reading(rows_text(fans, row, DRIVE), rows_text(fans, row, POSITION), &p->readings[i], out);
    *count += (int64_t)p->count;
    return true;
}

bool fleet_readings(struct db *db, const struct fleet_fans *which, int64_t from_us, int64_t to_us, FILE *out,
                    int64_t *count, struct err *err)
{
    const struct db_value params[] = {db_text(which->site), db_text(which->drive), db_text(which->position)};
    struct rows *fans;
    *count = 0;
    if (!db_query(db, &q_fan_numbers, params, 3, &fans, err))
        return false;
    bool ok = rows_count(fans) > 0 ||
              err_set(err, ERR_USAGE, "the register has no fan '%s' of drive '%s' at site '%s'",
                      which->position ? which->position : "any", which->drive ? which->drive : "any",
                      which->site ? which->site : "any");
    struct picker p = {
        .mem = arena_new(SIZE_MAX), .block_mem = arena_new(SIZE_MAX), .from_us = from_us, .to_us = to_us};
    if (ok)
        fputs("drive,position,read_at,rpm\n", out);
    for (size_t row = 0; ok && row < rows_count(fans); row++) {
        ok = write_fan(db, fans, row, &p, out, count, err) &&
             (!ferror(out) || err_set(err, ERR_OUTPUT, "cannot write the readings"));
        arena_reset(p.mem);
        p.readings = NULL;
        p.count = p.room = 0;
    }
    arena_free(p.mem);
    arena_free(p.block_mem);
    rows_free(fans);
    return ok;
}
