#include "block.h"

#include "base/clock.h"
#include "column.h"

#include <check.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A generator with a printed seed: xorshift64* (Vigna, "An experimental exploration of Marsaglia's xorshift
 * generators, scrambled", 2016). */
static uint64_t state;

static uint64_t draw(void)
{
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return state * UINT64_C(2685821657736338717);
}

static double uniform(void)
{
    return ((double)(draw() >> 11) + 0.5) / 0x1p53;
}

static double normal(void)
{
    return sqrt(-2 * log(uniform())) * cos(6.283185307179586 * uniform());
}

static struct arena *mem;

static void setup(void)
{
    mem = arena_new(SIZE_MAX);
    state = 88172645463325252;
}

static void teardown(void)
{
    arena_free(mem);
}

static size_t round_trip(const struct reading *in, size_t count, const char *shape)
{
    size_t bytes, back_count;
    struct reading *back;
    struct err err = {0};
    const uint8_t *block = block_encode(in, count, mem, &bytes);
    ck_assert_msg(block_decode(block, bytes, mem, &back, &back_count, &err), "%s of %zu: %s", shape, count,
                  err.text);
    ck_assert_uint_eq(back_count, count);
    for (size_t i = 0; i < count; i++)
        ck_assert_msg(back[i].fan_no == in[i].fan_no && back[i].at_us == in[i].at_us &&
                          back[i].milli_rpm == in[i].milli_rpm,
                      "%s of %zu: reading %zu", shape, count, i);
    return bytes;
}

enum { T0 = 20782 }; /* a day */

static struct reading regular(size_t i)
{
    return (struct reading){7, 2400000, T0 * US_PER_DAY + (int64_t)i * 10 * US_PER_S};
}

static struct reading jittered(size_t i)
{
    struct reading r = regular(i);
    r.at_us += (int64_t)(draw() % 40) * 1000;
    r.milli_rpm += (int32_t)(normal() * 9) * 1000;
    return r;
}

static struct reading with_outliers(size_t i)
{
    struct reading r = jittered(i);
    if (draw() % 50 == 0)
        r.milli_rpm = (int32_t)(draw() % 6000000);
    if (draw() % 100 == 0)
        r.at_us -= (int64_t)(draw() % 1000) * US_PER_S;
    return r;
}

static struct reading with_unavailable(size_t i)
{
    struct reading r = jittered(i);
    if (draw() % 3 == 0)
        r.milli_rpm = RPM_UNAVAILABLE;
    return r;
}

static struct reading never_available(size_t i)
{
    struct reading r = regular(i);
    r.milli_rpm = RPM_UNAVAILABLE;
    return r;
}

static struct reading many_fans(size_t i)
{
    struct reading r = jittered(i);
    r.fan_no = (uint32_t)(draw() % 1000000);
    r.milli_rpm = (int32_t)(draw() % 8000) * 1000;
    return r;
}

static struct reading backwards(size_t i)
{
    struct reading r = regular(i);
    r.at_us = -r.at_us;
    r.milli_rpm = -(int32_t)(i % 5000) * 100;
    return r;
}

static struct reading fine(size_t i)
{
    struct reading r = jittered(i);
    r.at_us += (int64_t)(draw() % 1000);
    r.milli_rpm += (int32_t)(draw() % 1000);
    return r;
}

static struct reading with_a_gap(size_t i)
{
    return jittered(i < 100 ? i : i + 5000);
}

static struct reading anything(size_t i)
{
    (void)i;
    return (struct reading){(uint32_t)draw(), (int32_t)draw(), (int64_t)draw()};
}

static struct reading extremes(size_t i)
{
    (void)i;
    static const int32_t speeds[] = {INT32_MIN, INT32_MIN + 1, -1, 0, 1, INT32_MAX - 1, INT32_MAX};
    static const int64_t times[] = {INT64_MIN, INT64_MIN + 1, -1, 0, 1, INT64_MAX - 1, INT64_MAX};
    static const uint32_t fans[] = {0, 1, UINT32_MAX};
    return (struct reading){fans[draw() % 3], speeds[draw() % 7], times[draw() % 7]};
}

static const struct {
    const char *name;
    struct reading (*make)(size_t);
} shapes[] = {
    {"regular", regular},
    {"jittered", jittered},
    {"with outliers", with_outliers},
    {"with unavailable", with_unavailable},
    {"never available", never_available},
    {"many fans", many_fans},
    {"backwards", backwards},
    {"fine", fine},
    {"with a gap", with_a_gap},
    {"anything", anything},
    {"extremes", extremes},
};

START_TEST(readings_of_any_shape_come_back_exactly)
{
    static const size_t sizes[] = {1, 2, 3, 7, 8, 9, 63, 64, 65, 360, 1023, 1025, 8640};
    enum { MOST = 8640 };
    struct reading *in = arena_array(mem, struct reading, MOST);
    for (size_t k = 0; k < sizeof sizes / sizeof *sizes; k++) {
        for (size_t i = 0; i < sizes[k]; i++)
            in[i] = shapes[_i].make(i);
        round_trip(in, sizes[k], shapes[_i].name);
    }
    for (int k = 0; k < 300; k++) {
        size_t count = 1 + draw() % 40;
        for (size_t i = 0; i < count; i++)
            in[i] = shapes[_i].make(i);
        round_trip(in, count, shapes[_i].name);
    }
}
END_TEST

START_TEST(the_largest_block_comes_back)
{
    struct reading *in = arena_array(mem, struct reading, BLOCK_MAX_READINGS);
    for (size_t i = 0; i < BLOCK_MAX_READINGS; i++)
        in[i] = jittered(i);
    round_trip(in, BLOCK_MAX_READINGS, "jittered");
}
END_TEST

START_TEST(what_does_not_change_costs_nothing)
{
    struct reading *in = arena_array(mem, struct reading, 8640);
    for (size_t i = 0; i < 8640; i++)
        in[i] = regular(i);
    ck_assert_uint_le(round_trip(in, 8640, "regular"), 40);
}
END_TEST

/*
 * A fan-day as it comes from a gateway: a poll every 10 s, up to 40 ms late, stamps of 1 ms, whole rev/min,
 * noise of first-order autoregression 0.7 with a standard deviation near 9. Its entropy is 5.3 bit of time
 * and 4.7 bit of speed, 1.26 bytes.
 */
START_TEST(a_fan_day_takes_little_more_than_its_entropy)
{
    enum { POLLS = 8640, FANS = 10 };
    struct reading *in = arena_array(mem, struct reading, POLLS);
    size_t bytes = 0;
    for (uint32_t fan = 0; fan < FANS; fan++) {
        double base = 2200 + uniform() * 6000, noise = 0;
        int64_t phase_ms = (int64_t)(draw() % 10000);
        for (size_t i = 0; i < POLLS; i++) {
            noise = 0.7 * noise + 6.4 * normal();
            in[i] = (struct reading){fan, (int32_t)(base + noise) * 1000,
                                     T0 * US_PER_DAY + (int64_t)i * 10 * US_PER_S +
                                         (phase_ms + (int64_t)(draw() % 40)) * 1000};
        }
        bytes += round_trip(in, POLLS, "a fan-day");
    }
    double each = (double)bytes / (POLLS * FANS);
    printf("%.3f bytes a reading of a fan-day\n", each);
    ck_assert_msg(each <= 1.6, "%.3f bytes", each);
}
END_TEST

START_TEST(a_gap_or_a_spike_does_not_widen_a_block)
{
    enum { POLLS = 360 };
    struct reading in[POLLS];
    for (size_t i = 0; i < POLLS; i++)
        in[i] = jittered(i);
    size_t plain = round_trip(in, POLLS, "jittered");
    in[100].milli_rpm = 0;
    in[200].milli_rpm = 9999000;
    ck_assert_uint_le(round_trip(in, POLLS, "with spikes"), plain + 30);
    for (size_t i = 0; i < POLLS; i++)
        in[i] = with_a_gap(i);
    ck_assert_uint_le(round_trip(in, POLLS, "with a gap"), plain + plain / 10 + 30);
}
END_TEST

/* Stored blocks must stay readable: these bytes were written by version 1. */
static const struct reading kept[] = {
    {3, 2400000, INT64_C(1795623600000000)},
    {3, 2401000, INT64_C(1795623610000000)},
    {4, RPM_UNAVAILABLE, INT64_C(1795623620000000)},
    {3, 2398000, INT64_C(1795623630500000)},
    {9, 0, INT64_C(1795623640000000)},
};
static const uint8_t kept_block[] = {
    0x01, 0x05, 0x01, 0x06, 0x00, 0x03, 0x00, 0x08, 0x0c, 0x01, 0x02, 0x80, 0xfe, 0x8d, 0xb8, 0xc2, 0x68,
    0xb8, 0x94, 0x01, 0x0a, 0x00, 0xf4, 0xd1, 0x87, 0x3e, 0x00, 0x01, 0x00, 0x00, 0x01, 0x00, 0x02, 0x03,
    0x03, 0xc0, 0x25, 0x99, 0xb3, 0x82, 0x2d, 0xdd, 0x03, 0x0b, 0x00, 0xc1, 0x73, 0x34, 0x00, 0x00,
};

START_TEST(version_1_stays_readable)
{
    size_t count;
    struct reading *back;
    struct err err = {0};
    ck_assert_msg(block_decode(kept_block, sizeof kept_block, mem, &back, &count, &err), "%s", err.text);
    ck_assert_uint_eq(count, 5);
    for (size_t i = 0; i < count; i++) {
        ck_assert_uint_eq(back[i].fan_no, kept[i].fan_no);
        ck_assert_int_eq(back[i].at_us, kept[i].at_us);
        ck_assert_int_eq(back[i].milli_rpm, kept[i].milli_rpm);
    }
}
END_TEST

static bool decodes(const uint8_t *bytes, size_t count, struct err *err)
{
    struct reading *back;
    size_t n;
    uint8_t *exact = malloc(count ? count : 1); /* so that one byte too far is found */
    struct arena *out = arena_new(SIZE_MAX);
    memcpy(exact, bytes, count);
    bool good = block_decode(exact, count, out, &back, &n, err);
    arena_free(out);
    free(exact);
    ck_assert(good || err->kind == ERR_INPUT);
    return good;
}

static void cut_everywhere(const char *name, struct reading (*make)(size_t))
{
    enum { COUNT = 60 };
    struct reading in[COUNT];
    size_t bytes;
    for (size_t i = 0; i < COUNT; i++)
        in[i] = make(i);
    const uint8_t *block = block_encode(in, COUNT, mem, &bytes);
    uint8_t *grown = arena_alloc(mem, bytes + 1);
    memcpy(grown, block, bytes);
    for (size_t n = 0; n <= bytes + 1; n++) {
        struct err err = {0};
        ck_assert_msg(decodes(grown, n, &err) == (n == bytes), "%s, %zu of %zu bytes", name, n, bytes);
    }
}

static void flip_every_bit(struct reading (*make)(size_t))
{
    enum { COUNT = 20 };
    struct reading in[COUNT];
    size_t bytes;
    for (size_t i = 0; i < COUNT; i++)
        in[i] = make(i);
    const uint8_t *block = block_encode(in, COUNT, mem, &bytes);
    uint8_t *flipped = arena_alloc(mem, bytes);
    memcpy(flipped, block, bytes);
    for (size_t bit = 0; bit < 8 * bytes; bit++) {
        struct err err = {0};
        flipped[bit / 8] ^= (uint8_t)(1 << bit % 8);
        (void)!decodes(flipped, bytes, &err);
        flipped[bit / 8] ^= (uint8_t)(1 << bit % 8);
    }
}

enum { SHAPES = sizeof shapes / sizeof *shapes };

START_TEST(a_block_cut_anywhere_or_grown_is_refused)
{
    for (int k = 0; k < SHAPES; k++)
        cut_everywhere(shapes[k].name, shapes[k].make);
}
END_TEST

START_TEST(a_flipped_bit_is_survived)
{
    for (int k = 0; k < SHAPES; k++)
        flip_every_bit(shapes[k].make);
}
END_TEST

static const struct {
    const char *what;
    uint8_t bytes[16];
    size_t count;
} damaged[] = {
    {"nothing", {0}, 0},
    {"a later version", {2, 1}, 2},
    {"no reading", {1, 0}, 2},
    {"too many readings", {1, 0xc1, 0x84, 0x3d}, 4},
    {"a count without end", {1, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x01}, 12},
    {"a fan below 0", {1, 1, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0}, 12},
    {"an unknown time unit", {1, 1, 0, 2, 3, 0, 0, 0, 0, 0, 0, 0}, 12},
    {"availability 2", {1, 1, 0, 2, 0, 0, 0, 0, 4, 0, 0, 0}, 12},
    {"a speed too large", {1, 1, 0, 2, 0, 0, 0, 0, 0, 3, 0, 0x80, 0xc7, 0x8c, 0x02}, 15},
};

START_TEST(a_damaged_block_is_refused)
{
    struct err err = {0};
    ck_assert_msg(!decodes(damaged[_i].bytes, damaged[_i].count, &err), "%s", damaged[_i].what);
    ck_assert(err.text[0]);
}
END_TEST

START_TEST(varints_of_every_length_come_back)
{
    for (int bits = 0; bits <= 64; bits++) {
        uint64_t v = bits == 64 ? UINT64_MAX : (UINT64_C(1) << bits) - 1, back;
        uint8_t bytes[VARINT_BYTES];
        struct byte_view in = {bytes, (size_t)(varint_put(bytes, v) - bytes)};
        ck_assert(varint_get(&in, &back));
        ck_assert(back == v && in.left == 0);
    }
}
END_TEST

static Suite *suite(void)
{
    Suite *s = suite_create("block");
    TCase *t = tcase_create("block");
    tcase_set_timeout(t, 60);
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_add_loop_test(t, readings_of_any_shape_come_back_exactly, 0, SHAPES);
    tcase_add_test(t, the_largest_block_comes_back);
    tcase_add_test(t, what_does_not_change_costs_nothing);
    tcase_add_test(t, a_fan_day_takes_little_more_than_its_entropy);
    tcase_add_test(t, a_gap_or_a_spike_does_not_widen_a_block);
    tcase_add_test(t, version_1_stays_readable);
    tcase_add_test(t, a_block_cut_anywhere_or_grown_is_refused);
    tcase_add_test(t, a_flipped_bit_is_survived);
    tcase_add_loop_test(t, a_damaged_block_is_refused, 0, sizeof damaged / sizeof *damaged);
    tcase_add_test(t, varints_of_every_length_come_back);
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
