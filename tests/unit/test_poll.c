#include "poll.h"
#include "small_agent.h"

#include <check.h>

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct arena *mem;

static void make_arena(void)
{
    mem = arena_new(64 * 1024 * 1024);
    agents_use(mem);
}

static void free_arena(void)
{
    arena_free(mem);
}

/* What was stored, as a client's ledger: how often each sequence came, by instance. */
enum { MOST_SEQUENCE = 400 };
struct ledger {
    int seen[MOST_SEQUENCE];
    struct gap_row gap;
    int gaps;
};

static void store(struct ledger *l, const struct poll_result *r)
{
    for (size_t k = 0; k < r->part_count; k++) {
        const struct poll_part *part = &r->parts[k];
        for (size_t n = 0; n < part->document->count; n++) {
            uint64_t sequence = part->document->observations[n].sequence;
            if (sequence >= part->first && sequence < part->end)
                l->seen[sequence]++;
        }
    }
    for (size_t k = 0; k < r->gap_count; k++) {
        l->gap = r->gaps[k];
        l->gaps++;
    }
}

/* One complete answer; the number of requests it took. */
static int read_once(struct poll *p, const struct agent *a, struct ledger *l, struct poll_result *out)
{
    struct err err = {0};
    for (int requests = 1;; requests++) {
        enum poll_outcome outcome =
            poll_answer(p, agent_serve(a, poll_url(p, "http://h/a/", mem)), 1000, mem, out, &err);
        ck_assert_msg(outcome != POLL_FAILED, "%s", err.text);
        ck_assert_int_lt(requests, 40);
        if (outcome == POLL_COMPLETE) {
            store(l, out);
            return requests;
        }
    }
}

static void read_to_the_end(struct poll *p, const struct agent *a, struct ledger *l)
{
    struct poll_result r = {.more = true};
    for (int rounds = 0; r.more; rounds++) {
        ck_assert_int_lt(rounds, 500);
        read_once(p, a, l, &r);
    }
}

static struct poll standing(const char *instance, uint64_t next, uint64_t count)
{
    struct poll p;
    struct cursor at = {instance, next};
    ck_assert(poll_stand(&p, &at, 0, 77));
    p.count = count;
    return p;
}

static void all_once(const struct ledger *l, uint64_t first, uint64_t last, const char *what)
{
    for (uint64_t n = first; n <= last; n++)
        ck_assert_msg(l->seen[n] == 1, "%s: %" PRIu64 " was stored %d times", what, n, l->seen[n]);
}

START_TEST(the_first_contact_takes_state_and_history_once)
{
    struct agent a = {.instance = "i1", .last = 50, .size = 20};
    struct poll p = standing("", 0, 7);
    struct ledger l = {0};
    struct poll_result r;
    ck_assert_str_eq(poll_url(&p, "http://h/a/", mem), "http://h/a/current");
    ck_assert_int_eq(read_once(&p, &a, &l, &r), 2);
    ck_assert_str_eq(r.from.instance, "");
    ck_assert_uint_eq(r.from.next, 0);
    ck_assert_str_eq(r.to.instance, "i1");
    ck_assert_uint_eq(r.to.next, 38);
    ck_assert_ptr_null(r.state);
    ck_assert(r.more);
    ck_assert_int_eq(r.news, POLL_NEWS_FIRST);
    ck_assert(!r.gap_count);
    read_to_the_end(&p, &a, &l);
    all_once(&l, 31, 50, "history");
    ck_assert_uint_eq(p.next, 51);
}
END_TEST

START_TEST(state_older_than_the_history_is_stored_too)
{
    /* 'calm' changed last at 48, which is held no more. */
    struct agent a = {.instance = "i1", .last = 50, .size = 2};
    struct poll p = standing("", 0, 100);
    struct ledger l = {0};
    read_to_the_end(&p, &a, &l);
    ck_assert_int_eq(l.seen[48], 1);
    all_once(&l, 49, 50, "history");
}
END_TEST

START_TEST(reading_goes_on_where_it_stopped)
{
    struct agent a = {.instance = "i1", .last = 30, .size = 100};
    struct poll p = standing("i1", 21, 4);
    struct ledger l = {0};
    read_to_the_end(&p, &a, &l);
    all_once(&l, 21, 30, "first");
    ck_assert_int_eq(l.seen[20], 0);
    a.last = 33;
    read_to_the_end(&p, &a, &l);
    all_once(&l, 21, 33, "second");
    ck_assert_int_eq(l.gaps, 0);
}
END_TEST

START_TEST(nothing_new_is_no_error)
{
    struct agent a = {.instance = "i1", .last = 30, .size = 100, .strict = _i == 1};
    struct poll p = standing("i1", 31, 10);
    struct ledger l = {0};
    struct poll_result r;
    ck_assert_int_eq(read_once(&p, &a, &l, &r), _i == 1 ? 2 : 1);
    ck_assert_uint_eq(r.to.next, 31);
    ck_assert(!r.more && !r.gap_count);
    ck_assert_int_eq(p.count, 10);
    for (int n = 0; n < MOST_SEQUENCE; n++)
        ck_assert_int_eq(l.seen[n], 0);
}
END_TEST

START_TEST(an_empty_filtered_answer_moves_on)
{
    struct agent a = {.instance = "i1", .last = 30, .size = 100};
    struct poll p = standing("i1", 21, 10);
    struct document *d = agent_header(&a);
    d->next_sequence = 29;
    struct poll_result r;
    struct err err = {0};
    ck_assert_int_eq(poll_answer(&p, d, 1000, mem, &r, &err), POLL_COMPLETE);
    ck_assert_uint_eq(r.to.next, 29);
    ck_assert(r.more);
    /* An answer that stands still is not asked for again at once, whatever it says of more. */
    d = agent_header(&a);
    d->next_sequence = 29;
    ck_assert_int_eq(poll_answer(&p, d, 1000, mem, &r, &err), POLL_COMPLETE);
    ck_assert(!r.more);
}
END_TEST

static const struct {
    const char *name;
    bool clips, error_header;
} overruns[] = {{"an error without header", false, false},
                {"an error with header", false, true},
                {"a clipped answer", true, false}};

START_TEST(an_overrun_is_a_gap_and_the_state_is_kept)
{
    struct agent a = {.instance = "i1",
                      .last = 100,
                      .size = 2,
                      .clips = overruns[_i].clips,
                      .error_header = overruns[_i].error_header};
    struct poll p = standing("i1", 41, 10);
    struct ledger l = {0};
    struct poll_result r;
    read_once(&p, &a, &l, &r);
    ck_assert_int_eq(r.news, POLL_NEWS_OVERRUN);
    ck_assert_int_eq(l.gaps, 1);
    ck_assert_uint_eq(l.gap.from_sequence, 41);
    ck_assert_uint_eq(l.gap.to_sequence, 99);
    ck_assert_str_eq(l.gap.instance, "i1");
    ck_assert_str_eq(l.gap.reason, "overrun");
    ck_assert_int_eq(l.gap.from_us, 77);
    ck_assert_int_eq(l.gap.to_us, 1000);
    all_once(&l, 99, 100, overruns[_i].name);
    ck_assert_uint_eq(r.from.next, 41);
    ck_assert_uint_eq(r.to.next, 101);
}
END_TEST

START_TEST(after_an_overrun_state_that_was_read_before_is_not_read_again)
{
    /* 'calm' stands at 39, read before the cursor; 'busy' went on. */
    struct agent a = {.instance = "i1", .last = 41, .size = 1};
    struct poll p = standing("i1", 40, 10);
    struct ledger l = {0};
    struct poll_result r;
    read_once(&p, &a, &l, &r);
    ck_assert_int_eq(l.seen[39], 0);
    ck_assert_int_eq(l.seen[40], 0);
    ck_assert_int_eq(l.seen[41], 1);
    ck_assert_uint_eq(l.gap.to_sequence, 41);
}
END_TEST

static const struct {
    const char *name;
    uint64_t last;
    bool error_header;
} restarts[] = {
    {"noticed by a document", 90, false},
    {"noticed by an error", 12, true},
    {"noticed after an error that says nothing", 12, false},
};

START_TEST(a_restart_is_read_from_its_beginning)
{
    struct agent a = {
        .instance = "i2", .last = restarts[_i].last, .size = 100, .error_header = restarts[_i].error_header};
    struct poll p = standing("i1", 41, 10);
    struct ledger l = {0};
    struct poll_result r;
    read_once(&p, &a, &l, &r);
    ck_assert_int_eq(r.news, POLL_NEWS_RESTART);
    ck_assert_str_eq(r.from.instance, "i1");
    ck_assert_uint_eq(r.from.next, 41);
    ck_assert_str_eq(r.to.instance, "i2");
    ck_assert_int_eq(l.gaps, 1);
    ck_assert_str_eq(l.gap.instance, "i1");
    ck_assert_str_eq(l.gap.reason, "restart");
    ck_assert_uint_eq(l.gap.from_sequence, 41);
    ck_assert_uint_eq(l.gap.to_sequence, 0);
    if (r.more)
        read_to_the_end(&p, &a, &l);
    all_once(&l, 1, a.last, restarts[_i].name);
    ck_assert_int_eq(l.gaps, 1);
}
END_TEST

START_TEST(a_restart_between_state_and_history_begins_again)
{
    struct agent a = {.instance = "i2", .last = 20, .size = 100}, b = a;
    b.instance = "i3";
    b.last = 9;
    struct poll p = standing("i1", 41, 50);
    struct poll_result r;
    struct err err = {0};
    struct ledger l = {0};
    ck_assert_int_eq(poll_answer(&p, agent_sample(&a, 1, true, 5), 1000, mem, &r, &err), POLL_GO_ON);
    ck_assert_int_eq(poll_answer(&p, agent_current(&a), 1000, mem, &r, &err), POLL_GO_ON);
    read_once(&p, &b, &l, &r);
    ck_assert_str_eq(r.to.instance, "i3");
    ck_assert_str_eq(r.gaps[0].instance, "i1");
    all_once(&l, 1, 9, "the last instance");
}
END_TEST

START_TEST(a_source_set_back_within_its_instance_is_read_anew)
{
    struct agent a = {.instance = "i1", .last = 15, .size = 100};
    struct poll p = standing("i1", 41, 10);
    struct ledger l = {0};
    struct poll_result r;
    read_once(&p, &a, &l, &r);
    ck_assert_int_eq(r.news, POLL_NEWS_REWIND);
    ck_assert_str_eq(r.gaps[0].reason, "restart");
    ck_assert_str_eq(r.gaps[0].instance, "i1");
    ck_assert_uint_eq(r.state->next_sequence, 16);
    ck_assert_uint_eq(r.state_end, 16);
    ck_assert(r.more);
    read_to_the_end(&p, &a, &l);
    all_once(&l, 1, 15, "all");
}
END_TEST

/* The sequences are given a second time: their keys must differ. */
START_TEST(each_life_of_a_source_that_is_set_back_has_an_instance_of_its_own)
{
    struct agent a = {.instance = "i1", .last = 15, .size = 100};
    struct poll p = standing("i1", 41, 100);
    struct ledger l = {0}, again = {0}, anew = {0};
    struct poll_result r;
    read_once(&p, &a, &l, &r);
    ck_assert_str_eq(r.from.instance, "i1");
    ck_assert_str_eq(r.to.instance, "i1; set back 1970-01-01T00:00:00.001000Z");

    /* Read on from what is stored, as after a start of the collector. */
    p = standing(r.to.instance, r.to.next, 100);
    a.last = 30;
    read_once(&p, &a, &l, &r);
    ck_assert_int_eq(r.news, POLL_NEWS_NONE);
    ck_assert_str_eq(r.to.instance, "i1; set back 1970-01-01T00:00:00.001000Z");
    all_once(&l, 1, 30, "one life");

    a.last = 5;
    ck_assert_int_eq(poll_answer(&p, agent_current(&a), 2000, mem, &r, &(struct err){0}), POLL_GO_ON);
    ck_assert_int_eq(poll_answer(&p, agent_current(&a), 2000, mem, &r, &(struct err){0}), POLL_GO_ON);
    ck_assert_int_eq(poll_answer(&p, agent_sample(&a, 1, true, 100), 2000, mem, &r, &(struct err){0}),
                     POLL_COMPLETE);
    store(&again, &r);
    ck_assert_str_eq(r.gaps[0].instance, "i1; set back 1970-01-01T00:00:00.001000Z");
    ck_assert_str_eq(r.to.instance, "i1; set back 1970-01-01T00:00:00.002000Z");
    all_once(&again, 1, 5, "the next life");

    a.instance = "i1; other";
    read_once(&p, &a, &anew, &r);
    ck_assert_int_eq(r.news, POLL_NEWS_RESTART);
    ck_assert_str_eq(r.to.instance, "i1; other");
}
END_TEST

/* i1 was read up to 'left', then i2 took its place; now i1 is there again. */
static struct poll came_back(struct lives *lives, struct cursor *former, uint64_t left)
{
    *former = (struct cursor){"i1", left};
    *lives = (struct lives){former, 1};
    struct poll p = standing("i2", 7, 100);
    p.stored_lives = lives;
    return p;
}

static const struct {
    const char *name;
    uint64_t last, size;
    uint64_t first_read; /* of i1, which was read to 40 */
    int gaps;
} returns[] = {
    {"read on where it was left", 60, 100, 41, 1},
    {"nothing new", 40, 100, 41, 1},
    {"the buffer begins there", 140, 100, 41, 1},
    {"the buffer begins later", 160, 100, 61, 2},
    {"a small buffer", 60, 5, 56, 2},
};

START_TEST(a_source_that_comes_back_to_an_instance_is_read_on_where_that_was_left)
{
    for (int strict = 0; strict < 2; strict++) {
        struct agent a = {
            .instance = "i1", .last = returns[_i].last, .size = returns[_i].size, .strict = strict};
        struct lives lives;
        struct cursor former;
        struct poll p = came_back(&lives, &former, 41);
        struct ledger l = {0};
        struct poll_result r;
        read_once(&p, &a, &l, &r);
        ck_assert_int_eq(r.news, POLL_NEWS_RESTART);
        ck_assert_str_eq(r.from.instance, "i2");
        ck_assert_uint_eq(r.from.next, 7);
        ck_assert_str_eq(r.to.instance, "i1");
        ck_assert_str_eq(r.gaps[0].instance, "i2");
        ck_assert_uint_eq(r.gaps[0].from_sequence, 7);
        ck_assert_int_eq(l.gaps, returns[_i].gaps);
        if (l.gaps == 2) {
            ck_assert_str_eq(l.gap.instance, "i1");
            ck_assert_uint_eq(l.gap.from_sequence, 41);
            ck_assert_uint_eq(l.gap.to_sequence, returns[_i].first_read);
        }
        ck_assert_ptr_nonnull(r.state);
        read_to_the_end(&p, &a, &l);
        ck_assert_str_eq(p.instance, "i1");
        ck_assert_int_eq(l.gaps, returns[_i].gaps);
        all_once(&l, returns[_i].first_read, a.last, returns[_i].name);
        for (uint64_t n = 1; n < 41; n++)
            ck_assert_int_eq(l.seen[n], 0);
    }
}
END_TEST

START_TEST(a_source_that_comes_back_and_was_set_back_has_another_life)
{
    struct agent a = {.instance = "i1", .last = 30, .size = 100};
    struct lives lives;
    struct cursor former;
    struct poll p = came_back(&lives, &former, 41);
    struct ledger l = {0};
    struct poll_result r;
    read_once(&p, &a, &l, &r);
    ck_assert_int_eq(r.news, POLL_NEWS_REWIND);
    ck_assert_str_eq(r.to.instance, "i1; set back 1970-01-01T00:00:00.001000Z");
    all_once(&l, 1, 30, "all, under a name of their own");
    /* It leaves that life, too, and comes back to it: the newest counts. */
    struct cursor both[] = {{"i1", 41}, {"i1; set back 1970-01-01T00:00:00.001000Z", 31}};
    struct lives newer = {both, 2};
    struct ledger again = {0};
    p = standing("i2", 9, 100);
    p.lives = &newer;
    a.last = 35;
    read_once(&p, &a, &again, &r);
    ck_assert_int_eq(r.news, POLL_NEWS_RESTART);
    ck_assert_str_eq(r.to.instance, "i1; set back 1970-01-01T00:00:00.001000Z");
    all_once(&again, 31, 35, "the rest");
    ck_assert_int_eq(again.seen[30], 0);
}
END_TEST

START_TEST(a_source_set_back_that_answers_emptily_is_read_anew_too)
{
    struct agent a = {.instance = "i1", .last = 15, .size = 100};
    struct poll p = standing("i1", 41, 10);
    struct ledger l = {0};
    struct poll_result r;
    struct err err = {0};
    struct document *d = agent_header(&a);
    d->next_sequence = 41;
    ck_assert_int_eq(poll_answer(&p, d, 1000, mem, &r, &err), POLL_GO_ON);
    ck_assert_str_eq(poll_url(&p, "http://h", mem), "http://h/current");
    read_to_the_end(&p, &a, &l);
    all_once(&l, 1, 15, "all");
    ck_assert_int_eq(l.gaps, 1);
}
END_TEST

/* One device of an agent, or all: the address in the register decides. */
START_TEST(the_address_may_name_one_device)
{
    struct poll p = standing("i1", 41, 10);
    ck_assert_str_eq(poll_url(&p, "http://h:5000/mill-3/", mem),
                     "http://h:5000/mill-3/sample?from=41&count=10");
    ck_assert_str_eq(poll_model_url("http://h:5000/mill-3", mem), "http://h:5000/mill-3/probe");
    p = standing("", 0, 10);
    ck_assert_str_eq(poll_url(&p, "http://h:5000/mill-3", mem), "http://h:5000/mill-3/current");
}
END_TEST

static const struct {
    uint64_t size, most;
} small[] = {{100, 3}, {6, 0}, {6, 1}, {100, 100}};

START_TEST(a_source_is_asked_for_no_more_than_it_gives)
{
    struct agent a = {.instance = "i1", .last = 30, .size = small[_i].size, .most = small[_i].most};
    struct poll p = standing("i1", 27, POLL_USUAL_COUNT);
    struct ledger l = {0};
    read_to_the_end(&p, &a, &l);
    all_once(&l, 27, 30, "all");
    ck_assert_int_eq(l.gaps, 0);
    if (small[_i].most && small[_i].most < small[_i].size)
        ck_assert_uint_le(p.count, small[_i].most);
}
END_TEST

START_TEST(another_error_fails_and_changes_nothing)
{
    struct agent a = {.instance = "i1", .last = 30, .size = 100};
    struct poll p = standing("i1", 27, 10);
    struct poll_result r;
    struct err err = {0};
    ck_assert_int_eq(poll_answer(&p, agent_error(&a, SOURCE_ERROR_NO_DEVICE), 1000, mem, &r, &err),
                     POLL_FAILED);
    ck_assert_str_eq(err.text, "the source answers: CODE: text");
    ck_assert_uint_eq(p.next, 27);
    struct ledger l = {0};
    read_to_the_end(&p, &a, &l);
    all_once(&l, 27, 30, "afterwards");
}
END_TEST

START_TEST(a_source_that_never_comes_to_an_end_is_given_up)
{
    struct agent old = {.instance = "i1", .last = 30, .size = 100}, other = old;
    other.instance = "i2";
    struct poll p = standing("i1", 27, 10);
    struct poll_result r;
    struct err err = {0};
    enum poll_outcome outcome = POLL_GO_ON;
    for (int n = 0; n < 100 && outcome == POLL_GO_ON; n++)
        outcome =
            poll_answer(&p, p.step == POLL_LOOK ? agent_current(&old) : agent_sample(&other, 1, true, 5),
                        1000, mem, &r, &err);
    ck_assert_int_eq(outcome, POLL_FAILED);
    ck_assert_str_eq(p.instance, "i1");
    ck_assert_uint_eq(p.next, 27);
}
END_TEST

START_TEST(an_instance_too_long_to_keep_is_refused)
{
    struct agent a = {.last = 3, .size = 5};
    char instance[POLL_INSTANCE_TEXT + 1], stored[POLL_LIFE_TEXT + 1];
    memset(instance, 'x', sizeof instance - 1);
    instance[sizeof instance - 1] = '\0';
    memset(stored, 'x', sizeof stored - 1);
    stored[sizeof stored - 1] = '\0';
    a.instance = instance;
    struct poll p = standing("i1", 2, 10);
    struct poll_result r;
    struct err err = {0};
    ck_assert_int_eq(poll_answer(&p, agent_header(&a), 1000, mem, &r, &err), POLL_FAILED);
    struct cursor at = {stored, 1};
    ck_assert(!poll_stand(&p, &at, 0, 0));
}
END_TEST

/* Whatever the source does between requests: each observation at most once, and what is missing is said. */
START_TEST(a_random_source_is_read_exactly_once)
{
    srand((unsigned)_i);
    struct agent a = {.instance = "i1", .last = 5, .size = 12, .clips = rand() % 2, .strict = rand() % 2};
    struct poll p = standing("", 0, 5);
    struct ledger l = {0};
    uint64_t missing[MOST_SEQUENCE] = {0};
    struct err err = {0};
    struct poll_result r;
    while (a.last < 380) {
        a.last += rand() % 9;
        if (poll_answer(&p, agent_serve(&a, poll_url(&p, "http://h", mem)), 1000, mem, &r, &err) !=
            POLL_COMPLETE)
            continue;
        store(&l, &r);
        for (uint64_t n = r.gaps[0].from_sequence; r.gap_count && n < r.gaps[0].to_sequence; n++)
            missing[n] = 1;
    }
    read_to_the_end(&p, &a, &l);
    for (uint64_t n = l.gap.from_sequence; l.gaps && n < l.gap.to_sequence; n++)
        missing[n] = 1;
    uint64_t first = 1;
    while (!l.seen[first])
        first++;
    for (uint64_t n = first; n <= a.last; n++)
        ck_assert_msg(l.seen[n] == 1 || (l.seen[n] == 0 && (missing[n] || n < 40)),
                      "seed %d: %" PRIu64 " was stored %d times", _i, n, l.seen[n]);
}
END_TEST

/*
 * Answers that come twice, late, out of order or from an older time: whatever order of a source's pages is
 * delivered, what ends up stored is the same, each observation once.
 */
static uint64_t dice_state;

static uint64_t dice(uint64_t below)
{
    dice_state = dice_state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (dice_state >> 33) % below;
}

/*
 * What a proxy with a memory may hand out: a page that the source gave before. Not one that was asked for
 * further on: nothing in a page tells that it does not begin where it was asked to.
 */
static struct document *delivered(const struct agent *a, const char *url, struct document **pages,
                                  size_t *count)
{
    struct document *fresh = agent_serve(a, url);
    bool is_stale = *count && !strstr(url, "/current") && dice(3) == 0;
    if (*count < MOST_SEQUENCE && !strstr(url, "/current"))
        pages[(*count)++] = fresh;
    const char *from = strstr(url, "from=");
    struct document *old = is_stale ? pages[dice(*count)] : fresh;
    uint64_t asked = from ? strtoull(from + 5, NULL, 10) : 0;
    bool is_ahead = (old->count ? old->observations[0].sequence : old->next_sequence) > asked;
    return is_ahead || !from ? fresh : old;
}

START_TEST(any_order_of_answers_with_repeats_stores_the_same)
{
    dice_state = (uint64_t)_i * 7919 + 1;
    struct agent a = {.instance = "i", .last = 20, .size = 500, .strict = _i % 2};
    struct document *pages[MOST_SEQUENCE];
    size_t page_count = 0;
    int seen[MOST_SEQUENCE + 1] = {0};
    struct cursor stored = {"", 0};
    struct poll p;
    ck_assert(poll_stand(&p, &stored, 0, TIME_UNKNOWN));
    p.count = 7;
    for (int turn = 0; turn < 3000 && (a.last < 300 || stored.next <= a.last); turn++) {
        struct err err = {0};
        struct poll_result r;
        bool disturbed = turn < 1500;
        if (a.last < 300)
            a.last += dice(3);
        const char *url = poll_url(&p, "http://x", mem);
        struct document *d = disturbed ? delivered(&a, url, pages, &page_count) : agent_serve(&a, url);
        if (poll_answer(&p, d, 1, mem, &r, &err) != POLL_COMPLETE)
            continue;
        if (disturbed && dice(4) == 0) { /* another one has stored it, or the database has lost it */
            ck_assert(poll_stand(&p, &stored, 0, TIME_UNKNOWN));
            p.count = 7;
            continue;
        }
        if (strcmp(r.from.instance, stored.instance) != 0 || r.from.next != stored.next) {
            ck_assert(poll_stand(&p, &stored, 0, TIME_UNKNOWN));
            continue;
        }
        ck_assert_msg(!r.gap_count, "a gap where nothing was lost");
        for (size_t k = 0; k < r.part_count; k++)
            for (size_t n = 0; n < r.parts[k].document->count; n++) {
                uint64_t s = r.parts[k].document->observations[n].sequence;
                seen[s] += s >= r.parts[k].first && s < r.parts[k].end;
            }
        stored = r.to;
    }
    ck_assert_uint_eq(stored.next, a.last + 1);
    for (uint64_t s = 1; s <= a.last; s++)
        ck_assert_msg(seen[s] == 1, "seed %d: %" PRIu64 " of %" PRIu64 " stored %d times", _i, s, a.last,
                      seen[s]);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("poll");
    tcase_add_loop_test(tc, any_order_of_answers_with_repeats_stores_the_same, 0, 40);
    tcase_add_checked_fixture(tc, make_arena, free_arena);
    tcase_add_test(tc, the_first_contact_takes_state_and_history_once);
    tcase_add_test(tc, state_older_than_the_history_is_stored_too);
    tcase_add_test(tc, reading_goes_on_where_it_stopped);
    tcase_add_loop_test(tc, nothing_new_is_no_error, 0, 2);
    tcase_add_test(tc, an_empty_filtered_answer_moves_on);
    tcase_add_loop_test(tc, an_overrun_is_a_gap_and_the_state_is_kept, 0, 3);
    tcase_add_test(tc, after_an_overrun_state_that_was_read_before_is_not_read_again);
    tcase_add_loop_test(tc, a_restart_is_read_from_its_beginning, 0, 3);
    tcase_add_test(tc, a_restart_between_state_and_history_begins_again);
    tcase_add_test(tc, a_source_set_back_within_its_instance_is_read_anew);
    tcase_add_test(tc, each_life_of_a_source_that_is_set_back_has_an_instance_of_its_own);
    tcase_add_loop_test(tc, a_source_that_comes_back_to_an_instance_is_read_on_where_that_was_left, 0,
                        (int)(sizeof returns / sizeof *returns));
    tcase_add_test(tc, a_source_that_comes_back_and_was_set_back_has_another_life);
    tcase_add_test(tc, a_source_set_back_that_answers_emptily_is_read_anew_too);
    tcase_add_test(tc, the_address_may_name_one_device);
    tcase_add_loop_test(tc, a_source_is_asked_for_no_more_than_it_gives, 0, 4);
    tcase_add_test(tc, another_error_fails_and_changes_nothing);
    tcase_add_test(tc, a_source_that_never_comes_to_an_end_is_given_up);
    tcase_add_test(tc, an_instance_too_long_to_keep_is_refused);
    tcase_add_loop_test(tc, a_random_source_is_read_exactly_once, 0, 20);
    Suite *suite = suite_create("poll");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
