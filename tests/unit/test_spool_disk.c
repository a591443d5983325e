/* The spool on a disk that fails, fills up and loses power. */
#include "batch_bytes.h"
#include "frail_disk.h"
#include "spool.h"

#include <check.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static char folder[64];
static struct arena *mem;
static uint64_t seed;
static const struct spool_limits roomy = {.max_bytes = 1 << 20, .segment_bytes = 900, .min_free = 0};

static void empty_folder(void)
{
    DIR *d = opendir(folder);
    for (struct dirent *e; (e = readdir(d));)
        if (e->d_name[0] != '.')
            unlinkat(dirfd(d), e->d_name, 0);
    closedir(d);
}

static void begin(void)
{
    snprintf(folder, sizeof folder, "/tmp/test-spool-disk-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    mem = arena_new((size_t)1 << 28);
    frail_begin(folder, 1);
}

static void end(void)
{
    frail_begin(folder, 1);
    empty_folder();
    rmdir(folder);
    arena_free(mem);
}

static int open_fds(void)
{
    int n = 0;
    DIR *d = opendir("/proc/self/fd");
    for (const struct dirent *e; (e = readdir(d));)
        n += e->d_name[0] != '.';
    closedir(d);
    return n;
}

/* Batch k of the source: every third has a warning. */
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
                                               .value = "slow"};
    static struct condition_row row = {.observation = &warning, .drive = "D1"};
    struct batch b = {.site = "here",
                      .source = "s",
                      .received_us = (int64_t)k + 1000,
                      .from = {"i", k},
                      .to = {"i", k + 1},
                      .clock_offset_us = -3,
                      .conditions = &row,
                      .condition_count = k % 3 == 0,
                      .reading_count = 1 + k % 60};
    b.readings = arena_array(mem, struct reading, b.reading_count);
    for (size_t n = 0; n < b.reading_count; n++)
        b.readings[n] = (struct reading){.fan_no = (uint32_t)(n % 5 + 1),
                                         .milli_rpm = (int32_t)((n * 2654435761u + k * 40503u) % 6000000),
                                         .at_us = (int64_t)(n * n)};
    return b;
}

static struct spool *open_it(const struct spool_limits *limits)
{
    struct spool *s;
    struct err err = {0};
    ck_assert_msg(spool_open_on(&s, &frail_disk, folder, limits, &err), "seed %" PRIu64 ": %s", seed,
                  err.text);
    return s;
}

static bool append(struct spool *s, uint64_t k, uint64_t count, struct err *err)
{
    struct batch batches[4];
    ck_assert_uint_le(count, 4);
    for (uint64_t n = 0; n < count; n++)
        batches[n] = batch_of(k + n);
    err_clear(err);
    return spool_append(s, batches, count, err);
}

/* Everything, as it was given; returns k. *whole: with its readings. */
static uint64_t is_sound(const struct batch *b, bool *whole)
{
    size_t size, want_size;
    struct batch want = batch_of(b->from.next);
    const uint8_t *bytes = batch_step_encode(b, mem, &size),
                  *wanted = batch_step_encode(&want, mem, &want_size);
    ck_assert_msg(size == want_size && memcmp(bytes, wanted, size) == 0, "seed %" PRIu64 ": step %" PRIu64,
                  seed, b->from.next);
    *whole = b->readings;
    ck_assert_msg(!b->readings ||
                      memcmp(b->readings, want.readings, b->reading_count * sizeof *b->readings) == 0,
                  "seed %" PRIu64 ": readings %" PRIu64, seed, b->from.next);
    return b->from.next;
}

/* What a spool has taken, by k. */
enum { MOST = 1024 };
struct ledger {
    uint64_t next;             /* k of the next batch */
    bool is_taken[MOST];       /* acknowledged, and not yet stored */
    uint64_t dropped, damaged; /* as the spool tells */
};

static void close_it(struct spool *s, struct ledger *l)
{
    l->dropped += spool_state(s).readings_dropped;
    spool_close(s);
}

/* Every batch that was taken is there; what was dropped was told. */
static void compare(struct spool *s, const struct ledger *l)
{
    struct spooled *got;
    struct err err = {0};
    size_t count;
    bool seen[MOST] = {0}, seen_whole[MOST] = {0}, whole;
    uint64_t missing = 0;
    ck_assert_msg(spool_oldest(s, SIZE_MAX, SIZE_MAX, mem, &got, &count, &err), "%s", err.text);
    for (size_t n = 0; n < count; n++) {
        uint64_t k = is_sound(&got[n].batch, &whole);
        ck_assert_uint_lt(k, l->next);
        seen[k] = true;
        seen_whole[k] |= whole;
    }
    for (uint64_t k = 0; k < l->next; k++) {
        ck_assert_msg(!l->is_taken[k] || seen[k], "seed %" PRIu64 ": step %" PRIu64 " is lost", seed, k);
        missing += l->is_taken[k] && !seen_whole[k];
    }
    uint64_t told = l->dropped + spool_state(s).readings_dropped;
    ck_assert_msg(missing <= told,
                  "seed %" PRIu64 ": readings of %" PRIu64 " batches are lost, %" PRIu64 " told", seed,
                  missing, told);
}

static void store_some(struct spool *s, struct ledger *l)
{
    struct spooled *got;
    struct err err = {0};
    size_t count;
    if (!spool_oldest(s, 1 + frail_dice(6), SIZE_MAX, mem, &got, &count, &err) || !count)
        return;
    for (size_t n = 0; n < count; n++) {
        bool whole;
        l->is_taken[is_sound(&got[n].batch, &whole)] = false;
    }
    spool_done(s, got[count - 1].number);
}

/* Until the power goes, or so many steps. */
static void live(struct ledger *l, int steps)
{
    struct err err;
    struct spool *s;
    if (!spool_open_on(&s, &frail_disk, folder, &roomy, &(struct err){0}))
        return; /* dark already, or at fault */
    for (int step = 0; step < steps && !frail_is_dark() && l->next + 4 < MOST; step++) {
        uint64_t count = 1 + frail_dice(3);
        bool taken = false;
        if (frail_dice(6) == 0) {
            store_some(s, l);
            continue;
        }
        for (int again = 0; again < 3 && !taken; again++)
            taken = append(s, l->next, count, &err);
        for (uint64_t k = l->next; taken && k < l->next + count; k++)
            l->is_taken[k] = true;
        l->next += count;
    }
    close_it(s, l);
}

static void one_life(uint64_t with_seed)
{
    struct ledger l = {0};
    seed = with_seed;
    empty_folder();
    frail_begin(folder, seed);
    for (int loss = 0; loss < 3; loss++) {
        frail_fail_by_chance(frail_dice(3) ? 0 : 4 + frail_dice(20));
        frail_cut_power(1 + frail_dice(160));
        live(&l, 60);
        frail_fail_by_chance(0);
        frail_restart();
        struct spool *s = open_it(&roomy);
        compare(s, &l);
        close_it(s, &l);
        arena_reset(mem);
    }
}

START_TEST(after_a_power_loss_all_that_was_acknowledged_comes_back)
{
    const char *fixed = getenv("VANEWARD_SEED"), *is_long = getenv("VANEWARD_LONG");
    uint64_t first = fixed ? strtoull(fixed, NULL, 10) : (uint64_t)time(NULL) * 1000;
    uint64_t lives = is_long && *is_long == '1' ? 10000 : 100;
    printf("seeds from %" PRIu64 " (VANEWARD_SEED=... repeats them), %" PRIu64 " lives\n", first, lives);
    fflush(stdout);
    for (uint64_t k = 0; k < lives; k++)
        one_life(first + k);
}
END_TEST

/* Faults, one by one. */

static const struct {
    enum frail_call call;
    int why;
    const char *name;
} faults[] = {
    {FRAIL_OPEN, EMFILE, "open"},
    {FRAIL_CREATE, EROFS, "create, read-only"},
    {FRAIL_CREATE, ENOSPC, "create, full"},
    {FRAIL_WRITE, EIO, "write"},
    {FRAIL_WRITE, ENOSPC, "write, full"},
    {FRAIL_WRITE, 0, "short write"},
    {FRAIL_WRITE, EINTR, "interrupted"},
    {FRAIL_TRUNCATE, EIO, "truncate"},
    {FRAIL_SYNC, EIO, "sync"},
    {FRAIL_SYNC, ENOSPC, "sync, full"},
    {FRAIL_SYNC_FOLDER, EIO, "folder"},
    {FRAIL_UNLINK, EIO, "unlink"},
    {FRAIL_ALLOCATE, ENOSPC, "reserve"},
    {FRAIL_SYNC, EDQUOT, "sync, quota"},
};

/* The n-th call fails, once or from then on; then the power goes. What was acknowledged is there. */
START_TEST(a_failed_call_costs_nothing_that_was_acknowledged)
{
    for (int for_ever = 0; for_ever < 2; for_ever++)
        for (uint64_t n = 1; n <= 12; n++) {
            if (for_ever && faults[_i].why == EINTR)
                continue; /* one that never ends is a hang of the system */
            struct ledger l = {0};
            seed = n;
            empty_folder();
            frail_begin(folder, n);
            (for_ever ? frail_fail_on : frail_fail)(faults[_i].call, n, faults[_i].why);
            live(&l, 12);
            frail_fail(faults[_i].call, 0, 0);
            frail_restart();
            struct spool *s = open_it(&roomy);
            compare(s, &l);
            close_it(s, &l);
            arena_reset(mem);
        }
    ck_assert_str_ne(faults[_i].name, "");
}
END_TEST

START_TEST(a_failed_sync_is_not_tried_again_on_the_same_file)
{
    struct err err = {0};
    struct ledger l = {.next = 2, .is_taken = {true, true}};
    struct spool *s = open_it(&roomy);
    ck_assert(append(s, 0, 1, &err));
    frail_fail(FRAIL_SYNC, 1, EIO); /* of the readings */
    ck_assert_msg(append(s, 1, 1, &err), "%s", err.text);
    frail_fail(FRAIL_TRUNCATE, 1, EIO); /* and a file that cannot be put right */
    frail_fail(FRAIL_SYNC, 2, EIO);     /* of the steps */
    ck_assert_msg(append(s, 2, 1, &err), "%s", err.text);
    l.next = 3;
    l.is_taken[2] = true;
    spool_close(s);
    frail_restart();
    s = open_it(&roomy);
    compare(s, &l);
    ck_assert_uint_eq(spool_state(s).readings_dropped, 0);
    close_it(s, &l);
}
END_TEST

START_TEST(while_it_cannot_be_written_nothing_is_taken_and_nothing_dropped)
{
    struct err err = {0};
    struct ledger l = {0};
    int fds = open_fds();
    struct spool *s = open_it(&roomy);
    for (; l.next < 20; l.next++)
        l.is_taken[l.next] = append(s, l.next, 1, &err);
    const enum frail_call calls[] = {FRAIL_CREATE, FRAIL_WRITE, FRAIL_TRUNCATE, FRAIL_SYNC, FRAIL_UNLINK};
    for (size_t k = 0; k < sizeof calls / sizeof *calls; k++)
        frail_fail_on(calls[k], 1, EROFS);
    for (int again = 0; again < 5; again++) {
        ck_assert(!append(s, l.next, 3, &err));
        ck_assert_int_eq(err.kind, ERR_SYSTEM);
    }
    for (size_t k = 0; k < sizeof calls / sizeof *calls; k++)
        frail_fail(calls[k], 0, 0);
    ck_assert_uint_eq(spool_state(s).readings_dropped, 0);
    ck_assert(append(s, l.next, 1, &err));
    l.is_taken[l.next++] = true;
    compare(s, &l);
    close_it(s, &l);
    ck_assert_int_eq(open_fds(), fds);
}
END_TEST

START_TEST(a_segment_that_cannot_be_removed_goes_later)
{
    struct err err = {0};
    struct spooled *got;
    size_t count;
    struct spool *s = open_it(&roomy);
    for (uint64_t k = 0; k < 20; k++)
        ck_assert(append(s, k, 1, &err));
    ck_assert(spool_oldest(s, SIZE_MAX, SIZE_MAX, mem, &got, &count, &err));
    uint64_t bytes = spool_state(s).bytes;
    frail_fail_on(FRAIL_UNLINK, 1, EROFS);
    spool_done(s, got[count - 1].number);
    ck_assert(spool_empty(s));
    ck_assert_uint_eq(spool_state(s).bytes, bytes);
    frail_fail(FRAIL_UNLINK, 0, 0);
    ck_assert(append(s, 20, 1, &err));
    ck_assert(spool_oldest(s, SIZE_MAX, SIZE_MAX, mem, &got, &count, &err));
    ck_assert_uint_eq(count, 1);
    spool_done(s, got[0].number);
    ck_assert_uint_eq(spool_state(s).bytes, 0);
    spool_close(s);
}
END_TEST

/* Room. */

START_TEST(on_a_full_disk_the_reserve_goes_first_then_readings)
{
    struct spool_limits limits = roomy;
    struct err err = {0};
    struct ledger l = {0};
    limits.reserve_bytes = 1 << 20;
    frail_size(1 << 20, 1 << 19);
    struct spool *s = open_it(&limits);
    ck_assert_uint_eq(spool_state(s).reserve_bytes, 1 << 20);
    for (; l.next < 20; l.next++)
        l.is_taken[l.next] = append(s, l.next, 1, &err);
    frail_fail(FRAIL_WRITE, 1, ENOSPC);
    ck_assert(append(s, l.next, 1, &err)); /* once more is enough: nothing has to go */
    l.is_taken[l.next++] = true;
    ck_assert_uint_eq(spool_state(s).reserve_bytes, 1 << 20);
    frail_fail_on(FRAIL_WRITE, 1, ENOSPC);
    ck_assert(!append(s, l.next, 1, &err));
    ck_assert_int_eq(err.kind, ERR_OUTPUT);
    ck_assert_uint_eq(spool_state(s).reserve_bytes, 0);
    ck_assert_uint_gt(spool_state(s).readings_dropped, 0);
    frail_fail(FRAIL_WRITE, 0, 0);
    compare(s, &l);
    struct spooled *got;
    size_t count;
    ck_assert(spool_oldest(s, SIZE_MAX, SIZE_MAX, mem, &got, &count, &err));
    spool_done(s, got[count - 1].number);
    ck_assert_uint_eq(spool_state(s).reserve_bytes, 1 << 20); /* there is room again */
    spool_close(s);
}
END_TEST

static const struct {
    const char *name;
    uint64_t blocks, free, wanted, kept;
} reserves[] = {
    {"a large disk keeps what was asked for", 1 << 20, 1 << 19, 64 << 20, 64 << 20},
    {"a small one keeps a sixteenth", 1 << 12, 1 << 11, 64 << 20, 1 << 20},
    {"a tiny one keeps none", 100, 90, 64 << 20, 0},
    {"one that is nearly full keeps none", 1 << 20, 1 << 16, 64 << 20, 0},
    {"none is asked for", 1 << 20, 1 << 19, 0, 0},
};

START_TEST(the_reserve_fits_the_disk)
{
    struct spool_limits limits = spool_usual_limits;
    limits.reserve_bytes = reserves[_i].wanted;
    frail_size(reserves[_i].blocks, reserves[_i].free);
    struct spool *s = open_it(&limits);
    ck_assert_msg(spool_state(s).reserve_bytes == reserves[_i].kept, "%s", reserves[_i].name);
    spool_close(s);
}
END_TEST

START_TEST(low_and_short_disks_are_told)
{
    static const struct {
        uint64_t free;
        int level;
    } cases[] = {{500, DISK_WELL}, {201, DISK_WELL}, {199, DISK_LOW},
                 {101, DISK_LOW},  {99, DISK_SHORT}, {0, DISK_SHORT}};
    struct spool_limits limits = spool_usual_limits;
    struct spool_disk disk;
    struct err err = {0};
    limits.reserve_bytes = 0;
    for (size_t k = 0; k < sizeof cases / sizeof *cases; k++) {
        frail_size(1000, cases[k].free);
        struct spool *s = open_it(&limits);
        ck_assert(spool_disk(s, &disk));
        ck_assert_int_eq((int)disk.level, cases[k].level);
        ck_assert_double_eq_tol(disk.free, (double)cases[k].free / 1000, 1e-12);
        ck_assert(append(s, k, 1, &err));
        ck_assert_uint_eq(spool_state(s).readings_dropped, cases[k].level == DISK_SHORT);
        spool_close(s);
        empty_folder();
    }
}
END_TEST

START_TEST(a_reserve_that_cannot_be_made_is_done_without)
{
    static const enum frail_call calls[] = {FRAIL_CREATE, FRAIL_ALLOCATE};
    struct spool_limits limits = roomy;
    limits.reserve_bytes = 1 << 20;
    frail_size(1 << 20, 1 << 19);
    for (size_t k = 0; k < sizeof calls / sizeof *calls; k++) {
        frail_fail(calls[k], 1, ENOSPC);
        struct spool *s = open_it(&limits);
        ck_assert_uint_eq(spool_state(s).reserve_bytes, 0);
        spool_close(s);
    }
}
END_TEST

START_TEST(what_the_disk_does_not_give_back_is_damaged_or_comes_later)
{
    struct err err = {0};
    struct spooled *got;
    size_t count;
    struct spool *s = open_it(&roomy);
    for (uint64_t k = 0; k < 3; k++)
        ck_assert(append(s, k, 1, &err));
    frail_fail(FRAIL_OPEN, 1, EMFILE);
    ck_assert(!spool_oldest(s, SIZE_MAX, SIZE_MAX, mem, &got, &count, &err));
    ck_assert_int_eq(err.kind, ERR_SYSTEM);
    err_clear(&err);
    frail_fail(FRAIL_PREAD, 1, EIO);
    ck_assert(spool_oldest(s, SIZE_MAX, SIZE_MAX, mem, &got, &count, &err));
    ck_assert_uint_eq(count, 2);
    ck_assert_uint_eq(spool_state(s).damaged, 1);
    spool_close(s);
    frail_fail(FRAIL_OPEN, 1, EMFILE);
    ck_assert(!spool_open_on(&s, &frail_disk, folder, &roomy, &err));
    ck_assert_ptr_null(s);
    frail_fail(FRAIL_PREAD, 1, EIO); /* the whole file: a piece */
    s = open_it(&roomy);
    ck_assert_uint_gt(spool_state(s).damaged, 0);
    spool_close(s);
}
END_TEST

START_TEST(a_folder_that_cannot_be_made_or_synced_is_told)
{
    char inside[96], missing[96];
    struct spool *s;
    struct err err = {0};
    snprintf(inside, sizeof inside, "%s/inside", folder);
    snprintf(missing, sizeof missing, "%s/inside/missing", folder);
    ck_assert(!spool_open_on(&s, &frail_disk, missing, &roomy, &err));
    ck_assert_int_eq(err.kind, ERR_SYSTEM);
    err_clear(&err);
    frail_fail(FRAIL_SYNC_FOLDER, 1, EIO);
    ck_assert(!spool_open_on(&s, &frail_disk, inside, &roomy, &err));
    ck_assert_ptr_nonnull(strstr(err.text, "cannot sync the folder"));
    rmdir(inside);
}
END_TEST

START_TEST(batches_that_cannot_be_set_aside_are_not_said_to_be)
{
    static const enum frail_call calls[] = {FRAIL_CREATE, FRAIL_WRITE, FRAIL_SYNC};
    struct batch b[2];
    char name[64];
    struct spool *s = open_it(&roomy);
    b[0] = batch_of(0);
    b[1] = batch_of(1);
    b[1].reading_count = 0;
    b[1].readings = NULL;
    for (size_t k = 0; k < sizeof calls / sizeof *calls; k++) {
        struct err err = {0};
        frail_fail(calls[k], 1, EIO);
        ck_assert(!spool_set_aside(s, b, 2, name, &err));
        err_clear(&err);
        ck_assert(spool_set_aside(s, b, 2, name, &err));
    }
    spool_close(s);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("spool on a failing disk");
    TCase *c = tcase_create("disk");
    tcase_add_checked_fixture(c, begin, end);
    tcase_set_timeout(c, 1800);
    tcase_add_test(c, after_a_power_loss_all_that_was_acknowledged_comes_back);
    tcase_add_loop_test(c, a_failed_call_costs_nothing_that_was_acknowledged, 0,
                        sizeof faults / sizeof *faults);
    tcase_add_test(c, a_failed_sync_is_not_tried_again_on_the_same_file);
    tcase_add_test(c, while_it_cannot_be_written_nothing_is_taken_and_nothing_dropped);
    tcase_add_test(c, a_segment_that_cannot_be_removed_goes_later);
    tcase_add_test(c, on_a_full_disk_the_reserve_goes_first_then_readings);
    tcase_add_loop_test(c, the_reserve_fits_the_disk, 0, sizeof reserves / sizeof *reserves);
    tcase_add_test(c, low_and_short_disks_are_told);
    tcase_add_test(c, a_reserve_that_cannot_be_made_is_done_without);
    tcase_add_test(c, what_the_disk_does_not_give_back_is_damaged_or_comes_later);
    tcase_add_test(c, a_folder_that_cannot_be_made_or_synced_is_told);
    tcase_add_test(c, batches_that_cannot_be_set_aside_are_not_said_to_be);
    suite_add_tcase(suite, c);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
