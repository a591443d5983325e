#include "spool.h"

#include "segment.h"

#include <check.h>
#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static char folder[64];
static struct arena *mem;

static void begin(void)
{
    snprintf(folder, sizeof folder, "/tmp/test-spool-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    mem = arena_new((size_t)1 << 28);
}

static void each_file(void (*visit)(int dir, const char *name))
{
    int fd = open(folder, O_RDONLY | O_DIRECTORY);
    DIR *d = fdopendir(dup(fd));
    for (struct dirent *e; (e = readdir(d));)
        if (e->d_name[0] != '.')
            visit(fd, e->d_name);
    closedir(d);
    close(fd);
}

static void remove_file(int dir, const char *name)
{
    unlinkat(dir, name, 0);
}

static void end(void)
{
    each_file(remove_file);
    rmdir(folder);
    arena_free(mem);
}

/* Batch k of a source: k+1 readings; every third has a warning. */
static struct batch batch_of(uint64_t k)
{
    static const struct observation warning = {.sequence = 7,
                                               .at_us = 5,
                                               .category = CATEGORY_CONDITION,
                                               .device = "d",
                                               .item = "c",
                                               .type = "",
                                               .state = STATE_WARNING,
                                               .native_code = "Q-1",
                                               .value = "slow \xc3\xa9"};
    static const struct condition_row row = {.observation = &warning, .drive = "D1"};
    static struct gap_row gap = {.instance = "i",
                                 .from_sequence = 1,
                                 .to_sequence = 4,
                                 .from_us = TIME_UNKNOWN,
                                 .to_us = 9,
                                 .reason = "overrun"};
    struct batch b = {.site = "here",
                      .source = "s",
                      .received_us = (int64_t)k + 1000,
                      .from = {"i", k},
                      .to = {"i", k + 1},
                      .clock_offset_us = -3,
                      .buffer_size = 10,
                      .last_sequence = 99,
                      .reading_count = k + 1};
    b.readings = arena_array(mem, struct reading, b.reading_count);
    for (size_t n = 0; n < b.reading_count; n++)
        b.readings[n] = (struct reading){
            .fan_no = (uint32_t)(n % 5 + 1), .milli_rpm = (int32_t)(n * 997 + k), .at_us = (int64_t)n};
    if (k % 2) { /* of files they are not known */
        b.reading_sequences = arena_array(mem, uint64_t, b.reading_count);
        for (size_t n = 0; n < b.reading_count; n++)
            b.reading_sequences[n] = UINT64_MAX / (n * n * n + 1);
    }
    if (k % 3 == 0) {
        b.conditions = arena_array(mem, struct condition_row, 1);
        b.conditions[0] = row;
        b.condition_count = 1;
        b.gaps = &gap;
        b.gap_count = 1;
    }
    return b;
}

static void append(struct spool *s, uint64_t from, uint64_t count)
{
    struct err err = {0};
    for (uint64_t k = from; k < from + count; k++) {
        struct batch b = batch_of(k);
        ck_assert_msg(spool_append(s, &b, 1, &err), "%s", err.text);
    }
}

static void is_batch(const struct batch *b, uint64_t k, bool with_readings)
{
    struct batch want = batch_of(k);
    ck_assert_str_eq(b->site, want.site);
    ck_assert_uint_eq(b->from.next, k);
    ck_assert_str_eq(b->to.instance, "i");
    ck_assert_int_eq(b->received_us, want.received_us);
    ck_assert_uint_eq(b->condition_count, want.condition_count);
    ck_assert_uint_eq(b->reading_count, want.reading_count);
    if (b->condition_count) {
        ck_assert_str_eq(b->conditions[0].observation->value, "slow \xc3\xa9");
        ck_assert_ptr_null(b->conditions[0].axis);
        ck_assert_int_eq(b->gaps[0].from_us, TIME_UNKNOWN);
    }
    if (with_readings)
        ck_assert_mem_eq(b->readings, want.readings, want.reading_count * sizeof *want.readings);
    else
        ck_assert_ptr_null(b->readings);
    ck_assert_int_eq(b->reading_sequences != NULL, with_readings && want.reading_sequences);
    if (b->reading_sequences)
        ck_assert_mem_eq(b->reading_sequences, want.reading_sequences,
                         want.reading_count * sizeof *want.reading_sequences);
}

static struct spool *open_it(const struct spool_limits *limits)
{
    struct spool *s;
    struct err err = {0};
    ck_assert_msg(spool_open(&s, folder, limits, &err), "%s", err.text);
    return s;
}

static size_t oldest(struct spool *s, size_t most, struct spooled **got)
{
    struct err err = {0};
    size_t count;
    ck_assert_msg(spool_oldest(s, most, SIZE_MAX, mem, got, &count, &err), "%s", err.text);
    return count;
}

static size_t newest(struct spool *s, uint64_t before, size_t most, struct spooled **got)
{
    struct err err = {0};
    size_t count;
    ck_assert_msg(spool_newest_states(s, 0, before, most, mem, got, &count, &err), "%s", err.text);
    return count;
}

static const struct spool_limits small = {.max_bytes = 1 << 20, .segment_bytes = 600, .min_free = 0};

START_TEST(what_goes_in_comes_out_in_order_also_after_reopening)
{
    struct spool *s = open_it(&small);
    append(s, 0, 20);
    spool_close(s);
    s = open_it(&small);
    append(s, 20, 10);
    struct spooled *got;
    ck_assert_uint_eq(oldest(s, 100, &got), 30);
    for (uint64_t k = 0; k < 30; k++)
        is_batch(&got[k].batch, k, true);
    ck_assert_uint_eq(spool_state(s).batches, 30);
    ck_assert_int_eq(spool_state(s).oldest_us, 1000);
    spool_close(s);
}
END_TEST

START_TEST(what_is_done_gives_its_room_back)
{
    struct spool *s = open_it(&small);
    append(s, 0, 30);
    uint64_t before = spool_state(s).bytes;
    struct spooled *got;
    ck_assert_uint_eq(oldest(s, 10, &got), 10);
    spool_done(s, got[9].number);
    ck_assert_uint_lt(spool_state(s).bytes, before);
    ck_assert_uint_eq(oldest(s, 1, &got), 1);
    is_batch(&got[0].batch, 10, true);
    ck_assert_uint_eq(oldest(s, 100, &got), 20);
    spool_done(s, got[19].number);
    ck_assert(spool_empty(s));
    ck_assert_uint_eq(spool_state(s).bytes, 0);
    append(s, 30, 2);
    ck_assert_uint_eq(oldest(s, 100, &got), 2);
    is_batch(&got[0].batch, 30, true);
    spool_close(s);
}
END_TEST

START_TEST(newest_state_changes_come_first_without_readings)
{
    struct spool *s = open_it(&small);
    append(s, 0, 10);
    struct spooled *got;
    ck_assert_uint_eq(newest(s, 0, 3, &got), 3);
    is_batch(&got[0].batch, 9, false);
    is_batch(&got[1].batch, 6, false);
    is_batch(&got[2].batch, 3, false);
    ck_assert_uint_eq(newest(s, got[2].number, 3, &got), 1);
    is_batch(&got[0].batch, 0, false);
    spool_close(s);
}
END_TEST

START_TEST(when_full_the_oldest_readings_go_and_steps_stay)
{
    const struct spool_limits tight = {.max_bytes = 9000, .segment_bytes = 2000, .min_free = 0};
    struct spool *s = open_it(&tight);
    append(s, 0, 100);
    struct spool_state state = spool_state(s);
    ck_assert_uint_le(state.bytes, tight.max_bytes);
    ck_assert_uint_gt(state.readings_dropped, 0);
    struct spooled *got;
    ck_assert_uint_eq(oldest(s, 200, &got), 100);
    for (uint64_t k = 0; k < 100; k++)
        is_batch(&got[k].batch, k, k >= state.readings_dropped);
    spool_close(s);

    const struct spool_limits none = {.max_bytes = 100, .segment_bytes = 100, .min_free = 0};
    s = open_it(&none);
    struct batch b = batch_of(3);
    struct err err = {0};
    ck_assert(!spool_append(s, &b, 1, &err));
    ck_assert_int_eq(err.kind, ERR_OUTPUT);
    ck_assert_uint_eq(oldest(s, 200, &got), 100);
    spool_close(s);
}
END_TEST

START_TEST(on_a_disk_that_is_nearly_full_steps_go_on_without_readings)
{
    const struct spool_limits greedy = {.max_bytes = 1 << 20, .segment_bytes = 600, .min_free = 1};
    struct spool *s = open_it(&greedy);
    append(s, 0, 5);
    ck_assert_uint_eq(spool_state(s).readings_dropped, 5);
    struct spooled *got;
    ck_assert_uint_eq(oldest(s, 10, &got), 5);
    for (uint64_t k = 0; k < 5; k++)
        is_batch(&got[k].batch, k, false);
    spool_close(s);
}
END_TEST

START_TEST(it_knows_where_the_newest_batch_of_a_source_ends)
{
    struct spool *s = open_it(&small);
    struct cursor end;
    ck_assert(!spool_end(s, "s", &end));
    append(s, 0, 7);
    for (int again = 0; again < 2; again++) {
        ck_assert(spool_end(s, "s", &end));
        ck_assert_str_eq(end.instance, "i");
        ck_assert_uint_eq(end.next, 7);
        ck_assert(!spool_end(s, "another", &end));
        spool_close(s);
        s = open_it(&small);
    }
    struct spooled *got;
    ck_assert_uint_eq(oldest(s, 10, &got), 7);
    spool_done(s, got[6].number);
    ck_assert(!spool_end(s, "s", &end));
    spool_close(s);
}
END_TEST

START_TEST(it_knows_the_ends_of_many_sources)
{
    struct spool *s = open_it(&spool_usual_limits);
    struct cursor end;
    char name[32];
    for (uint64_t k = 0; k < 200; k++) {
        struct err err = {0};
        struct batch b = batch_of(k % 5);
        snprintf(name, sizeof name, "source-%d", (int)k);
        b.source = name;
        ck_assert(spool_append(s, &b, 1, &err));
    }
    for (uint64_t k = 0; k < 200; k++) {
        snprintf(name, sizeof name, "source-%d", (int)k);
        ck_assert(spool_end(s, name, &end));
        ck_assert_uint_eq(end.next, k % 5 + 1);
    }
    spool_close(s);
}
END_TEST

START_TEST(new_state_changes_alone_are_read_when_the_others_are_known)
{
    struct err err = {0};
    struct spooled *got;
    size_t count;
    struct spool *s = open_it(&small);
    append(s, 0, 10);
    ck_assert(spool_newest_states(s, 0, 0, 1, mem, &got, &count, &err));
    uint64_t known = got[0].number;
    ck_assert(spool_newest_states(s, known, 0, 5, mem, &got, &count, &err));
    ck_assert_uint_eq(count, 0);
    append(s, 12, 1);
    ck_assert(spool_newest_states(s, known, 0, 5, mem, &got, &count, &err));
    ck_assert_uint_eq(count, 1);
    is_batch(&got[0].batch, 12, false);
    spool_close(s);
}
END_TEST

START_TEST(what_is_set_aside_stays_in_a_file_of_its_own)
{
    struct spool *s = open_it(&small);
    append(s, 0, 1);
    struct spooled *got;
    struct err err = {0};
    char name[64], path[160];
    struct stat st;
    ck_assert_uint_eq(oldest(s, 1, &got), 1);
    ck_assert(spool_set_aside(s, &got[0].batch, 1, name, &err));
    spool_done(s, got[0].number);
    spool_close(s);
    s = open_it(&small);
    ck_assert(spool_empty(s));
    snprintf(path, sizeof path, "%s/%s", folder, name);
    ck_assert_int_eq(stat(path, &st), 0);
    ck_assert_int_gt(st.st_size, 48);
    spool_close(s);
}
END_TEST

START_TEST(a_look_from_outside_tells_size_and_age)
{
    uint64_t bytes;
    int64_t oldest_us;
    struct err err = {0};
    ck_assert(spool_look("/tmp/there-is-no-such-folder", &bytes, &oldest_us, &err));
    ck_assert_uint_eq(bytes, 0);
    ck_assert_int_eq(oldest_us, TIME_UNKNOWN);
    struct spool *s = open_it(&small);
    append(s, 0, 9);
    ck_assert(spool_look(folder, &bytes, &oldest_us, &err));
    ck_assert_uint_eq(bytes, spool_state(s).bytes);
    ck_assert_int_eq(oldest_us, 1000);
    spool_close(s);
    ck_assert(!spool_look("/dev/null", &bytes, &oldest_us, &err));
    ck_assert_int_eq(err.kind, ERR_SYSTEM);
}
END_TEST

START_TEST(a_look_from_outside_tells_the_disk)
{
    struct spool_disk disk;
    uint64_t reserve;
    char path[128];
    ck_assert(!spool_look_at_disk("/tmp/there-is-no-such-folder", &disk, &reserve));
    ck_assert(spool_look_at_disk(folder, &disk, &reserve));
    ck_assert_uint_eq(reserve, 0);
    ck_assert(disk.free >= 0 && disk.free <= 1);
    ck_assert(!disk.is_read_only);
    snprintf(path, sizeof path, "%s/reserve", folder);
    FILE *f = fopen(path, "wb");
    ck_assert_int_eq(fwrite("12345", 1, 5, f), 5);
    fclose(f);
    ck_assert(spool_look_at_disk(folder, &disk, &reserve));
    ck_assert_uint_eq(reserve, 5);
    ck_assert(spool_look_at_disk("/proc", &disk, &reserve)); /* no blocks at all */
    ck_assert_int_eq((int)disk.level, DISK_WELL);
}
END_TEST

START_TEST(swapped_segments_give_all_in_the_right_order)
{
    struct spool *s = open_it(&small);
    append(s, 0, 30);
    spool_close(s);
    char first[128], second[128], between[128];
    snprintf(between, sizeof between, "%s/between", folder);
    snprintf(first, sizeof first, "%s/steps-%010d.seg", folder, 2);
    for (int k = 3;; k++) {
        snprintf(second, sizeof second, "%s/steps-%010d.seg", folder, k);
        if (access(second, F_OK) == 0)
            break;
        ck_assert_int_lt(k, 100);
    }
    ck_assert(rename(first, between) == 0 && rename(second, first) == 0 && rename(between, second) == 0);
    s = open_it(&small);
    struct spooled *got;
    ck_assert_uint_eq(oldest(s, 100, &got), 30);
    for (uint64_t k = 0; k < 30; k++)
        is_batch(&got[k].batch, k, true);
    ck_assert_uint_eq(spool_state(s).damaged, 0);
    spool_close(s);
}
END_TEST

START_TEST(two_processes_cannot_hold_one_spool)
{
    struct spool *s = open_it(&small), *second;
    struct err err = {0};
    ck_assert(!spool_open(&second, folder, &small, &err));
    ck_assert_int_eq(err.kind, ERR_CONFIG);
    ck_assert_ptr_null(strstr(err.text, "%"));
    spool_close(s);
}
END_TEST

/* Every byte of a small spool hurt in turn, and every segment cut at every byte: all records but the hurt one
 * are there. */

static uint8_t *slurp(const char *path, size_t *size)
{
    FILE *f = fopen(path, "rb");
    struct stat st;
    fstat(fileno(f), &st);
    *size = (size_t)st.st_size;
    uint8_t *bytes = arena_alloc(mem, *size + 1);
    ck_assert_uint_eq(fread(bytes, 1, *size, f), *size);
    fclose(f);
    return bytes;
}

static void spill(const char *path, const uint8_t *bytes, size_t size)
{
    FILE *f = fopen(path, "wb");
    ck_assert_uint_eq(fwrite(bytes, 1, size, f), size);
    fclose(f);
}

enum { HURT = 25 }; /* batches, of two records each */

static void at_most_one_is_lost(size_t at, const char *what)
{
    struct arena *kept = mem;
    mem = arena_new((size_t)1 << 24);
    struct spool *s = open_it(&spool_usual_limits);
    struct spooled *got;
    size_t n = oldest(s, 100, &got), whole = 0;
    for (size_t k = 0; k < n; k++)
        whole += got[k].batch.readings != NULL;
    ck_assert_msg(n >= HURT - 1 && whole >= HURT - 1, "%s at byte %zu: %zu steps, %zu whole", what, at, n,
                  whole);
    ck_assert_msg(n + whole == 2 * HURT || spool_state(s).damaged > 0 || whole == HURT - 1,
                  "%s at byte %zu unnoticed", what, at);
    spool_close(s);
    arena_free(mem);
    mem = kept;
}

START_TEST(a_hurt_byte_costs_one_record)
{
    struct spool *s = open_it(&spool_usual_limits);
    append(s, 0, HURT);
    spool_close(s);
    const char *const names[] = {"steps", "readings"};
    for (int k = 0; k < 2; k++) {
        char path[128];
        snprintf(path, sizeof path, "%s/%s-%010d.seg", folder, names[k], k == 0 ? 2 : 1);
        size_t size;
        uint8_t *bytes = slurp(path, &size);
        for (size_t at = 0; at < size; at++) {
            bytes[at] ^= 0x41;
            spill(path, bytes, size);
            at_most_one_is_lost(at, names[k]);
            bytes[at] ^= 0x41;
        }
        spill(path, bytes, size);
    }
}
END_TEST

START_TEST(a_cut_end_costs_what_was_not_acknowledged)
{
    struct spool *s = open_it(&spool_usual_limits);
    append(s, 0, 10);
    spool_close(s);
    char path[128];
    snprintf(path, sizeof path, "%s/steps-%010d.seg", folder, 2);
    size_t size;
    uint8_t *bytes = slurp(path, &size);
    size_t before = 0;
    for (size_t cut = 0; cut <= size; cut++) {
        spill(path, bytes, cut);
        s = open_it(&spool_usual_limits);
        struct spooled *got;
        size_t n = oldest(s, 100, &got);
        ck_assert_uint_ge(n, before);
        for (size_t k = 0; k < n; k++)
            is_batch(&got[k].batch, k, true);
        before = n;
        spool_close(s);
        snprintf(path, sizeof path, "%s/readings-%010d.seg", folder, 1);
        if (n == 0)
            break; /* with nothing waiting the readings went: nothing further to cut */
        snprintf(path, sizeof path, "%s/steps-%010d.seg", folder, 2);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("spool");
    TCase *c = tcase_create("spool");
    tcase_add_checked_fixture(c, begin, end);
    tcase_set_timeout(c, 240);
    tcase_add_test(c, what_goes_in_comes_out_in_order_also_after_reopening);
    tcase_add_test(c, what_is_done_gives_its_room_back);
    tcase_add_test(c, newest_state_changes_come_first_without_readings);
    tcase_add_test(c, when_full_the_oldest_readings_go_and_steps_stay);
    tcase_add_test(c, on_a_disk_that_is_nearly_full_steps_go_on_without_readings);
    tcase_add_test(c, it_knows_where_the_newest_batch_of_a_source_ends);
    tcase_add_test(c, it_knows_the_ends_of_many_sources);
    tcase_add_test(c, new_state_changes_alone_are_read_when_the_others_are_known);
    tcase_add_test(c, a_look_from_outside_tells_the_disk);
    tcase_add_test(c, what_is_set_aside_stays_in_a_file_of_its_own);
    tcase_add_test(c, a_look_from_outside_tells_size_and_age);
    tcase_add_test(c, swapped_segments_give_all_in_the_right_order);
    tcase_add_test(c, two_processes_cannot_hold_one_spool);
    tcase_add_test(c, a_hurt_byte_costs_one_record);
    tcase_add_test(c, a_cut_end_costs_what_was_not_acknowledged);
    suite_add_tcase(suite, c);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
