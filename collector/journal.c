#include "journal.h"

#include "base/clock.h"
#include "columns.h"
#include "queries.h"

/*
 * A row fills a page of the table: what is longer would be cut into pieces of 2 kB with an index entry each
 * (0016_journal_pages.sql), a third of the time of storing.
 */
enum { ROW_BYTES = 7800, FIRST_ROW_READINGS = 2000 };

struct journal_rows {
    struct arena *mem;
    struct columns *columns;
};

struct journal_rows *journal_rows_new(struct arena *mem)
{
    struct journal_rows *rows = arena_alloc(mem, sizeof *rows);
    *rows = (struct journal_rows){mem, columns_new(mem, 5)};
    return rows;
}

/* Returns the bytes of the row. */
static size_t add_row(struct journal_rows *rows, const char *site, int64_t received_us,
                      const struct reading *readings, size_t count)
{
    int64_t newest_us = readings[0].at_us;
    for (size_t k = 1; k < count; k++)
        if (readings[k].at_us > newest_us)
            newest_us = readings[k].at_us;
    size_t bytes;
    const uint8_t *block = block_encode(readings, count, rows->mem, &bytes);
    const struct db_value cells[] = {db_text(site), db_moment(received_us), db_moment(newest_us),
                                     db_int((int64_t)count), db_bytes(block, bytes)};
    columns_add(rows->columns, cells);
    return bytes;
}

/* How many readings fill a row is known from the row before. */
static void add_rows(struct journal_rows *rows, const char *site, int64_t received_us,
                     const struct reading *readings, size_t count)
{
    size_t most = FIRST_ROW_READINGS;
    for (size_t done = 0; done < count;) {
        size_t n = count - done < most ? count - done : most;
        size_t bytes = add_row(rows, site, received_us, readings + done, n);
        most = n * ROW_BYTES / bytes;
        most = most < 1 ? 1 : most < BLOCK_MAX_READINGS ? most : BLOCK_MAX_READINGS;
        done += n;
    }
}

/*
 * By fan, those of one fan in the order in which they stood: neighbours then differ less, which saves a
 * quarter of the bytes. A radix sort, the lowest digits first; a digit in which all are alike costs no copy.
 * Returns the one of the two arrays that holds the result.
 */
static struct reading *sort_by_fan(struct reading *readings, struct reading *room, size_t count)
{
    enum { DIGIT_BITS = 11, DIGITS = 1 << DIGIT_BITS };
    for (int shift = 0; shift < 32; shift += DIGIT_BITS) {
        uint32_t starts[DIGITS] = {0}, sum = 0;
        for (size_t k = 0; k < count; k++)
            starts[readings[k].fan_no >> shift & (DIGITS - 1)]++;
        if (!count || starts[readings[0].fan_no >> shift & (DIGITS - 1)] == count)
            continue;
        for (int d = 0; d < DIGITS; d++) {
            uint32_t n = starts[d];
            starts[d] = sum;
            sum += n;
        }
        for (size_t k = 0; k < count; k++)
            room[starts[readings[k].fan_no >> shift & (DIGITS - 1)]++] = readings[k];
        struct reading *kept = readings;
        readings = room;
        room = kept;
    }
    return readings;
}

void journal_rows_add(struct journal_rows *rows, const char *site, int64_t received_us, int64_t now_us,
                      const struct reading *readings, size_t count)
{
    int64_t day_us = day_start_us(day_of(now_us));
    int64_t hour_us = day_us + (now_us - day_us) / US_PER_HOUR * US_PER_HOUR;

    struct reading *parted = arena_array(rows->mem, struct reading, count); /* closed, then open */
    struct reading *room = arena_array(rows->mem, struct reading, count);
    size_t closed = 0, open = 0;
    for (size_t k = 0; k < count; k++)
        if (readings[k].at_us < hour_us)
            parted[closed++] = readings[k];
    for (size_t k = 0; k < count; k++)
        if (readings[k].at_us >= hour_us)
            parted[closed + open++] = readings[k];
    add_rows(rows, site, received_us, sort_by_fan(parted, room, closed), closed);
    add_rows(rows, site, received_us, sort_by_fan(parted + closed, room, open), open);
}

bool journal_rows_store(const struct journal_rows *rows, struct db *db, struct err *err)
{
    return columns_exec(rows->columns, db, &q_journal_append, NULL, err);
}

bool journal_write(struct db *db, const char *site, int64_t received_us, int64_t now_us,
                   const struct reading *readings, size_t count, struct arena *mem, struct err *err)
{
    struct journal_rows *rows = journal_rows_new(mem);
    journal_rows_add(rows, site, received_us, now_us, readings, count);
    return journal_rows_store(rows, db, err);
}
