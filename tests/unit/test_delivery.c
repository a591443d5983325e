/*
 * Whatever order the observations of an answer stand in, and however often they come, what is to be stored is
 * the same: order is given by their numbers. From bytes to rows, for both formats.
 */
#include "feed.h"
#include "intake.h"
#include "mtconnect.h"

#include <check.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RECEIVED (INT64_C(1790000000) * US_PER_S)

enum { COUNT = 90, PAGE = 25, SEEDS = 60, MOST_IN_PAGE = 4 * COUNT };

typedef bool decode_fn(const char *, size_t, struct arena *, struct document *, struct err *);

static struct arena *mem;
static struct source source;
static uint64_t dice_state;

static const struct item_binding items[] = {
    {.device = "d", .item = "f1", .role = ROLE_FAN_SPEED, .fan_no = 1, .drive = "d1"},
    {.device = "d", .item = "f2", .role = ROLE_FAN_SPEED, .fan_no = 2, .drive = "d1"},
    {.device = "d", .item = "c", .role = ROLE_DRIVE_CONDITION, .drive = "d1", .machine = "m1"},
};

static void set_up(void)
{
    mem = arena_new(64 * 1024 * 1024);
    source = (struct source){.site = "s", .source = "a"};
    source_bind(&source, items, sizeof items / sizeof *items, mem);
}

static void tear_down(void)
{
    arena_free(mem);
}

static uint64_t dice(uint64_t below)
{
    dice_state = dice_state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (dice_state >> 33) % below;
}

/* What is said under a number is a function of the number: the same whenever it is said. */
static uint64_t fixed(uint64_t number, uint64_t below)
{
    return number * UINT64_C(2654435761) % UINT64_C(4294967291) % below;
}

/* Mostly an hour old; some three days late, some a day or three days ahead, some from another century. */
static void stamp_of(uint64_t number, char text[static TIME_TEXT])
{
    static const int64_t off_us[] = {-3 * US_PER_DAY, US_PER_DAY / 2, 3 * US_PER_DAY, -11000 * US_PER_DAY};
    int64_t at_us = RECEIVED - US_PER_HOUR + (int64_t)fixed(number, 600) * US_PER_S;
    if (number % 3 == 0)
        at_us += off_us[number / 3 % 4];
    time_format(at_us, text);
}

static const char *item_of(uint64_t number)
{
    return number % 5 == 0 ? "c" : number % 2 ? "f1" : "f2";
}

static void feed_observation(FILE *out, uint64_t n, bool first)
{
    char at[TIME_TEXT];
    stamp_of(n, at);
    fprintf(out, "%s{\"sequence\":%d,\"time\":\"%s\",\"device\":\"d\",\"item\":\"%s\",", first ? "" : ",",
            (int)n, at, item_of(n));
    if (n % 5 == 0)
        fprintf(out, "\"state\":\"%s\",\"code\":\"W%d\"}", n % 2 ? "warning" : "normal", (int)(n % 3));
    else if (n % 17 == 0)
        fprintf(out, "\"value\":null}");
    else
        fprintf(out, "\"value\":%d.5}", (int)fixed(n, 5000));
}

static void xml_observation(FILE *out, uint64_t n)
{
    char at[TIME_TEXT], value[16];
    stamp_of(n, at);
    snprintf(value, sizeof value, "%d.5", (int)fixed(n, 5000));
    if (n % 5 == 0)
        fprintf(out,
                "<Condition><%s dataItemId=\"c\" sequence=\"%d\" timestamp=\"%s\" type=\"SYSTEM\" "
                "nativeCode=\"W%d\"/></Condition>",
                n % 2 ? "Warning" : "Normal", (int)n, at, (int)(n % 3));
    else
        fprintf(out,
                "<Samples><RotaryVelocity dataItemId=\"%s\" sequence=\"%d\" timestamp=\"%s\">%s"
                "</RotaryVelocity></Samples>",
                item_of(n), (int)n, at, n % 17 == 0 ? "UNAVAILABLE" : value);
}

static char *answer_of(bool is_feed, const uint64_t *numbers, size_t count, uint64_t next, size_t *size)
{
    char *bytes;
    FILE *out = open_memstream(&bytes, size);
    if (is_feed)
        fprintf(
            out,
            "{\"feed\":1,\"instance\":\"i\",\"created\":\"2026-09-21T14:13:20Z\",\"buffer\":{\"size\":1000,"
            "\"first\":1,\"last\":%d,\"next\":%d},\"observations\":[",
            COUNT, (int)next);
    else
        fprintf(out,
                "<MTConnectStreams><Header creationTime=\"2026-09-21T14:13:20Z\" instanceId=\"i\" "
                "bufferSize=\"1000\" firstSequence=\"1\" lastSequence=\"%d\" nextSequence=\"%d\"/><Streams>"
                "<DeviceStream name=\"d\" uuid=\"d\"><ComponentStream component=\"Controller\" "
                "componentId=\"k\">",
                COUNT, (int)next);
    for (size_t k = 0; k < count; k++)
        if (is_feed)
            feed_observation(out, numbers[k], k == 0);
        else
            xml_observation(out, numbers[k]);
    fputs(is_feed ? "]}" : "</ComponentStream></DeviceStream></Streams></MTConnectStreams>", out);
    fclose(out);
    return bytes;
}

static void say_rows(FILE *rows, const struct batch *b)
{
    for (size_t k = 0; k < b->reading_count; k++)
        fprintf(rows, "fan %u at %lld: %d\n", b->readings[k].fan_no, (long long)b->readings[k].at_us,
                b->readings[k].milli_rpm);
    for (size_t k = 0; k < b->condition_count; k++) {
        const struct observation *o = b->conditions[k].observation;
        fprintf(rows, "condition %d at %lld: %d %s\n", (int)o->sequence, (long long)o->at_us, (int)o->state,
                o->native_code);
    }
    for (size_t k = 0; k < b->set_aside_count; k++)
        fprintf(rows, "aside %d: %s\n", (int)b->set_aside[k].sequence, b->set_aside[k].reason);
}

/* The way of one answer through decoder, cursor rule and intake. */
static void deliver(bool is_feed, struct poll *p, const uint64_t *numbers, size_t count, uint64_t next,
                    FILE *rows)
{
    struct document *d = arena_alloc(mem, sizeof *d);
    struct poll_result r;
    struct batch b;
    struct err err = {0};
    size_t size;
    char *bytes = answer_of(is_feed, numbers, count, next, &size);
    decode_fn *decode = is_feed ? feed_document : mtconnect_document;
    ck_assert_msg(decode(bytes, size, mem, d, &err), "%s", err.text);
    free(bytes);
    ck_assert_int_eq(poll_answer(p, d, RECEIVED, mem, &r, &err), POLL_COMPLETE);
    ck_assert(!r.gap_count);
    intake(&source, &r, RECEIVED, mem, &b);
    say_rows(rows, &b);
}

static int by_text(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

/* Rows of several batches as one table: in order of their text. */
static char *sorted(char *rows)
{
    char *lines[2 * COUNT], *table = arena_strdup(mem, "");
    size_t count = 0;
    for (char *line = strtok_r(rows, "\n", &rows); line; line = strtok_r(NULL, "\n", &rows)) {
        ck_assert_uint_lt(count, sizeof lines / sizeof *lines);
        lines[count++] = line;
    }
    qsort(lines, count, sizeof *lines, by_text);
    for (size_t k = 0; k < count; k++)
        table = arena_printf(mem, "%s%s\n", table, lines[k]);
    ck_assert_uint_eq(count, COUNT); /* each observation is one row of some kind */
    return table;
}

static char *in_order(bool is_feed)
{
    uint64_t numbers[COUNT];
    struct poll p;
    char *rows;
    size_t size;
    FILE *out = open_memstream(&rows, &size);
    ck_assert(poll_stand(&p, &(struct cursor){"i", 1}, 0, TIME_UNKNOWN));
    for (uint64_t n = 1; n <= COUNT; n++)
        numbers[n - 1] = n;
    deliver(is_feed, &p, numbers, COUNT, COUNT + 1, out);
    fclose(out);
    char *table = sorted(rows);
    free(rows);
    return table;
}

/* The numbers from..end-1, any of them again, any before them, in any order. */
static size_t disturbed_page(uint64_t from, uint64_t end, uint64_t *numbers)
{
    size_t count = 0;
    for (uint64_t n = from; n < end; n++)
        numbers[count++] = n;
    for (uint64_t more = dice(2 * PAGE); more > 0; more--)
        numbers[count++] = 1 + dice(end - 1);
    for (size_t k = count; k > 1; k--) {
        size_t other = (size_t)dice(k);
        uint64_t number = numbers[k - 1];
        numbers[k - 1] = numbers[other];
        numbers[other] = number;
    }
    return count;
}

static char *in_any_order(bool is_feed)
{
    uint64_t numbers[MOST_IN_PAGE];
    struct poll p;
    char *rows;
    size_t size;
    FILE *out = open_memstream(&rows, &size);
    ck_assert(poll_stand(&p, &(struct cursor){"i", 1}, 0, TIME_UNKNOWN));
    while (p.next <= COUNT) {
        uint64_t end = p.next + 1 + dice(PAGE);
        end = end > COUNT + 1 ? COUNT + 1 : end;
        size_t count = disturbed_page(p.next, end, numbers);
        for (uint64_t times = 1 + dice(3); times > 0; times--) /* the whole answer comes again, too */
            deliver(is_feed, &p, numbers, count, end, out);
    }
    fclose(out);
    char *table = sorted(rows);
    free(rows);
    return table;
}

START_TEST(any_permutation_with_repeats_gives_the_same_rows)
{
    bool is_feed = _i % 2;
    dice_state = (uint64_t)_i * 7919 + 1;
    char *usual = in_order(is_feed);
    ck_assert_ptr_nonnull(strstr(usual, "more than a day ahead"));
    ck_assert_ptr_nonnull(strstr(usual, "more than ten years back"));
    ck_assert_str_eq(in_any_order(is_feed), usual);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("delivery");
    tcase_add_checked_fixture(t, set_up, tear_down);
    tcase_add_loop_test(t, any_permutation_with_repeats_gives_the_same_rows, 0, 2 * SEEDS);
    Suite *s = suite_create("delivery");
    suite_add_tcase(s, t);
    SRunner *runner = srunner_create(s);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
