#include "journal.h"

#include "base/clock.h"
#include "queries.h"

enum { MAX_ROW_READINGS = 10000 };

struct place {
    struct db *db;
    const char *site;
    int64_t received_us;
    struct arena *mem;
};

static bool write_row(const struct place *to, const struct reading *readings, size_t count, struct err *err)
{
    int64_t newest = readings[0].at_us;
    for (size_t k = 1; k < count; k++)
        if (readings[k].at_us > newest)
            newest = readings[k].at_us;
    size_t bytes;
    const uint8_t *block = block_encode(readings, count, to->mem, &bytes);
    const struct db_value params[] = {db_text(to->site), db_moment(to->received_us), db_moment(newest),
                                      db_int((int64_t)count), db_bytes(block, bytes)};
    return db_exec(to->db, &q_journal_append, params, 5, NULL, err);
}

static bool write_rows(const struct place *to, const struct reading *readings, size_t count, struct err *err)
{
    for (size_t done = 0; done < count; done += MAX_ROW_READINGS) {
        size_t n = count - done < MAX_ROW_READINGS ? count - done : MAX_ROW_READINGS;
        if (!write_row(to, readings + done, n, err))
            return false;
    }
    return true;
}

bool journal_write(struct db *db, const char *site, int64_t received_us, int64_t now_us,
                   const struct reading *readings, size_t count, struct arena *mem, struct err *err)
{
    const struct place to = {db, site, received_us, mem};
    int64_t day_us = day_start_us(day_of(now_us));
    int64_t hour_us = day_us + (now_us - day_us) / US_PER_HOUR * US_PER_HOUR;

    struct reading *sorted = arena_array(mem, struct reading, count); /* closed, then open */
    size_t closed = 0, open = 0;
    for (size_t k = 0; k < count; k++)
        if (readings[k].at_us < hour_us)
            sorted[closed++] = readings[k];
    for (size_t k = 0; k < count; k++)
        if (readings[k].at_us >= hour_us)
            sorted[closed + open++] = readings[k];
    return write_rows(&to, sorted, closed, err) && write_rows(&to, sorted + closed, open, err);
}
