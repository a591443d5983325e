#include "register_copy.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static struct arena *mem;
static struct register_copy copy;
static char dir[] = "/tmp/vaneward-copy-XXXXXX";

static void begin(void)
{
    struct err err = {0};
    mem = arena_new((size_t)1 << 28);
    ck_assert_ptr_nonnull(mkdtemp(dir));
    ck_assert(register_copy_open(&copy, dir, &err));
}

static void end(void)
{
    unlink(copy.path);
    rmdir(dir);
    arena_free(mem);
}

static struct bindings two_sources(void)
{
    static struct item_check checked = {.type = "ROTARY_VELOCITY", .units = "REVOLUTION/MINUTE"}, unseen;
    static const struct item_binding items[] = {
        {.device = "m1", .item = "f1", .role = ROLE_FAN_SPEED, .fan_no = 4000000000, .check = &checked},
        {.device = "m1",
         .item = "c1",
         .role = ROLE_AXIS_CONDITION,
         .drive = "d1",
         .axis = "x",
         .machine = "m1",
         .check = &unseen},
    };
    static struct cursor left[] = {{"1600000001", 77}, {"1600000002", 78}};
    struct source *all = arena_array(mem, struct source, 2);
    struct err err = {0};
    all[0] = (struct source){.site = "s1",
                             .source = "a",
                             .url = "http://10.1.0.5:5000/",
                             .credential = "hall-2",
                             .period_ms = 5000,
                             .cursor = {"1700000001", UINT64_C(1) << 62},
                             .lives = {left, 2},
                             .buffer_size = 131072,
                             .last_contact_us = -5,
                             .failures = 3};
    ck_assert(networks_parse("10.1.0.0/16 fd12:3::/32", &all[0].networks, &err));
    source_bind(&all[0], items, 2, mem);
    all[1] = (struct source){.site = "s2",
                             .source = "b",
                             .url = "https://feed/",
                             .is_feed = true,
                             .ca_file = "ca.pem",
                             .pinned_key = "sha256//x",
                             .period_ms = 1000,
                             .cursor = {"", 0},
                             .last_contact_us = TIME_UNKNOWN};
    source_bind(&all[1], NULL, 0, mem);
    return (struct bindings){all, 2};
}

START_TEST(what_is_kept_comes_back)
{
    struct bindings b = two_sources(), back;
    struct err err = {0};
    register_copy_keep(&copy, &b, 0);
    ck_assert_msg(register_copy_read(&copy, mem, &back, &err), "%s", err.text);
    ck_assert_uint_eq(back.count, 2);
    const struct source *s = &back.sources[0], *t = &back.sources[1];
    ck_assert_str_eq(s->site, "s1");
    ck_assert_str_eq(s->url, "http://10.1.0.5:5000/");
    ck_assert_str_eq(s->credential, "hall-2");
    ck_assert_ptr_null(s->ca_file);
    ck_assert(!s->is_feed && t->is_feed);
    ck_assert_int_eq(s->period_ms, 5000);
    ck_assert_str_eq(s->cursor.instance, "1700000001");
    ck_assert_uint_eq(s->cursor.next, UINT64_C(1) << 62);
    ck_assert_uint_eq(s->lives.count, 2);
    ck_assert_str_eq(s->lives.items[1].instance, "1600000002");
    ck_assert_uint_eq(s->lives.items[1].next, 78);
    ck_assert_uint_eq(t->lives.count, 0);
    ck_assert_uint_eq(s->buffer_size, 131072);
    ck_assert_int_eq(s->last_contact_us, -5);
    ck_assert_int_eq(s->failures, 3);
    ck_assert_mem_eq(&s->networks, &b.sources[0].networks, sizeof s->networks);
    ck_assert_uint_eq(s->item_count, 2);
    ck_assert_uint_eq(s->unseen, 1);
    const struct item_binding *f = source_item(s, "m1", NULL, "f1"), *c = source_item(s, "m1", NULL, "c1");
    ck_assert_uint_eq(f->fan_no, 4000000000);
    ck_assert_str_eq(f->check->units, "REVOLUTION/MINUTE");
    ck_assert_int_eq(c->role, ROLE_AXIS_CONDITION);
    ck_assert_str_eq(c->axis, "x");
    ck_assert_ptr_null(c->check->type);
    ck_assert_str_eq(t->pinned_key, "sha256//x");
    ck_assert_uint_eq(t->item_count, 0);
    ck_assert_str_eq(t->cursor.instance, "");
    ck_assert_int_eq(t->last_contact_us, TIME_UNKNOWN);
}
END_TEST

START_TEST(wherever_it_is_hurt_it_is_refused)
{
    struct bindings b = two_sources(), back;
    size_t size;
    const uint8_t *bytes = register_copy_encode(&b, mem, &size);
    uint8_t *hurt = arena_array(mem, uint8_t, size + 1);
    for (size_t at = 0; at <= size; at++) {
        struct err err = {0};
        memcpy(hurt, bytes, size);
        hurt[at] ^= 0x55;
        ck_assert_msg(!register_copy_decode(hurt, at < size ? size : size + 1, mem, &back, &err), "at %zu",
                      at);
        ck_assert_int_eq(err.kind, ERR_INPUT);
        if (at < size) {
            err_clear(&err);
            ck_assert_msg(!register_copy_decode(bytes, at, mem, &back, &err), "cut at %zu", at);
        }
    }
    ck_assert_uint_gt(size, 100);
}
END_TEST

START_TEST(where_there_is_none_that_is_said)
{
    struct bindings back;
    struct register_copy none;
    struct err err = {0};
    ck_assert(!register_copy_read(&copy, mem, &back, &err));
    ck_assert_int_eq(err.kind, ERR_INPUT);
    err_clear(&err);
    ck_assert(register_copy_open(&none, NULL, &err));
    ck_assert(!register_copy_read(&none, mem, &back, &err));
    ck_assert_str_eq(err.text, "no copy of the register is kept");
}
END_TEST

static uint64_t next_kept(void)
{
    struct bindings back;
    struct err err = {0};
    ck_assert_msg(register_copy_read(&copy, mem, &back, &err), "%s", err.text);
    return back.sources[1].cursor.next;
}

/* Positions alone are written every five minutes, a change of the register at once. */
START_TEST(it_is_written_when_the_register_changes_or_it_is_old)
{
    struct bindings b = two_sources();
    register_copy_keep(&copy, &b, 1000);
    b.sources[1].cursor.next = 1;
    register_copy_keep(&copy, &b, 1000 + 5 * 60 * 1000 - 1);
    ck_assert_uint_eq(next_kept(), 0);
    register_copy_keep(&copy, &b, 1000 + 5 * 60 * 1000);
    ck_assert_uint_eq(next_kept(), 1);
    b.sources[1].cursor.next = 2;
    b.sources[1].period_ms = 2000;
    register_copy_keep(&copy, &b, 1000 + 5 * 60 * 1000 + 1);
    ck_assert_uint_eq(next_kept(), 2);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("register_copy");
    TCase *c = tcase_create("register_copy");
    tcase_add_checked_fixture(c, begin, end);
    tcase_set_timeout(c, 60);
    tcase_add_test(c, what_is_kept_comes_back);
    tcase_add_test(c, wherever_it_is_hurt_it_is_refused);
    tcase_add_test(c, where_there_is_none_that_is_said);
    tcase_add_test(c, it_is_written_when_the_register_changes_or_it_is_old);
    suite_add_tcase(suite, c);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
