#include "chain.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct arena *mem;

static void begin(void)
{
    mem = arena_new((size_t)1 << 24);
}

static void end(void)
{
    arena_free(mem);
}

/*
 * Batches, each received a second after the one before it, from one position to another.
 * Each holds two readings and one state change.
 */
struct step {
    const char *from;
    uint64_t from_next;
    const char *to;
    uint64_t to_next;
    bool lost;
};

static const struct observation change = {.sequence = 7, .device = "d", .item = "c", .type = ""};
static const struct condition_row changes[] = {{.observation = &change}};
static struct reading readings[] = {{1, 5, 5}, {2, 6, 6}};

static const struct batch *batch_of(const struct step *s, size_t k)
{
    struct batch *b = arena_array(mem, struct batch, 1);
    *b = (struct batch){.site = "here",
                        .source = "s",
                        .received_us = 1000 + (int64_t)k,
                        .from = {s->from, s->from_next},
                        .to = {s->to, s->to_next},
                        .readings = s->lost ? NULL : readings,
                        .reading_count = 2,
                        .condition_count = 1};
    b->conditions = arena_array(mem, struct condition_row, 1);
    b->conditions[0] = changes[0];
    return b;
}

/* "from>to" of each step; "r" where it has readings; "[instance from-to]" for each gap. */
static const char *words_of(const struct batch *steps, size_t count)
{
    char *text = arena_strdup(mem, "");
    for (size_t k = 0; k < count; k++) {
        const struct batch *b = &steps[k];
        text = arena_printf(mem, "%s%s%s%lu>%s%lu", text, k ? " " : "", b->from.instance, b->from.next,
                            b->to.instance, b->to.next);
        text = arena_printf(mem, "%s%s", text, b->reading_count ? "r" : "");
        ck_assert_uint_eq(b->condition_count, 1);
        for (size_t g = 0; g < b->gap_count; g++) {
            ck_assert_str_eq(b->gaps[g].reason, "spool");
            ck_assert_int_eq(b->gaps[g].to_us, b->received_us);
            text = arena_printf(mem, "%s[%s %lu-%lu]", text, b->gaps[g].instance, b->gaps[g].from_sequence,
                                b->gaps[g].to_sequence);
        }
    }
    return text;
}

#define NOW INT64_C(500) /* before the first batch */
static const struct {
    const char *name;
    struct position at;
    struct step batches[5];
    const char *steps;
    struct chain_report report;
} cases[] = {
    {"batches that follow the cursor go as they are",
     {{"a", 5}, NOW},
     {{"a", 5, "a", 9, 0}, {"a", 9, "a", 9, 0}, {"a", 9, "a", 12, 0}},
     "a5>a9r a9>a9r a9>a12r",
     {0, 0, 0}},
    {"at first contact nothing is stored yet",
     {{"", 0}, TIME_UNKNOWN},
     {{"", 0, "a", 9, 0}, {"a", 9, "a", 12, 0}},
     "0>a9r a9>a12r",
     {0, 0, 0}},
    {"what was stored before the answer to COMMIT was lost is passed over",
     {{"a", 9}, 1000},
     {{"a", 5, "a", 9, 0}, {"a", 9, "a", 12, 0}},
     "a9>a12r",
     {1, 0, 0}},
    {"all may be stored already",
     {{"a", 12}, 1001},
     {{"a", 5, "a", 9, 0}, {"a", 9, "a", 12, 0}},
     "",
     {2, 0, 0}},
    {"a restart in between is a step like others",
     {{"a", 5}, NOW},
     {{"a", 5, "a", 9, 0}, {"a", 9, "b", 3, 0}, {"b", 3, "b", 4, 0}},
     "a5>a9r a9>b3r b3>b4r",
     {0, 0, 0}},
    {"what was stored before a restart that is stored too is passed over",
     {{"b", 3}, 1001},
     {{"a", 5, "a", 9, 0}, {"a", 9, "b", 3, 0}, {"b", 3, "b", 4, 0}},
     "b3>b4r",
     {2, 0, 0}},
    {"a position that was reached twice after a rewind is the later one",
     {{"a", 5}, 1001},
     {{"a", 5, "a", 9, 0}, {"a", 9, "a", 5, 0}, {"a", 5, "a", 7, 0}},
     "a5>a7r",
     {2, 0, 0}},
    {"lost readings are a gap",
     {{"a", 5}, NOW},
     {{"a", 5, "a", 9, 1}, {"a", 9, "a", 12, 0}},
     "a5>a9[a 5-9] a9>a12r",
     {0, 0, 1}},
    {"lost readings of a restart are a gap from an unknown sequence on",
     {{"a", 5}, NOW},
     {{"a", 5, "b", 9, 1}},
     "a5>b9[b 0-9]",
     {0, 0, 1}},
    {"a batch behind a hole goes from the cursor on",
     {{"a", 5}, NOW},
     {{"a", 9, "a", 12, 0}, {"a", 12, "a", 15, 0}},
     "a5>a12r[a 5-9] a12>a15r",
     {0, 1, 0}},
    {"a hole in the middle",
     {{"a", 5}, NOW},
     {{"a", 5, "a", 9, 0}, {"a", 12, "a", 15, 0}, {"a", 15, "a", 16, 0}},
     "a5>a9r a9>a15r[a 9-12] a15>a16r",
     {0, 1, 0}},
    {"a hole and lost readings behind it",
     {{"a", 5}, NOW},
     {{"a", 9, "a", 12, 1}},
     "a5>a12[a 5-9][a 9-12]",
     {0, 1, 1}},
    {"a hole where the source was first seen",
     {{"", 0}, TIME_UNKNOWN},
     {{"a", 9, "a", 12, 0}},
     "0>a12r[a 0-9]",
     {0, 1, 0}},
    {"a hole that hides a restart",
     {{"a", 5}, NOW},
     {{"b", 3, "b", 4, 0}},
     "a5>b4r[a 5-0][b 0-3]",
     {0, 1, 0}},
    {"another collector was there later: it has said what it did not read",
     {{"c", 70}, 2000},
     {{"a", 5, "a", 9, 0}, {"a", 9, "b", 3, 0}},
     "",
     {2, 0, 0}},
    {"another collector stored a part of it before: state changes, and a gap for the rest",
     {{"a", 7}, NOW},
     {{"a", 5, "a", 9, 0}, {"a", 9, "a", 12, 0}},
     "a7>a9[a 7-9] a9>a12r",
     {0, 0, 1}},
    {"a part of a restart was stored before",
     {{"b", 2}, NOW},
     {{"a", 5, "b", 3, 0}, {"b", 3, "b", 4, 0}},
     "b2>b3[b 2-3] b3>b4r",
     {0, 0, 1}},
    {"the same batch twice, as after an append that was tried again",
     {{"a", 5}, NOW},
     {{"a", 5, "a", 9, 0}, {"a", 5, "a", 9, 0}, {"a", 9, "a", 10, 0}},
     "a5>a9r a9>a10r",
     {1, 0, 0}},
};

START_TEST(steps_follow_the_cursor)
{
    const struct batch *batches[5];
    struct batch out[5];
    struct chain_report report = {0};
    size_t count = 0;
    for (; count < 5 && cases[_i].batches[count].from; count++)
        batches[count] = batch_of(&cases[_i].batches[count], count);
    size_t n = chain_steps(&cases[_i].at, batches, count, mem, out, &report);
    ck_assert_msg(strcmp(words_of(out, n), cases[_i].steps) == 0, "%s: %s", cases[_i].name, words_of(out, n));
    ck_assert_msg(memcmp(&report, &cases[_i].report, sizeof report) == 0, "%s: %zu %zu %zu", cases[_i].name,
                  report.stored_already, report.bridged, report.without_readings);
}
END_TEST

/* Whatever is missing and wherever the cursor stands: steps join, and each sequence is stored or in a gap,
 * never twice. */
START_TEST(every_sequence_is_stored_or_in_a_gap)
{
    enum { BATCHES = 8, WIDTH = 3 };
    for (unsigned missing = 0; missing < 1u << BATCHES; missing++)
        for (uint64_t stands = 1; stands <= 1 + BATCHES * WIDTH; stands++) {
            const struct batch *batches[BATCHES];
            struct batch out[BATCHES];
            struct chain_report report = {0};
            int seen[2 + BATCHES * WIDTH] = {0};
            size_t count = 0;
            uint64_t reach = stands;
            for (size_t k = 0; k < BATCHES; k++) {
                struct step s = {"a", 1 + k * WIDTH, "a", 1 + (k + 1) * WIDTH, k % 5 == 4};
                if (missing & 1u << k)
                    continue;
                batches[count++] = batch_of(&s, k);
                reach = s.to_next > reach ? s.to_next : reach;
            }
            struct position at = {{"a", stands}, NOW};
            size_t n = chain_steps(&at, batches, count, mem, out, &report);
            for (size_t k = 0; k < n; k++) {
                ck_assert_uint_eq(out[k].from.next, k ? out[k - 1].to.next : stands);
                if (out[k].reading_count)
                    for (uint64_t q = out[k].to.next - WIDTH; q < out[k].to.next; q++)
                        seen[q]++;
                for (size_t g = 0; g < out[k].gap_count; g++)
                    for (uint64_t q = out[k].gaps[g].from_sequence; q < out[k].gaps[g].to_sequence; q++)
                        seen[q]++;
            }
            for (uint64_t q = 1; q < 1 + BATCHES * WIDTH; q++)
                ck_assert_msg(seen[q] == (q >= stands && q < reach),
                              "missing %x, cursor %lu: %lu stands %d times", missing, stands, q, seen[q]);
            arena_reset(mem);
        }
}
END_TEST

/* One batch from 5 to 9 with a gap up to 6; its readings have the sequences 6 to 8. */
static const struct {
    uint64_t cursor;
    const char *readings, *gap;
} parts[] = {
    {5, "678", "2-6"}, {6, "678", ""}, {7, "78", ""}, {8, "8", ""}, {3, "678", "2-6 3-5"},
};

START_TEST(of_a_batch_stored_in_part_the_rest_is_stored)
{
    struct step s = {"a", 5, "a", 9, false};
    struct batch b = *batch_of(&s, 0), out;
    const struct batch *batches[] = {&b};
    struct position at = {{"a", parts[_i].cursor}, NOW};
    struct chain_report report = {0};
    b.readings = (struct reading[]){{1, 6, 6}, {2, 7, 7}, {1, 8, 8}};
    b.reading_sequences = (uint64_t[]){6, 7, 8};
    b.reading_count = 3;
    b.gaps = &(struct gap_row){.instance = "a", .from_sequence = 2, .to_sequence = 6, .reason = "overrun"};
    b.gap_count = 1;
    ck_assert_uint_eq(chain_steps(&at, batches, 1, mem, &out, &report), 1);
    const char *kept = "", *gaps = "";
    for (size_t k = 0; k < out.reading_count; k++) {
        ck_assert_uint_eq(out.reading_sequences[k], (uint64_t)out.readings[k].at_us);
        kept = arena_printf(mem, "%s%lu", kept, out.reading_sequences[k]);
    }
    for (size_t k = 0; k < out.gap_count; k++)
        gaps = arena_printf(mem, "%s%s%lu-%lu", gaps, k ? " " : "", out.gaps[k].from_sequence,
                            out.gaps[k].to_sequence);
    ck_assert_str_eq(kept, parts[_i].readings);
    ck_assert_str_eq(gaps, parts[_i].gap);
    ck_assert_uint_eq(out.condition_count, 1);
    ck_assert_uint_eq(out.from.next, parts[_i].cursor);
    ck_assert_uint_eq(report.without_readings, 0);
}
END_TEST

/* The overrun reaches past the cursor: what lies behind it is still to be said. */
START_TEST(of_a_gap_stored_in_part_the_rest_is_said)
{
    struct step s = {"a", 2, "a", 9, false};
    struct batch b = *batch_of(&s, 0), out;
    const struct batch *batches[] = {&b};
    struct position at = {{"a", 4}, NOW};
    struct chain_report report = {0};
    b.reading_count = 0;
    b.gaps = &(struct gap_row){.instance = "a", .from_sequence = 2, .to_sequence = 6, .reason = "overrun"};
    b.gap_count = 1;
    ck_assert_uint_eq(chain_steps(&at, batches, 1, mem, &out, &report), 1);
    ck_assert_uint_eq(out.gap_count, 1);
    ck_assert_uint_eq(out.gaps[0].from_sequence, 4);
    ck_assert_uint_eq(out.gaps[0].to_sequence, 6);
    ck_assert_str_eq(out.gaps[0].reason, "overrun");
}
END_TEST

START_TEST(of_a_refused_batch_its_place_and_the_reason_stay)
{
    struct step s = {"a", 5, "a", 9, false};
    struct batch left = chain_refused(batch_of(&s, 0), "no such site", mem);
    ck_assert_uint_eq(left.reading_count + left.condition_count + left.event_count, 0);
    ck_assert_uint_eq(left.from.next, 5);
    ck_assert_uint_eq(left.to.next, 9);
    ck_assert_uint_eq(left.set_aside_count, 1);
    ck_assert_str_eq(left.set_aside[0].reason, "no such site");
    ck_assert_uint_eq(left.gap_count, 1);
    ck_assert_uint_eq(left.gaps[0].from_sequence, 5);
    ck_assert_uint_eq(left.gaps[0].to_sequence, 9);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("chain");
    TCase *c = tcase_create("chain");
    tcase_add_checked_fixture(c, begin, end);
    tcase_set_timeout(c, 60);
    tcase_add_loop_test(c, steps_follow_the_cursor, 0, (int)(sizeof cases / sizeof *cases));
    tcase_add_test(c, every_sequence_is_stored_or_in_a_gap);
    tcase_add_loop_test(c, of_a_batch_stored_in_part_the_rest_is_stored, 0,
                        (int)(sizeof parts / sizeof *parts));
    tcase_add_test(c, of_a_gap_stored_in_part_the_rest_is_said);
    tcase_add_test(c, of_a_refused_batch_its_place_and_the_reason_stay);
    suite_add_tcase(suite, c);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
