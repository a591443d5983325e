#include "server.h"

#include "db.h"

#include <check.h>
#include <stdlib.h>

static struct server *server;

static void start_server(void)
{
    server = server_start(NULL);
}

/* Tables, views and their columns; a partition is told by its parent. */
static const struct query uncommented = {
    "uncommented",
    "SELECT c.relname || coalesce('.' || a.attname, '')"
    "  FROM pg_class c"
    "  CROSS JOIN LATERAL (SELECT 0::smallint AS attnum, NULL::name AS attname"
    "                      UNION ALL"
    "                      SELECT attnum, attname FROM pg_attribute"
    "                       WHERE attrelid = c.oid AND attnum > 0 AND NOT attisdropped) a"
    " WHERE c.relnamespace = 'vaneward'::regnamespace AND c.relkind IN ('r', 'p', 'v', 'm')"
    "   AND NOT c.relispartition"
    "   AND NOT EXISTS (SELECT FROM pg_description d"
    "                    WHERE d.classoid = 'pg_class'::regclass AND d.objoid = c.oid AND d.objsubid = "
    "a.attnum"
    "                      AND length(d.description) > 3)"
    " ORDER BY 1",
    0};

static size_t count_uncommented(struct db *db, struct arena *mem, const char **list)
{
    struct err err = {0};
    struct rows *rows;
    ck_assert_msg(db_query(db, &uncommented, NULL, 0, &rows, &err), "%s", err.text);
    size_t n = rows_count(rows);
    *list = "";
    for (size_t i = 0; i < n; i++)
        *list = arena_printf(mem, "%s %s", *list, rows_text(rows, i, 0));
    rows_free(rows);
    return n;
}

START_TEST(every_table_and_column_says_what_it_holds)
{
    struct err err = {0};
    struct db *db;
    struct arena *mem = arena_new(SIZE_MAX);
    const char *list;
    ck_assert_msg(db_open(&db, server_prepared_database(server), "test", &err), "%s", err.text);
    size_t n = count_uncommented(db, mem, &list);
    ck_assert_msg(n == 0, "without a comment:%s", list);

    /* The check itself sees what lacks one, and leaves partitions alone. */
    ck_assert(db_script(
        db, "setup",
        "SELECT vaneward.make_day_partition('reading_day', '2026-11-25');"
        "CREATE TABLE vaneward.bare (a integer, b integer); COMMENT ON COLUMN vaneward.bare.b IS 'told'",
        &err));
    count_uncommented(db, mem, &list);
    ck_assert_str_eq(list, " bare bare.a");
    db_close(db);
    arena_free(mem);
}
END_TEST

static Suite *suite(void)
{
    Suite *s = suite_create("comments");
    TCase *t = tcase_create("comments");
    tcase_set_timeout(t, 60);
    tcase_add_unchecked_fixture(t, start_server, NULL);
    tcase_add_test(t, every_table_and_column_says_what_it_holds);
    suite_add_tcase(s, t);
    return s;
}

int main(void)
{
    SRunner *runner = srunner_create(suite());
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
