#include "base/csv.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { SEEN_BYTES = 4000 };

/* Rows as text: "line:column=field|..." with the line only where it is not the row's, a row each line. */
struct seen {
    char text[SEEN_BYTES];
    int rows, stop_after; /* 0: never */
};

static bool note_row(void *context, const struct csv_row *row, struct err *err)
{
    struct seen *s = context;
    size_t n = strlen(s->text);
    for (size_t k = 0; k < row->count; k++) {
        n += (size_t)snprintf(s->text + n, sizeof s->text - n, "%s%d:%d=%s", k ? "|" : "", row->field_line[k],
                              row->column[k], row->field[k]);
        ck_assert(k || row->field_line[k] == row->line);
    }
    snprintf(s->text + n, sizeof s->text - n, "\n");
    if (++s->rows == s->stop_after)
        return err_set(err, ERR_INPUT, "enough");
    return true;
}

static const struct {
    const char *input, *rows;
} good[] = {
    {"", ""},
    {"\n\r\n  \n", ""},
    {"a,b\n1,2\n", "1:1=a|1:3=b\n2:1=1|2:3=2\n"},
    {"a,b\r\n1,2", "1:1=a|1:3=b\n2:1=1|2:3=2\n"},
    {"a\rb\r", "1:1=a\n2:1=b\n"},
    {"a\n\n\nb\n", "1:1=a\n4:1=b\n"},
    {"\xef\xbb\xbf"
     "a,b\n",
     "1:1=a|1:3=b\n"},
    {",x,\n", "1:1=|1:2=x|1:4=\n"},
    {",,\nx,,\n", "2:1=x|2:3=|2:4=\n"},
    {"  a ,\tb\t,c\n", "1:3=a|1:7=b|1:10=c\n"},
    {"\" a \",b\n", "1:1=a|1:7=b\n"},
    {"\"a,b\",\"c\"\"d\",\"\"\n", "1:1=a,b|1:7=c\"d|1:14=\n"},
    {"x,\"one\ntwo\",y\nz,1,2\n", "1:1=x|1:3=one\ntwo|2:6=y\n3:1=z|3:3=1|3:5=2\n"},
    {"x,\"one\r\ntwo\"\r\ny,2\r\n", "1:1=x|1:3=one\ntwo\n3:1=y|3:3=2\n"},
    {"Mühle,Öl,x\n", "1:1=Mühle|1:7=Öl|1:10=x\n"},
    {"日本,x\n", "1:1=日本|1:4=x\n"},
    {"#a,b\n", "1:1=#a|1:4=b\n"},
    {"a,b,\n", "1:1=a|1:3=b|1:5=\n"},
    {"a,", "1:1=a|1:3=\n"},
};

START_TEST(fields_come_with_their_places)
{
    struct seen seen = {0};
    struct err err = {0};
    ck_assert_msg(csv_read_bytes("x.csv", good[_i].input, strlen(good[_i].input), note_row, &seen, &err),
                  "%s", err.text);
    ck_assert_str_eq(seen.text, good[_i].rows);
}
END_TEST

static const struct {
    const char *input, *text;
} bad[] = {
    {"a,b\nx,y\"z\n", "x.csv:2:4: a quotation mark in the wrong place"},
    {"a\n\"x\"y\n", "x.csv:2:4: a quotation mark in the wrong place"},
    {"a,b\nü,\"x\"y\n", "x.csv:2:6: a quotation mark in the wrong place"},
    {"a\n\"x\ny\n", "x.csv:2:1: the quotation mark is never closed"},
    {"a,\"", "x.csv:1:3: the quotation mark is never closed"},
    {"a,M\xfchle\n", "x.csv:1:3: not UTF-8 text, or a control character in it"},
    {"a\nb\x01\n", "x.csv:2:1: not UTF-8 text, or a control character in it"},
    {"a\n\xed\xa0\x80\n", "x.csv:2:1: not UTF-8 text, or a control character in it"},
    {"\xff\xfe"
     "a\n",
     "x.csv:1:1: not UTF-8 text, or a control character in it"},
};

START_TEST(what_is_no_csv_is_refused_with_its_place)
{
    struct seen seen = {0};
    struct err err = {0};
    ck_assert(!csv_read_bytes("x.csv", bad[_i].input, strlen(bad[_i].input), note_row, &seen, &err));
    ck_assert_str_eq(err.text, bad[_i].text);
    ck_assert_int_eq(err.kind, ERR_INPUT);
}
END_TEST

START_TEST(a_nul_byte_is_refused)
{
    struct seen seen = {0};
    struct err err = {0};
    ck_assert(!csv_read_bytes("x.csv", "a,b\0c\n", 6, note_row, &seen, &err));
    ck_assert_str_eq(err.text, "x.csv:1:3: not UTF-8 text, or a control character in it");
}
END_TEST

START_TEST(a_row_without_end_is_refused_before_it_fills_the_memory)
{
    enum { SIZE = 3 << 20 };
    struct seen seen = {0};
    struct err err = {0};
    char *bytes = malloc(SIZE);
    memset(bytes, 'x', SIZE);
    memcpy(bytes, "a\n\"", 3);
    ck_assert(!csv_read_bytes("x.csv", bytes, SIZE, note_row, &seen, &err));
    ck_assert_str_eq(err.text, "x.csv:2:1: a row is longer than 1 MiB");
    free(bytes);
}
END_TEST

START_TEST(the_reader_can_be_stopped)
{
    struct seen seen = {.stop_after = 2};
    struct err err = {0};
    ck_assert(!csv_read_bytes("x.csv", "a\nb\nc\n", 6, note_row, &seen, &err));
    ck_assert_int_eq(seen.rows, 2);
    ck_assert_str_eq(err.text, "enough");
}
END_TEST

static const char *temporary(const char *bytes, size_t size)
{
    static char path[] = "/tmp/test_csv_XXXXXX";
    int fd = mkstemp(path);
    ck_assert(fd >= 0 && write(fd, bytes, size) == (ssize_t)size);
    close(fd);
    return path;
}

START_TEST(a_file_gives_what_its_bytes_give_across_all_borders)
{
    enum { ROWS = 9000 }; /* more than one read of the file */
    size_t n = 0;
    char *bytes = malloc(ROWS * 32);
    for (int k = 0; k < ROWS; k++)
        n += (size_t)snprintf(bytes + n, ROWS * 32 - n, "%d,\"ü\r\n%d\",x\r\n", k, k);
    const char *path = temporary(bytes, n);
    struct err err = {0};
    struct csv_table table;
    struct arena *mem = arena_new(64 << 20);
    ck_assert_msg(csv_load(path, mem, &table, &err), "%s", err.text);
    unlink(path);
    ck_assert_uint_eq(table.count, ROWS - 1);
    for (int k = 1; k < ROWS; k++) {
        char text[32];
        snprintf(text, sizeof text, "ü\n%d", k);
        ck_assert_str_eq(table.rows[k - 1].field[1], text);
        ck_assert_int_eq(table.rows[k - 1].line, 2 * k + 1);
        ck_assert_int_eq(table.rows[k - 1].field_line[2], 2 * k + 2);
        ck_assert_int_eq(table.rows[k - 1].column[2], (int)snprintf(NULL, 0, "%d\",", k) + 1);
    }
    arena_free(mem);
    free(bytes);
}
END_TEST

static const struct {
    const char *bytes, *text; /* text after the path; NULL: good */
} tables[] = {
    {"a,b\n1,2\n", NULL},
    {"a,b\n", NULL},
    {"", ":1:1: there is no header row"},
    {"a,b\n1\n", ":2:1: the row has 1 fields, the header has 2"},
    {"a,b\n1,2,3\n", ":2:1: the row has 3 fields, the header has 2"},
    {"a,b,a\n", ":1:5: column 'a' stands there twice"},
};

START_TEST(a_table_has_a_header_and_rows_of_its_width)
{
    struct err err = {0};
    struct csv_table table;
    struct arena *mem = arena_new(1 << 20);
    const char *path = temporary(tables[_i].bytes, strlen(tables[_i].bytes));
    bool good_table = csv_load(path, mem, &table, &err);
    unlink(path);
    ck_assert_int_eq(good_table, !tables[_i].text);
    if (!good_table)
        ck_assert_str_eq(err.text + strlen(path), tables[_i].text);
    else
        ck_assert(csv_column(&table, "b") == 1 && csv_column(&table, "c") == -1);
    arena_free(mem);
}
END_TEST

START_TEST(a_file_that_is_not_there_is_named)
{
    struct seen seen = {0};
    struct err err = {0};
    ck_assert(!csv_read("/nowhere/x.csv", note_row, &seen, &err));
    ck_assert_str_eq(err.text, "cannot open '/nowhere/x.csv': No such file or directory");
    err_clear(&err);
    ck_assert(!csv_read("/tmp", note_row, &seen, &err));
    ck_assert_str_eq(err.text, "cannot read '/tmp': Is a directory");
}
END_TEST

static const struct {
    const char *text, *written;
} cells[] = {
    {NULL, ""},           {"", ""},         {"plain", "plain"},    {"a,b", "\"a,b\""}, {"a\"b", "\"a\"\"b\""},
    {"a\nb", "\"a\nb\""}, {" a", "\" a\""}, {"=1+1", "'=1+1"},     {"+49", "'+49"},    {"-x", "'-x"},
    {"@here", "'@here"},  {"\tx", "'\tx"},  {"=a,b", "\"'=a,b\""}, {"3-4", "3-4"},
};

START_TEST(written_cells_are_quoted_and_guarded)
{
    char *text;
    size_t size;
    FILE *out = open_memstream(&text, &size);
    csv_write_text(out, cells[_i].text);
    fclose(out);
    ck_assert_str_eq(text, cells[_i].written);
    free(text);
}
END_TEST

#define COUNT(a) ((int)(sizeof(a) / sizeof *(a)))

int main(void)
{
    Suite *s = suite_create("csv");
    TCase *t = tcase_create("csv");
    tcase_add_loop_test(t, fields_come_with_their_places, 0, COUNT(good));
    tcase_add_loop_test(t, what_is_no_csv_is_refused_with_its_place, 0, COUNT(bad));
    tcase_add_test(t, a_nul_byte_is_refused);
    tcase_add_test(t, a_row_without_end_is_refused_before_it_fills_the_memory);
    tcase_add_test(t, the_reader_can_be_stopped);
    tcase_add_test(t, a_file_gives_what_its_bytes_give_across_all_borders);
    tcase_add_loop_test(t, a_table_has_a_header_and_rows_of_its_width, 0, COUNT(tables));
    tcase_add_test(t, a_file_that_is_not_there_is_named);
    tcase_add_loop_test(t, written_cells_are_quoted_and_guarded, 0, COUNT(cells));
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
