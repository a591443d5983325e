#include "import_rows.h"

#include "base/clock.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct arena *mem;
static struct things drives, axes, fans;

/* 2026-03-02T06:00:00Z: date -u -d 2026-03-02T06:00:00Z +%s */
static const int64_t NOW_US = INT64_C(1772431200) * US_PER_S;

static void begin(void)
{
    mem = arena_new(1 << 20);
    things_init(&drives, mem);
    things_init(&axes, mem);
    things_init(&fans, mem);
    struct thing *t = things_put(&drives, "mill-x");
    t->site = "north";
    t->machine = "mill";
    t = things_put(&fans, "mill-x\1internal-1");
    t->site = "north";
    t->number = 7;
    t = things_put(&axes, "mill.Y");
    t->site = "north";
    t->machine = "mill";
    t->of = "mill-x";
    t = things_put(&axes, "mill.Z");
    t->site = "north";
    t->machine = "mill";
}

static void end(void)
{
    arena_free(mem);
}

/* Each row as text, or what is wrong with it. */
struct told {
    struct import_layout layout;
    bool has_header;
    char text[1000];
};

static const char *or_none(const char *text)
{
    return text ? text : "none";
}

static void tell(struct told *t, const struct csv_row *row, const struct import_row *out)
{
    size_t n = strlen(t->text);
    char at[TIME_TEXT];
    time_format(out->at_us, at);
    if (t->layout.kind == IMPORT_READINGS)
        snprintf(t->text + n, sizeof t->text - n, "%d: %s fan %u %s %d%s\n", row->line, out->site,
                 out->reading.fan_no, at, out->reading.milli_rpm, out->no_zone ? " no zone" : "");
    else
        snprintf(t->text + n, sizeof t->text - n, "%d: %s %s %s %s %s %s '%s' '%s'\n", row->line, out->site,
                 out->machine, or_none(out->drive), or_none(out->axis), at, out->state, out->code, out->text);
}

static bool on_row(void *context, const struct csv_row *row, struct err *err)
{
    struct told *t = context;
    if (!t->has_header) {
        t->has_header = true;
        return import_header(row, &t->layout, err);
    }
    const struct import_register known = {&drives, &axes, &fans, NOW_US};
    struct import_row out;
    struct import_fault fault;
    if (import_row(&t->layout, &known, row, mem, &out, &fault)) {
        tell(t, row, &out);
    } else {
        size_t n = strlen(t->text);
        snprintf(t->text + n, sizeof t->text - n, "%d:%d: %s: %s\n", row->field_line[fault.field],
                 row->column[fault.field], fault.column, fault.why);
    }
    return true;
}

static const struct {
    const char *file, *told;
} files[] = {
    {"drive,position,read_at,rpm\nmill-x,internal-1,2026-03-01T00:00:00.5Z,8399.9\n"
     "mill-x,internal-1,2026-03-01T01:00:00,\n",
     "2: north fan 7 2026-03-01T00:00:00.500000Z 8399900\n"
     "3: north fan 7 2026-03-01T01:00:00Z -2147483648 no zone\n"},
    {"rpm,read_at,position,drive\n0,2026-03-02T06:00:00Z,internal-1,mill-x\n",
     "2: north fan 7 2026-03-02T06:00:00Z 0\n"},
    {"drive,position,read_at,rpm\nmill-y,internal-1,2026-03-01,1\nmill-x,internal-2,2026-03-01,1\n"
     "mill-x,internal-1,soon,1\nmill-x,internal-1,2026-03-02T06:00:01Z,1\nmill-x,internal-1,2026-03-01,fast\n"
     "mill-x,internal-1,2026-03-01,-1\nmill-x,internal-1,2026-03-01,100001\nmill-x,internal-1,2026-03-01\n",
     "2:1: drive: is not in the register; the nearest is 'mill-x'\n"
     "3:8: position: drive 'mill-x' has no fan there in the register\n"
     "4:19: read_at: is not a moment; write it like 2026-11-25T16:20:00Z\n"
     "5:19: read_at: lies in the future\n"
     "6:30: rpm: is not a speed in rev/min; write it like 3450, or leave it empty\n"
     "7:30: rpm: is out of range; allowed: 0 to 100000\n"
     "8:30: rpm: is out of range; allowed: 0 to 100000\n"
     "9:1: drive: the row has 3 fields, the header has 4\n"},
    {"drive,at,state,native_code,text\nmill-x,2026-03-01T00:00:00Z,warning,7041,Fan slow\n"
     "mill-x,2026-03-01T00:01:00Z,normal,,\n",
     "2: north mill mill-x none 2026-03-01T00:00:00Z warning '7041' 'Fan slow'\n"
     "3: north mill mill-x none 2026-03-01T00:01:00Z normal '' ''\n"},
    {"machine,axis,at,state\nmill,mill.Y,2026-03-01,alarm\nmill,mill.Z,2026-03-01,unavailable\n",
     "2: north mill mill-x mill.Y 2026-03-01T00:00:00Z alarm '' ''\n"
     "3: north mill none mill.Z 2026-03-01T00:00:00Z unavailable '' ''\n"},
    {"drive,machine,axis,at,state\n,lathe,mill.Y,2026-03-01,alarm\n,,,2026-03-01,alarm\n,mill,mill.X,2026-03-"
     "01,"
     "alarm\nmill-x,,,2026-03-01,alert\nmill-z,,,2026-03-01,alarm\n",
     "2:2: machine: is not the machine of axis 'mill.Y'; that is 'mill'\n"
     "3:1: drive: is empty, and so is axis; one of them is needed\n"
     "4:7: axis: is not in the register; the nearest is 'mill.Y'\n"
     "5:21: state: is not normal, warning, alarm or unavailable\n"
     "6:1: drive: is not in the register; the nearest is 'mill-x'\n"},
};

START_TEST(rows_are_read_or_told_what_is_wrong)
{
    struct told t = {.text = ""};
    struct err err = {0};
    ck_assert_msg(csv_read_bytes("x.csv", files[_i].file, strlen(files[_i].file), on_row, &t, &err), "%s",
                  err.text);
    ck_assert_str_eq(t.text, files[_i].told);
}
END_TEST

static const struct {
    const char *header, *text;
} headers[] = {
    {"a,b\n",
     "1:1: the header is neither that of readings (drive, position, read_at, rpm) nor that of conditions "
     "(drive or machine and axis, at, state, native_code, text)"},
    {"drive,position,read_at\n", "1:1: column 'rpm': is missing"},
    {"drive,posision,read_at,rpm\n", "1:7: column 'posision': is not known here; the nearest is 'position'"},
    {"drive,position,read_at,rpm,rpm\n", "1:28: column 'rpm': stands there twice"},
    {"drive,state\n", "1:1: column 'at': is missing"},
    {"machine,at,state\n", "1:1: column 'drive', or 'machine' and 'axis': is missing"},
};

START_TEST(a_header_that_is_neither_is_refused)
{
    struct told t = {.text = ""};
    struct err err = {0};
    ck_assert(!csv_read_bytes("x.csv", headers[_i].header, strlen(headers[_i].header), on_row, &t, &err));
    ck_assert_str_eq(err.text, headers[_i].text);
}
END_TEST

#define COUNT(a) ((int)(sizeof(a) / sizeof *(a)))

int main(void)
{
    Suite *s = suite_create("import");
    TCase *t = tcase_create("import");
    tcase_add_checked_fixture(t, begin, end);
    tcase_add_loop_test(t, rows_are_read_or_told_what_is_wrong, 0, COUNT(files));
    tcase_add_loop_test(t, a_header_that_is_neither_is_refused, 0, COUNT(headers));
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
