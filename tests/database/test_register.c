#include "server.h"

#include "base/clock.h"
#include "base/opts.h"
#include "block.h"
#include "import.h"
#include "journal.h"
#include "migrate.h"
#include "prepare.h"
#include "queries.h"
#include "register_command.h"
#include "register_store.h"
#include "settings.h"
#include "work.h"

#include <check.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { OUTPUT_BYTES = 20000 };

static struct server *server;
static struct db *db;
static struct err err;
static struct arena *mem;
static char folder[] = "/tmp/test_register_XXXXXX";
static char out[OUTPUT_BYTES], bad[OUTPUT_BYTES]; /* standard output and standard error of the last command */

static const char GOOD[] = TEST_DATA "/register/good";

static void start_server(void)
{
    server = server_start(NULL);
}

static void begin(void)
{
    mem = arena_new(64 << 20);
    settings.db = server_prepared_database(server);
    ck_assert_msg(db_open(&db, settings.db, "test", &err), "%s", err.text);
    ck_assert_ptr_nonnull(mkdtemp(folder));
}

static int remove_entry(const char *path, const struct stat *st, int type, struct FTW *walk)
{
    (void)st, (void)type, (void)walk;
    return remove(path);
}

static void end(void)
{
    db_close(db);
    arena_free(mem);
    nftw(folder, remove_entry, 16, FTW_DEPTH | FTW_PHYS);
}

/* Commands, with what they print */

static int redirect(int fd, int *kept)
{
    char path[] = "/tmp/test_register_out_XXXXXX";
    int file = mkstemp(path);
    ck_assert_int_ge(file, 0);
    unlink(path);
    *kept = dup(fd);
    dup2(file, fd);
    return file;
}

static void restore(int fd, int kept, int file, char *text)
{
    dup2(kept, fd);
    close(kept);
    ssize_t n = pread(file, text, OUTPUT_BYTES - 1, 0);
    text[n < 0 ? 0 : n] = '\0';
    close(file);
}

typedef int command_fn(const char *const *args, int count, struct err *err);

static int run(command_fn *command, const char *first, const char *second)
{
    const char *args[] = {first, second};
    int kept_out, kept_bad;
    fflush(NULL);
    int out_file = redirect(STDOUT_FILENO, &kept_out), bad_file = redirect(STDERR_FILENO, &kept_bad);
    err_clear(&err);
    int status = command(args, second ? 2 : first ? 1 : 0, &err);
    fflush(NULL);
    restore(STDOUT_FILENO, kept_out, out_file, out);
    restore(STDERR_FILENO, kept_bad, bad_file, bad);
    return status;
}

static void good(command_fn *command, const char *first, const char *second)
{
    int status = run(command, first, second);
    ck_assert_msg(status == 0, "status %d: %s\n%s", status, err.text, bad);
}

/* The path of a new file in the test's folder. */
static const char *file(const char *name, const char *text)
{
    const char *path = arena_printf(mem, "%s/%s", folder, name);
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    fputs(text, f);
    fclose(f);
    return path;
}

static const char *value(const char *sql)
{
    static int asked;
    struct query *q =
        arena_alloc(mem, sizeof *q); /* a session knows its statements by their place and name */
    memcpy(q, &(struct query){arena_printf(mem, "value_%d", asked++), sql, 0}, sizeof *q);
    struct rows *rows;
    err_clear(&err);
    ck_assert_msg(db_query(db, q, NULL, 0, &rows, &err), "%s", err.text);
    const char *text = rows_count(rows) ? arena_strdup(mem, rows_text(rows, 0, 0)) : "no row";
    rows_free(rows);
    return text ? text : "null";
}

/* Rows of all register tables, with a hash of what is in them. */
static const char *whole_register(void)
{
    static const char *const tables[] = {"site",   "machine",   "drive_model", "drive", "axis",
                                         "part",   "fan_model", "fitment",     "fan",   "stock",
                                         "source", "binding",   "code_map",    "work"};
    const char *all = "";
    for (size_t k = 0; k < sizeof tables / sizeof *tables; k++)
        all =
            arena_printf(mem, "%s%s ", all,
                         value(arena_printf(mem,
                                            "SELECT count(*) || ':' || md5(coalesce(string_agg(t::text, '|' "
                                            "ORDER BY t::text), '')) FROM vaneward.%s t",
                                            tables[k])));
    return all;
}

START_TEST(a_folder_is_loaded_whole)
{
    good(register_command, GOOD, NULL);
    ck_assert_msg(strstr(out, "/good/sites.csv: 2 rows (2 new, 0 changed, 0 same)\n"), "%s", out);
    ck_assert_msg(strstr(out, "/good/work.csv: 2 rows (2 new, 0 changed, 0 same)\n"), "%s", out);
    ck_assert_str_eq(bad,
                     "notice: 1 fan in fans.csv was replaced later, as work tells; the work records count\n");
    ck_assert_str_eq(
        value("SELECT string_agg(site || ' ' || drive || ' ' || position || ' ' || fan_no, ', ' ORDER BY "
              "site, fan_no) FROM vaneward.fan"),
        "north n1-x internal-1 1, north n1-x internal-2 2, north n1-s internal-1 3, north n2-x "
        "internal-1 4, south s1-x heat-sink 1");
    ck_assert_str_eq(value("SELECT name FROM vaneward.site WHERE site = 'north'"), "Northern works, hall 1");
    ck_assert_str_eq(
        value("SELECT time_zone || paper || coalesce(email, '-') FROM vaneward.site WHERE site = "
              "'south'"),
        "America/LimaLetter-");
    ck_assert_str_eq(
        value("SELECT stop_cost_per_hour::text FROM vaneward.machine WHERE machine = 'n-mill-1'"), "420.50");
    ck_assert_str_eq(value("SELECT period_s::text FROM vaneward.source WHERE source = 'south-feed'"), "60");
    ck_assert_str_eq(value("SELECT site FROM vaneward.binding WHERE item = 'pw'"), "south");
    ck_assert_str_eq(value("SELECT done_at::text FROM vaneward.work WHERE action = 'replaced'"),
                     "2025-03-04 08:30:00+00");
    ck_assert_str_eq(value("SELECT warning_hidden::text FROM vaneward.drive WHERE drive = 'n1-s'"), "true");
    ck_assert_str_eq(
        value("SELECT coalesce(warning_hidden::text, 'null') FROM vaneward.drive WHERE drive = 's1-x'"),
        "null");
}
END_TEST

START_TEST(loading_again_changes_nothing)
{
    good(register_command, GOOD, NULL);
    const char *before = whole_register();
    good(register_command, GOOD, NULL);
    int files = 0;
    for (const char *line = out; *line; line = strchr(line, '\n') + 1, files++) {
        size_t n = strcspn(line, "\n");
        ck_assert_msg(memmem(line, n, "(0 new, 0 changed, ", 19), "%s", out);
    }
    ck_assert_int_eq(files, 14);
    ck_assert_str_eq(whole_register(), before);
}
END_TEST

START_TEST(rows_are_updated_by_key_and_columns_that_a_file_lacks_stay)
{
    good(register_command, GOOD, NULL);
    good(register_command,
         file("machines.csv",
              "machine,site,location\nn-mill-1,north,Hall 9\nn-mill-2,north,Hall 1\nn-new,north,\n"),
         NULL);
    ck_assert_msg(strstr(out, "machines.csv: 3 rows (1 new, 1 changed, 1 same)\n"), "%s", out);
    ck_assert_str_eq(
        value("SELECT location || ' ' || stop_cost_per_hour || ' ' || name FROM vaneward.machine WHERE "
              "machine = 'n-mill-1'"),
        "Hall 9 420.50 Mill 1");
    good(register_command, file("machines.csv", "machine,site,location\nn-mill-1,north,\n"), NULL);
    ck_assert_str_eq(
        value("SELECT coalesce(location, 'unknown') FROM vaneward.machine WHERE machine = 'n-mill-1'"),
        "unknown");
    good(register_command, file("stock.csv", "site,part,on_hand,on_order\nnorth,F-41,2,\n"), NULL);
    ck_assert_str_eq(value("SELECT on_order::text FROM vaneward.stock WHERE part = 'F-41'"), "0");
}
END_TEST

START_TEST(fan_numbers_are_stable)
{
    good(register_command, GOOD, NULL);
    const char *before =
        value("SELECT string_agg(drive || position || fan_no, ',' ORDER BY drive, position) FROM "
              "vaneward.fan");
    good(register_command,
         file("fans.csv", "drive,position\nn2-x,heat-sink\ns1-x,heat-sink\nn1-x,internal-2\nn1-x,internal-1\n"
                          "n1-s,internal-1\nn2-x,internal-1\ns1-x,internal-1\n"),
         NULL);
    ck_assert_msg(strstr(out, "7 rows (2 new, 0 changed, 5 same)"), "%s", out);
    ck_assert_str_eq(
        value("SELECT string_agg(drive || position || fan_no, ',' ORDER BY drive, position) FROM "
              "vaneward.fan WHERE (drive, position) NOT IN (('n2-x', 'heat-sink'), ('s1-x', "
              "'internal-1'))"),
        before);
    ck_assert_str_eq(
        value("SELECT fan_no::text FROM vaneward.fan WHERE drive = 'n2-x' AND position = 'heat-sink'"), "5");
    ck_assert_str_eq(
        value("SELECT fan_no::text FROM vaneward.fan WHERE drive = 's1-x' AND position = 'internal-1'"), "2");
}
END_TEST

START_TEST(one_wrong_row_in_the_last_file_stores_nothing)
{
    const char *before = whole_register();
    const char *work = file("work.csv", "drive,position,done_at,action\nn1-x,internal-1,2025-01-01,cleaned\n"
                                        "n1-x,internal-9,2025-01-01,cleaned\n");
    ck_assert_int_eq(run(register_command, GOOD, work), 65);
    ck_assert_str_eq(err.text, "nothing was stored: 1 error");
    ck_assert_str_eq(out, "");
    ck_assert_str_eq(bad, arena_printf(mem,
                                       "%s:3:6: position 'internal-9': is not known here; the nearest is "
                                       "'internal-1'\n",
                                       work));
    ck_assert_str_eq(whole_register(), before);
}
END_TEST

START_TEST(errors_of_all_files_are_listed_against_rows_of_the_database_too)
{
    good(register_command, GOOD, NULL);
    const char *before = whole_register();
    const char *machines = file("machines.csv", "machine,site\nn-mill-1,south\nnew,nroth\n");
    const char *fans = file("fans.csv", "drive,position\nn1-s,internal-2\nn1-z,internal-1\n");
    ck_assert_int_eq(run(register_command, machines, fans), 65);
    ck_assert_str_eq(err.text, "nothing was stored: 4 errors");
    ck_assert_str_eq(
        bad, arena_printf(
                 mem,
                 "%s:2:10: site 'south': would move 'n-mill-1' from site 'north' to 'south'; it keeps its "
                 "site, so give it a new key\n"
                 "%s:3:5: site 'nroth': is not in sites; the nearest is 'north'\n"
                 "%s:2:6: position 'internal-2': is not there: drive model 'OD-1' has internal_fans 1 in "
                 "drive_models\n"
                 "%s:3:1: drive 'n1-z': is not in drives; the nearest is 'n1-s'\n",
                 machines, machines, fans, fans));
    ck_assert_str_eq(whole_register(), before);
}
END_TEST

START_TEST(what_only_the_database_refuses_stores_nothing_either)
{
    good(register_command, GOOD, NULL);
    /* A rule that the register does not know. */
    ck_assert(db_script(db, "rule", "ALTER TABLE vaneward.machine ADD CHECK (location <> 'roof')", &err));
    const char *before = whole_register();
    ck_assert_int_eq(run(register_command, file("sites.csv", "site\nnew\n"),
                         file("machines.csv", "machine,site,location\nx,new,roof\n")),
                     69);
    ck_assert_msg(strstr(err.text, "machines.csv"), "%s", err.text);
    ck_assert_str_eq(whole_register(), before);
}
END_TEST

START_TEST(a_hundred_errors_are_printed_and_the_rest_counted)
{
    char *text = arena_alloc(mem, 10000);
    size_t n = (size_t)snprintf(text, 10000, "site,paper\n");
    for (int k = 0; k < 130; k++)
        n += (size_t)snprintf(text + n, 10000 - n, "s%d,A5\n", k);
    ck_assert_int_eq(run(register_command, file("sites.csv", text), NULL), 65);
    ck_assert_str_eq(err.text, "nothing was stored: 130 errors");
    const char *last = strstr(bad, "\nand 30 more\n");
    ck_assert_ptr_nonnull(last);
    int lines = 0;
    for (const char *c = bad; c <= last; c++)
        lines += *c == '\n';
    ck_assert_int_eq(lines, 100);
}
END_TEST

START_TEST(a_file_that_is_no_part_of_the_register_is_refused)
{
    ck_assert_int_eq(run(register_command, file("site.csv", "site\n"), NULL), 65);
    ck_assert_msg(
        strstr(err.text, "site.csv' is no file of the register; its files are sites.csv, machines.csv"), "%s",
        err.text);
    ck_assert_str_eq(err.hint, "the nearest is 'sites.csv'");
    ck_assert_int_eq(run(register_command, file("readings.csv", "drive\n"), NULL), 65);
    ck_assert_msg(strstr(err.text, "readings.csv' is history, not register"), "%s", err.text);
    ck_assert_msg(strstr(err.hint, "vaneward-collector import"), "%s", err.hint);
    ck_assert_int_eq(run(register_command, folder, NULL), 65); /* site.csv is in it */
    ck_assert_int_eq(run(register_command, "/nowhere/sites.csv", NULL), 65);
    ck_assert_str_eq(bad, "/nowhere/sites.csv: cannot read it: No such file or directory\n");
}
END_TEST

START_TEST(history_in_a_folder_is_left_with_a_notice)
{
    file("sites.csv", "site\nx\n");
    file("readings.csv", "drive,position,read_at,rpm\n");
    file("notes.txt", "nothing");
    good(register_command, folder, NULL);
    ck_assert_str_eq(
        bad,
        arena_printf(mem, "notice: %s/readings.csv is history, not register; 'import' loads it\n", folder));
    ck_assert_str_eq(out, arena_printf(mem, "%s/sites.csv: 1 row (1 new, 0 changed, 0 same)\n", folder));
}
END_TEST

START_TEST(a_folder_without_register_is_refused)
{
    ck_assert_int_eq(run(register_command, folder, NULL), 65);
    ck_assert_str_eq(err.text, arena_printf(mem, "there is no file of the register in '%s'", folder));
}
END_TEST

START_TEST(results_are_printed_as_json_when_asked)
{
    settings.json = true;
    good(register_command, file("sites.csv", "site\nx\n"), NULL);
    ck_assert_msg(strstr(out, "\"kind\": \"sites\"") && strstr(out, "\"new\": 1"), "%s", out);
}
END_TEST

START_TEST(texts_with_quotes_braces_and_line_ends_come_back_as_they_are)
{
    good(register_command,
         file("sites.csv", "site,name\n\"a\\b{,}\",\"one \"\"two\"\"\nthree \\ {NULL}\"\nc,NULL\n"), NULL);
    ck_assert_str_eq(value("SELECT name FROM vaneward.site WHERE site = 'a\\b{,}'"),
                     "one \"two\"\nthree \\ {NULL}");
    ck_assert_str_eq(value("SELECT name FROM vaneward.site WHERE site = 'c'"), "NULL");
}
END_TEST

START_TEST(work_comes_from_a_file_of_any_name)
{
    good(register_command, GOOD, NULL);
    good(work_command,
         file("march.csv", "drive,position,done_at,action,finding\nn2-x,internal-1,2025-03-09,cleaned,"
                           "dirty\n"),
         NULL);
    ck_assert_str_eq(value("SELECT site || ' ' || finding FROM vaneward.work WHERE drive = 'n2-x'"),
                     "north dirty");
}
END_TEST

/* The work command's options, as opts_main would set them. */
static void give(const char *name, const char *text)
{
    const struct opt *o = work_options;
    while (strcmp(o->name, name) != 0)
        o++;
    *(const char **)o->target = text;
}

START_TEST(work_comes_from_options)
{
    good(register_command, GOOD, NULL);
    give("fan", "n1-x/internal-2");
    give("action", "replaced");
    give("rpm-after", "8399.5");
    give("part", "F-40");
    good(work_command, NULL, NULL);
    ck_assert_str_eq(out, "command line: 1 row (1 new, 0 changed, 0 same)\n");
    ck_assert_str_eq(
        value("SELECT action || ' ' || rpm_after || ' ' || part || ' ' || (now() - done_at < interval '1 "
              "minute') FROM vaneward.work WHERE position = 'internal-2'"),
        "replaced 8399.5 F-40 true");
    give("fan", NULL);
    give("drive", "n1-y");
    give("position", "internal-2");
    give("part", "F-4");
    ck_assert_int_eq(run(work_command, NULL, NULL), 65);
    ck_assert_str_eq(bad, "command line: drive 'n1-y': is not in drives; the nearest is 'n1-s'\n"
                          "command line: part 'F-4': is not in parts; the nearest is 'F-40'\n");
}
END_TEST

START_TEST(work_without_enough_to_go_by_is_wrong_usage)
{
    ck_assert_int_eq(run(work_command, NULL, NULL), 64);
    ck_assert_str_eq(err.text, "--drive, --fan or a file is missing");
    give("fan", "n1-x/internal-1");
    ck_assert_int_eq(run(work_command, NULL, NULL), 64);
    ck_assert_str_eq(err.text, "--action is missing");
    ck_assert_int_eq(run(work_command, "work.csv", NULL), 64);
}
END_TEST

/* All readings that the database has: journal and blocks. */
static size_t stored_readings(struct reading **all)
{
    static const struct query q = {
        "packed",
        "SELECT data FROM vaneward.journal UNION ALL SELECT data FROM vaneward.reading_hour UNION "
        "ALL SELECT data FROM vaneward.reading_day",
        0};
    struct rows *rows;
    size_t total = 0;
    err_clear(&err);
    ck_assert_msg(db_query(db, &q, NULL, 0, &rows, &err), "%s", err.text);
    *all = arena_array(mem, struct reading, 200000);
    for (size_t k = 0; k < rows_count(rows); k++) {
        size_t bytes, count;
        struct reading *some;
        const uint8_t *data = rows_bytes(rows, k, 0, mem, &bytes);
        ck_assert_msg(block_decode(data, bytes, mem, &some, &count, &err), "%s", err.text);
        memcpy(*all + total, some, count * sizeof *some);
        total += count;
    }
    rows_free(rows);
    return total;
}

static const char READINGS[] = "drive,position,read_at,rpm\n"
                               "n1-x,internal-1,2025-06-01T00:00:00Z,8390.5\n"
                               "n1-x,internal-1,2025-06-01T01:00:00Z,\n"
                               "s1-x,heat-sink,2025-06-01T00:00:00Z,2900\n";

START_TEST(readings_are_imported_once)
{
    good(register_command, GOOD, NULL);
    const char *path = file("readings.csv", READINGS);
    good(import_command, path, NULL);
    ck_assert_str_eq(out, arena_printf(mem, "%s: 3 readings\n", path));
    struct reading *all;
    ck_assert_uint_eq(stored_readings(&all), 3);
    int64_t sum = 0;
    int unavailable = 0;
    for (int k = 0; k < 3; k++) {
        unavailable += all[k].milli_rpm == RPM_UNAVAILABLE;
        sum += all[k].milli_rpm == RPM_UNAVAILABLE ? 0 : all[k].milli_rpm;
    }
    ck_assert(sum == 8390500 + 2900000 && unavailable == 1);

    /* Again, also under another name: nothing more. */
    good(import_command, path, file("same.csv", READINGS));
    const char *today = value("SELECT to_char(now() AT TIME ZONE 'UTC', 'YYYY-MM-DD')");
    ck_assert_msg(strstr(out, arena_printf(mem, "readings.csv: already imported on %s", today)), "%s", out);
    ck_assert_msg(strstr(out, "same.csv: already imported on "), "%s", out);
    ck_assert_uint_eq(stored_readings(&all), 3);
    ck_assert_str_eq(value("SELECT string_agg(site || rows, ',' ORDER BY site) FROM vaneward.file_import"),
                     "north2,south1");
}
END_TEST

START_TEST(imported_readings_of_closed_days_are_summarised)
{
    good(register_command, GOOD, NULL);
    good(import_command, file("readings.csv", READINGS), NULL);
    ck_assert_str_eq(
        value("SELECT readings || ' ' || rpm_max FROM vaneward.fan_day WHERE site = 'north' AND fan_no "
              "= 1 AND day = '2025-06-01' AND known_until IS NULL"),
        "2 8390.5");
}
END_TEST

START_TEST(a_file_of_history_with_an_error_stores_nothing)
{
    good(register_command, GOOD, NULL);
    const char *path = file("readings.csv", "drive,position,read_at,rpm\n"
                                            "n1-x,internal-1,2025-06-01T00:00:00Z,8390.5\n"
                                            "n1-x,internal-7,2025-06-01T00:00:00Z,8390.5\n");
    ck_assert_int_eq(run(import_command, path, NULL), 65);
    ck_assert_str_eq(bad, arena_printf(mem,
                                       "%s:3:6: position 'internal-7': drive 'n1-x' has no fan there in the "
                                       "register\n",
                                       path));
    ck_assert_str_eq(err.text, arena_printf(mem, "%s: nothing was stored: 1 error", path));
    struct reading *all;
    ck_assert_uint_eq(stored_readings(&all), 0);
    ck_assert_str_eq(value("SELECT count(*)::text FROM vaneward.file_import"), "0");
}
END_TEST

START_TEST(many_readings_come_back_exactly)
{
    enum { READINGS_COUNT = 120000 };
    good(register_command, GOOD, NULL);
    const char *path = arena_printf(mem, "%s/readings.csv", folder);
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    fputs("drive,position,read_at,rpm\n", f);
    int64_t start = INT64_C(1748736000) * US_PER_S, sum = 0; /* 2025-06-01: date -u -d 2025-06-01 +%s */
    for (int k = 0; k < READINGS_COUNT; k++) {
        char at[TIME_TEXT];
        time_format(start + k * 7 * US_PER_S, at);
        fprintf(f, "n1-x,internal-%d,%s,%d\n", k % 2 + 1, at, 8000 + k % 501);
        sum += 8000 + k % 501;
    }
    fclose(f);
    good(import_command, path, NULL);
    struct reading *all;
    size_t count = stored_readings(&all);
    ck_assert_uint_eq(count, READINGS_COUNT);
    for (size_t k = 0; k < count; k++) {
        int64_t place = (all[k].at_us - start) / (7 * US_PER_S);
        ck_assert(all[k].milli_rpm == (8000 + place % 501) * 1000 && all[k].fan_no == place % 2 + 1);
        sum -= all[k].milli_rpm / 1000;
    }
    ck_assert_int_eq(sum, 0);
}
END_TEST

START_TEST(conditions_are_imported_once_and_become_episodes)
{
    good(register_command, GOOD, NULL);
    const char *path = file("conditions.csv", "drive,machine,axis,at,state,native_code,text\n"
                                              "n1-x,,,2025-06-01T00:00:00Z,warning,7041,Fan slow\n"
                                              ",n-mill-1,n1.Y,2025-06-01T00:01:00Z,alarm,7042,\n"
                                              ",n-mill-1,n1.Y,2025-06-01T00:30:00Z,normal,,\n"
                                              "n1-x,,,2025-06-01T00:30:00Z,normal,,\n");
    good(import_command, path, NULL);
    ck_assert_str_eq(out, arena_printf(mem, "%s: 4 conditions\n", path));
    ck_assert_str_eq(
        value("SELECT string_agg(concat_ws(' ', sequence, machine, drive, axis, state, native_code, "
              "message), '; ' ORDER BY sequence) FROM vaneward.condition"),
        "2 n-mill-1 n1-x warning 7041 Fan slow; 3 n-mill-1 n1-x n1.Y alarm 7042; 4 n-mill-1 n1-x n1.Y "
        "normal; 5 n-mill-1 n1-x normal");
    ck_assert_str_eq(value("SELECT DISTINCT source FROM vaneward.condition"),
                     arena_printf(mem, "file:%.16s", value("SELECT sha256 FROM vaneward.file_import")));
    ck_assert_str_eq(value("SELECT drive || ' ' || outcome || ' ' || extract(epoch FROM ended_at - "
                           "began_at)::integer FROM vaneward.episode WHERE "
                           "known_until IS NULL"),
                     "n1-x ended in alarm 1800");
    good(import_command, path, NULL);
    ck_assert_str_eq(value("SELECT count(*)::text FROM vaneward.condition"), "4");
}
END_TEST

START_TEST(journal_rows_hold_either_closed_hours_or_open_ones)
{
    enum { COUNT = 25000 };
    int64_t now = INT64_C(1748737800) * US_PER_S; /* 2025-06-01T00:30:00Z: date -u -d ... +%s */
    struct reading *readings = arena_array(mem, struct reading, COUNT);
    for (int k = 0; k < COUNT; k++)
        readings[k] = (struct reading){1, k, now - (k % 5 == 0 ? US_PER_S : US_PER_HOUR)};
    good(register_command, GOOD, NULL);
    ck_assert(db_begin(db, &err));
    ck_assert_msg(journal_write(db, "north", now, now, readings, COUNT, mem, &err), "%s", err.text);
    ck_assert(journal_write(db, "north", now, now, readings, 0, mem, &err));
    ck_assert(db_commit(db, &err));
    ck_assert_str_eq(value("SELECT string_agg(n || ' ' || is_open, ', ' ORDER BY is_open) FROM (SELECT "
                           "sum(readings) AS n, newest_at >="
                           " '2025-06-01T00:00:00Z' AS is_open FROM vaneward.journal GROUP BY 2) AS parts"),
                     "20000 false, 5000 true");
}
END_TEST

START_TEST(a_database_is_prepared_once)
{
    settings.db = server_empty_database(server);
    ck_assert_int_eq(run(register_command, GOOD, NULL), 78);
    ck_assert_str_eq(err.hint, "run 'vaneward-collector prepare'");
    good(prepare_command, NULL, NULL);
    ck_assert_msg(strstr(out, "steps applied; partitions of today and tomorrow: 4 made\n"), "%s", out);
    good(prepare_command, NULL, NULL);
    ck_assert_str_eq(out, "schema: 0 steps applied; partitions of today and tomorrow: 0 made\n");
    good(register_command, GOOD, NULL);
}
END_TEST

START_TEST(a_database_that_does_not_answer_is_69)
{
    settings.db = "host=/nowhere dbname=x";
    ck_assert_int_eq(run(register_command, GOOD, NULL), 69);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("register");
    TCase *t = tcase_create("register");
    tcase_set_timeout(t, 60);
    tcase_add_unchecked_fixture(t, start_server, NULL);
    tcase_add_checked_fixture(t, begin, end);
    tcase_add_test(t, a_folder_is_loaded_whole);
    tcase_add_test(t, loading_again_changes_nothing);
    tcase_add_test(t, rows_are_updated_by_key_and_columns_that_a_file_lacks_stay);
    tcase_add_test(t, fan_numbers_are_stable);
    tcase_add_test(t, one_wrong_row_in_the_last_file_stores_nothing);
    tcase_add_test(t, errors_of_all_files_are_listed_against_rows_of_the_database_too);
    tcase_add_test(t, what_only_the_database_refuses_stores_nothing_either);
    tcase_add_test(t, a_hundred_errors_are_printed_and_the_rest_counted);
    tcase_add_test(t, a_file_that_is_no_part_of_the_register_is_refused);
    tcase_add_test(t, history_in_a_folder_is_left_with_a_notice);
    tcase_add_test(t, a_folder_without_register_is_refused);
    tcase_add_test(t, results_are_printed_as_json_when_asked);
    tcase_add_test(t, texts_with_quotes_braces_and_line_ends_come_back_as_they_are);
    tcase_add_test(t, work_comes_from_a_file_of_any_name);
    tcase_add_test(t, work_comes_from_options);
    tcase_add_test(t, work_without_enough_to_go_by_is_wrong_usage);
    tcase_add_test(t, readings_are_imported_once);
    tcase_add_test(t, imported_readings_of_closed_days_are_summarised);
    tcase_add_test(t, a_file_of_history_with_an_error_stores_nothing);
    tcase_add_test(t, many_readings_come_back_exactly);
    tcase_add_test(t, conditions_are_imported_once_and_become_episodes);
    tcase_add_test(t, journal_rows_hold_either_closed_hours_or_open_ones);
    tcase_add_test(t, a_database_is_prepared_once);
    tcase_add_test(t, a_database_that_does_not_answer_is_69);
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
