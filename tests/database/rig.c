#include "rig.h"

#include <check.h>

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

void rig_do(struct db *db, const char *text)
{
    struct err err = {0};
    ck_assert_msg(db_script(db, "test", text, &err), "%s: %s", text, err.text);
}

/* A statement is known to the session by its address and its name: each gets its own for good. */
static const struct query *statement(const char *text)
{
    enum { MOST = 20000 };
    static struct query queries[MOST];
    static char names[MOST][16];
    static int used;
    ck_assert_int_lt(used, MOST);
    snprintf(names[used], sizeof names[used], "rig_%d", used);
    queries[used] = (struct query){names[used], text, 0};
    return &queries[used++];
}

static struct rows *ask(struct db *db, const char *text)
{
    struct err err = {0};
    struct rows *r;
    ck_assert_msg(db_query(db, statement(text), NULL, 0, &r, &err), "%s: %s", text, err.text);
    return r;
}

int64_t rig_number(struct db *db, const char *text)
{
    struct rows *r = ask(db, text);
    ck_assert_uint_eq(rows_count(r), 1);
    int64_t n = rows_int(r, 0, 0);
    rows_free(r);
    return n;
}

const char *rig_table(struct db *db, struct arena *mem, const char *text)
{
    struct rows *r =
        ask(db, arena_printf(mem,
                             "SELECT coalesce(string_agg(regexp_replace(whole::text, '^\\(|\\)$', '', "
                             "'g'), '; '), '') FROM (%s) whole",
                             text));
    const char *table = arena_strdup(mem, rows_text(r, 0, 0));
    rows_free(r);
    return table;
}

void rig_register(struct db *db, int drives)
{
    char text[2000];
    snprintf(text, sizeof text,
             "INSERT INTO vaneward.site (site) VALUES ('s');"
             "INSERT INTO vaneward.machine (site, machine, controller) VALUES ('s', 'm', 'c');"
             "INSERT INTO vaneward.drive (site, drive, machine) SELECT 's', 'd' || n, 'm' FROM "
             "generate_series(1, %d) n;"
             "INSERT INTO vaneward.fan (site, drive, position, fan_no)"
             " SELECT 's', 'd' || n, 'internal-1', n FROM generate_series(1, %d) n;"
             "INSERT INTO vaneward.axis (site, axis, machine, drive) VALUES ('s', 'x', 'm', 'd1'), ('s', "
             "'y', 'm', NULL);"
             "INSERT INTO vaneward.source (site, source, url, format) VALUES ('s', 'a', 'http://a', 'feed'),"
             " ('s', 'b', 'http://b', 'mtconnect');",
             drives, drives);
    rig_do(db, text);
}

static int points_to_death; /* 0: it goes on living */

void rig_die_at(int point)
{
    points_to_death = point;
}

static void pass_point(void)
{
    if (points_to_death && --points_to_death == 0)
        raise(SIGKILL);
}

/* In place of the C library's, also for libpq: every message to the server goes through here. */
ssize_t send(int fd, const void *bytes, size_t size, int flags)
{
    pass_point();
    ssize_t sent = sendto(fd, bytes, size, flags, NULL, 0);
    pass_point();
    return sent;
}

void rig_wait_until_alone(struct db *db)
{
    while (rig_number(db, "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
                          " AND backend_type = 'client backend'") > 1)
        usleep(1000);
}

static int by_fan_and_time(const void *left, const void *right)
{
    const struct reading *a = left, *b = right;
    if (a->fan_no != b->fan_no)
        return a->fan_no < b->fan_no ? -1 : 1;
    if (a->at_us != b->at_us)
        return a->at_us < b->at_us ? -1 : 1;
    return (a->milli_rpm > b->milli_rpm) - (a->milli_rpm < b->milli_rpm);
}

void rig_sort(struct reading *readings, size_t count)
{
    if (count)
        qsort(readings, count, sizeof *readings, by_fan_and_time);
}

/* Whether a reading of a journal row lies in a block already. */
static bool is_sealed(const struct rows *r, size_t row, const struct reading *x)
{
    enum { BEFORE = 2, UNTIL, FANS };
    return (!rows_null(r, row, BEFORE) && x->at_us < rows_moment(r, row, BEFORE)) ||
           (!rows_null(r, row, UNTIL) && x->at_us < rows_moment(r, row, UNTIL) &&
            x->fan_no < rows_int(r, row, FANS));
}

struct reading *rig_readings(struct db *db, struct arena *mem, const char *site, size_t *count)
{
    struct rows *r = ask(
        db, arena_printf(
                mem,
                "SELECT readings, data, sealed_before, sealed_until, sealed_fans"
                " FROM vaneward.journal_waiting WHERE site = '%s'"
                " UNION ALL SELECT readings, data, NULL, NULL, 0 FROM vaneward.reading_hour WHERE site = '%s'"
                " UNION ALL SELECT readings, data, NULL, NULL, 0 FROM vaneward.reading_day WHERE site = '%s'",
                site, site, site));
    size_t total = 0, n = 0;
    for (size_t k = 0; k < rows_count(r); k++)
        total += (size_t)rows_int(r, k, 0);
    struct reading *all = arena_array(mem, struct reading, total);
    for (size_t k = 0; k < rows_count(r); k++) {
        struct err err = {0};
        size_t bytes, in_block;
        struct reading *readings;
        const uint8_t *block = rows_bytes(r, k, 1, mem, &bytes);
        ck_assert_msg(block_decode(block, bytes, mem, &readings, &in_block, &err), "%s", err.text);
        ck_assert_uint_eq(in_block, rows_int(r, k, 0));
        for (size_t i = 0; i < in_block; i++)
            if (!is_sealed(r, k, &readings[i]))
                all[n++] = readings[i];
    }
    rows_free(r);
    rig_sort(all, n);
    *count = n;
    return all;
}
