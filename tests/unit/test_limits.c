/*
 * Every limit of what comes from outside: one below it and the limit itself are taken, one more is refused
 * with its reason. The limits of bodies and headers are tested over HTTP (tests/faults), those of
 * credentials, XML refusals and blocks with their modules.
 */
#include "feed.h"
#include "fetch_url.h"
#include "mtconnect.h"
#include "mtconnect_xml.h"
#include "networks.h"
#include "poll.h"
#include "register_value.h"

#include "base/csv.h"

#include <check.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct arena *mem;
static struct document document;
static struct model model;

static void set_up(void)
{
    mem = arena_new((size_t)1 << 30);
}

static void tear_down(void)
{
    arena_free(mem);
}

/* n times the same text. */
static const char *times(size_t n, const char *text)
{
    size_t length = strlen(text);
    char *all = arena_alloc(mem, n * length + 1);
    for (size_t k = 0; k < n; k++)
        memcpy(all + k * length, text, length);
    return all;
}

/* --- the readings feed --- */

#define FRAME "{\"feed\":1,\"instance\":\"i\",\"created\":\"2026-03-02T08:00:05Z\""
#define BUFFER ",\"buffer\":{\"size\":9,\"first\":1,\"last\":9,\"next\":10}"
#define ONE "{\"sequence\":1,\"time\":\"2026-03-02T08:00:00Z\",\"device\":\"d\",\"item\":\"f\",\"value\":1}"

static bool feed_reads(const char *text, struct err *err)
{
    return feed_document(text, strlen(text), mem, &document, err);
}

static bool instance_of_feed(size_t n, struct err *err)
{
    return feed_reads(
        arena_printf(mem,
                     "{\"feed\":1,\"instance\":\"%s\",\"created\":\"2026-03-02T08:00:05Z\"" BUFFER
                     ",\"observations\":[]}",
                     times(n, "i")),
        err);
}

/* A text that is too long sets its own observation aside. */
static bool text_of_feed(size_t n, struct err *err)
{
    const char *text =
        arena_printf(mem,
                     FRAME BUFFER ",\"observations\":[{\"sequence\":1,\"time\":\"2026-03-02T08:00:00Z\","
                                  "\"device\":\"d\",\"item\":\"c\",\"state\":\"alarm\",\"text\":\"%s\"}]}",
                     times(n, "t"));
    ck_assert_msg(feed_reads(text, err), "%s", err->text);
    return document.refused == 0 || err_set(err, ERR_INPUT, "%s", document.refusals[0].reason);
}

static bool observations_of_feed(size_t n, struct err *err)
{
    return feed_reads(arena_printf(mem, FRAME BUFFER ",\"observations\":[%s" ONE "]}", times(n - 1, ONE ",")),
                      err);
}

static bool items_of_feed(size_t n, struct err *err)
{
    const char *item = "{\"device\":\"d\",\"item\":\"a\",\"kind\":\"power\"}";
    const char *text =
        arena_printf(mem, FRAME ",\"items\":[%s%s]}", times(n - 1, arena_printf(mem, "%s,", item)), item);
    return feed_model(text, strlen(text), mem, &model, err);
}

/* What counts is commas and opening brackets: 12 stand in the frame, one before each 0 of the list. */
static bool values_of_feed(size_t n, struct err *err)
{
    return feed_reads(
        arena_printf(mem, FRAME BUFFER ",\"observations\":[],\"more\":[%s0]}", times(n - 12, "0,")), err);
}

static bool depth_of_feed(size_t n, struct err *err)
{
    return feed_reads(arena_printf(mem, FRAME BUFFER ",\"observations\":[],\"more\":%s%s}", times(n - 1, "["),
                                   times(n - 1, "]")),
                      err);
}

/* --- MTConnect --- */

static bool streams(const char *in_component, struct err *err)
{
    const char *text = arena_printf(
        mem,
        "<MTConnectStreams><Header instanceId='1' nextSequence='9'/><Streams><DeviceStream uuid='d'>"
        "<ComponentStream>%s</ComponentStream></DeviceStream></Streams></MTConnectStreams>",
        in_component);
    return mtconnect_document(text, strlen(text), mem, &document, err);
}

static bool observations_of_xml(size_t n, struct err *err)
{
    return streams(
        arena_printf(mem, "<Samples>%s</Samples>",
                     times(n, "<L dataItemId='f' sequence='1' timestamp='2026-03-02T08:00:00Z'>1</L>")),
        err);
}

static bool depth_of_xml(size_t n, struct err *err)
{
    return streams(arena_printf(mem, "%s%s", times(n - 4, "<x>"), times(n - 4, "</x>")), err);
}

static bool attributes_of_xml(size_t n, struct err *err)
{
    char *all = arena_alloc(mem, n * 16);
    size_t length = 0;
    for (size_t k = 0; k < n; k++)
        length += (size_t)sprintf(all + length, " a%zu=''", k);
    return streams(arena_printf(mem, "<x%s/>", all), err);
}

static bool attribute_bytes_of_xml(size_t n, struct err *err)
{
    return streams(arena_printf(mem, "<x y='%s'/>", times(n, "z")), err);
}

/* A text that is too long sets its own observation aside. */
static bool text_of_xml(size_t n, struct err *err)
{
    const char *text = arena_printf(
        mem,
        "<Condition><Fault dataItemId='c' sequence='1' timestamp='2026-03-02T08:00:00Z'>%s</Fault>"
        "</Condition>",
        times(n, "t"));
    ck_assert_msg(streams(text, err), "%s", err->text);
    return document.refused == 0 || err_set(err, ERR_INPUT, "%s", document.refusals[0].reason);
}

/* --- whichever format --- */

static bool instance_of_source(size_t n, struct err *err)
{
    struct poll p;
    struct poll_result result;
    const struct document state = {
        .kind = DOCUMENT_OBSERVATIONS, .instance = times(n, "i"), .next_sequence = 1};
    ck_assert(poll_stand(&p, &(struct cursor){"", 0}, 0, TIME_UNKNOWN));
    return poll_answer(&p, &state, 1000, mem, &result, err) != POLL_FAILED;
}

static bool instance_of_cursor(size_t n, struct err *err)
{
    struct poll p;
    return poll_stand(&p, &(struct cursor){times(n, "i"), 1}, 0, TIME_UNKNOWN) ||
           err_set(err, ERR_INPUT, "the instance is too long");
}

/* --- settings and files --- */

static bool url_bytes(size_t n, struct err *err)
{
    struct url_facts facts;
    return url_check(arena_printf(mem, "http://h/%s", times(n - 9, "p")), &facts, err);
}

static bool host_bytes(size_t n, struct err *err)
{
    struct url_facts facts;
    return url_check(arena_printf(mem, "http://%s/", times(n, "h")), &facts, err);
}

static bool networks_of_site(size_t n, struct err *err)
{
    struct networks list;
    return networks_parse(times(n, "10.0.0.0/8 "), &list, err);
}

static bool note_row(void *context, const struct csv_row *row, struct err *err)
{
    (void)context;
    (void)row;
    (void)err;
    return true;
}

static bool bytes_of_csv_row(size_t n, struct err *err)
{
    const char *text = arena_printf(mem, "a\n%s\n", times(n - 1, "x"));
    return csv_read_bytes("x.csv", text, strlen(text), note_row, NULL, err);
}

static bool register_takes(enum column_type type, const char *letter, size_t n, struct err *err)
{
    const struct register_column column = {.name = "c", .type = type};
    const char *value = times(n, letter), *why = NULL;
    return register_value(&column, &value, 0, mem, &why) || err_set(err, ERR_INPUT, "%s", why);
}

static bool key_of_register(size_t n, struct err *err)
{
    return register_takes(COLUMN_KEY, "\xc3\xa4", n, err);
}

static bool name_of_register(size_t n, struct err *err)
{
    return register_takes(COLUMN_NAME, "\xc3\xa4", n, err);
}

static bool text_of_register(size_t n, struct err *err)
{
    return register_takes(COLUMN_TEXT, "\xc3\xa4", n, err);
}

static const struct {
    const char *name;
    bool (*takes)(size_t n, struct err *err);
    size_t limit;
    const char *reason;
} limits[] = {
    {"characters of an instance, feed", instance_of_feed, 4096,
     "'instance' must be a text of 1 to 4096 bytes"},
    {"bytes of a text, feed", text_of_feed, 4096, "'text' must be a text of at most 4096 bytes"},
    {"observations, feed", observations_of_feed, 100000, "more than 100000 observations"},
    {"items of a model, feed", items_of_feed, 100000, "more than 100000 items"},
    {"values, feed", values_of_feed, 1000000, "more than 1000000 values"},
    {"depth, feed", depth_of_feed, 2048, "maximum parsing depth reached"},
    {"observations, XML", observations_of_xml, 100000, "more than 100000 observations"},
    {"depth, XML", depth_of_xml, 64, "elements stand more than 64 deep"},
    {"attributes, XML", attributes_of_xml, 64, "more than 64 attributes"},
    {"bytes of an attribute, XML", attribute_bytes_of_xml, 4096, "longer than 4096 bytes"},
    {"bytes of a text, XML", text_of_xml, 65536, "its text is longer than 64 kB"},
    {"characters of an instance, source", instance_of_source, POLL_INSTANCE_TEXT - 1, "longer than 127"},
    {"characters of an instance, cursor", instance_of_cursor, POLL_LIFE_TEXT - 1, "too long"},
    {"bytes of an address", url_bytes, 4096, "the address is too long"},
    {"bytes of a host", host_bytes, 255, "the address is too long"},
    {"networks of a site", networks_of_site, 32, "32"},
    {"bytes of a row, CSV", bytes_of_csv_row, 1024 * 1024, "a row is longer than 1 MiB"},
    {"characters of a key, register", key_of_register, 64, "has 65 characters; at most 64"},
    {"characters of a name, register", name_of_register, 255, "has 256 characters; at most 255"},
    {"characters of a text, register", text_of_register, 2000, "has 2001 characters; at most 2000"},
};

START_TEST(a_limit_is_taken_and_one_more_is_refused)
{
    for (size_t n = limits[_i].limit - 1; n <= limits[_i].limit; n++) {
        struct err err = {0};
        ck_assert_msg(limits[_i].takes(n, &err), "%s: %zu: %s", limits[_i].name, n, err.text);
        arena_reset(mem);
    }
    struct err err = {0};
    ck_assert_msg(!limits[_i].takes(limits[_i].limit + 1, &err), "%s: one more is taken", limits[_i].name);
    ck_assert_msg(strstr(err.text, limits[_i].reason) != NULL, "%s: %s", limits[_i].name, err.text);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("limits");
    tcase_add_checked_fixture(t, set_up, tear_down);
    tcase_set_timeout(t, 240); /* with sanitizers, on a busy machine */
    tcase_add_loop_test(t, a_limit_is_taken_and_one_more_is_refused, 0, sizeof limits / sizeof *limits);
    Suite *s = suite_create("limits");
    suite_add_tcase(s, t);
    SRunner *runner = srunner_create(s);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
