#include "chain.h"

#include <string.h>

static const char SPOOL[] = "spool"; /* the reason of gaps */

static bool same_instance(const struct cursor *a, const struct cursor *b)
{
    return strcmp(a->instance, b->instance) == 0;
}

static bool same(const struct cursor *a, const struct cursor *b)
{
    return a->next == b->next && same_instance(a, b);
}

static void add_gap(struct batch *b, struct arena *mem, const struct gap_row *gap)
{
    struct gap_row *gaps = arena_array(mem, struct gap_row, b->gap_count + 1);
    if (b->gap_count)
        memcpy(gaps, b->gaps, b->gap_count * sizeof *gaps);
    gaps[b->gap_count++] = *gap;
    b->gaps = gaps;
}

/* Observations of the batch's last instance before its end; from 0: not known since when. */
static struct gap_row gap_of(const struct batch *b, uint64_t from, int64_t since_us)
{
    return (struct gap_row){.instance = b->to.instance,
                            .from_sequence = from < b->to.next ? from : 0,
                            .to_sequence = b->to.next,
                            .from_us = since_us,
                            .to_us = b->received_us,
                            .reason = SPOOL};
}

/* What lies between the position and the batch is lost. */
static void bridge(struct batch *b, const struct position *at, struct arena *mem)
{
    struct gap_row gap = {.from_us = at->contact_us, .to_us = b->received_us, .reason = SPOOL};
    bool goes_on = same_instance(&at->cursor, &b->from);
    if (at->cursor.instance[0]) {
        gap.instance = at->cursor.instance;
        gap.from_sequence = at->cursor.next;
        gap.to_sequence = goes_on ? b->from.next : 0;
        add_gap(b, mem, &gap);
    }
    if (!goes_on && b->from.instance[0]) {
        gap.instance = b->from.instance;
        gap.from_sequence = 0;
        gap.to_sequence = b->from.next;
        add_gap(b, mem, &gap);
    }
}

static void drop_readings(struct batch *b)
{
    b->readings = NULL;
    b->reading_sequences = NULL;
    b->reading_count = 0;
}

static void trim_set_aside(struct batch *b, uint64_t from, struct arena *mem)
{
    struct set_aside_row *kept = arena_array(mem, struct set_aside_row, b->set_aside_count);
    size_t n = 0;
    for (size_t k = 0; k < b->set_aside_count; k++)
        if (b->set_aside[k].sequence >= from)
            kept[n++] = b->set_aside[k];
    b->set_aside = kept;
    b->set_aside_count = n;
}

static void trim_gaps(struct batch *b, uint64_t from, struct arena *mem)
{
    struct gap_row *kept = arena_array(mem, struct gap_row, b->gap_count);
    size_t n = 0;
    for (size_t k = 0; k < b->gap_count; k++) {
        const struct gap_row *g = &b->gaps[k];
        bool is_known = g->to_sequence;
        if (strcmp(g->instance, b->to.instance) != 0 || (is_known && g->to_sequence <= from))
            continue;
        kept[n] = *g;
        if (is_known && g->from_sequence < from)
            kept[n].from_sequence = from;
        n++;
    }
    b->gaps = kept;
    b->gap_count = n;
}

static void trim_readings(struct batch *b, uint64_t from, struct arena *mem)
{
    struct reading *kept = arena_array(mem, struct reading, b->reading_count);
    uint64_t *sequences = arena_array(mem, uint64_t, b->reading_count);
    size_t n = 0;
    for (size_t k = 0; k < b->reading_count; k++) {
        if (b->reading_sequences[k] < from)
            continue;
        sequences[n] = b->reading_sequences[k];
        kept[n++] = b->readings[k];
    }
    b->readings = kept;
    b->reading_sequences = sequences;
    b->reading_count = n;
}

/* The cursor stands inside what the batch covers: whoever stored up to there has said what came before. State
 * changes stay, as they have keys of their own. False: it is not known which readings came before. */
static bool keep_rest(struct batch *b, const struct position *at, struct arena *mem)
{
    uint64_t from = at->cursor.next;
    trim_set_aside(b, from, mem);
    trim_gaps(b, from, mem);
    if (b->reading_count && b->readings && b->reading_sequences) {
        trim_readings(b, from, mem);
        return true;
    }
    if (!b->reading_count)
        return true;
    struct gap_row gap = gap_of(b, from, at->contact_us);
    drop_readings(b);
    add_gap(b, mem, &gap);
    return false;
}

enum link { FOLLOWS, STORED, BEHIND_A_HOLE, STORED_IN_PART };

static enum link link_of(const struct position *at, const struct batch *b)
{
    const struct cursor *c = &at->cursor;
    if (same(c, &b->from))
        return FOLLOWS;
    if (same_instance(c, &b->to) && c->next >= b->to.next)
        return STORED;
    if (at->contact_us != TIME_UNKNOWN && b->received_us <= at->contact_us)
        return STORED; /* the cursor came by later: what it does not cover it has said */
    if (same_instance(c, &b->from) && c->next < b->from.next)
        return BEHIND_A_HOLE;
    return same_instance(c, &b->to) ? STORED_IN_PART : BEHIND_A_HOLE;
}

/* The first batch after the one that was stored last, where that is among them. */
static size_t first_after(const struct position *at, const struct batch *const *batches, size_t count)
{
    for (size_t k = count; k > 0; k--)
        if (at->contact_us == batches[k - 1]->received_us && same(&at->cursor, &batches[k - 1]->to))
            return k;
    return 0;
}

size_t chain_steps(const struct position *at, const struct batch *const *batches, size_t count,
                   struct arena *mem, struct batch *out, struct chain_report *report)
{
    struct position now = *at;
    size_t n = 0, first = first_after(at, batches, count);
    report->stored_already += first;
    for (size_t k = first; k < count; k++) {
        enum link link = link_of(&now, batches[k]);
        if (link == STORED) {
            report->stored_already++;
            continue;
        }
        struct batch *b = &out[n++];
        *b = *batches[k];
        bool lost_readings = b->reading_count && !b->readings;
        if (link == STORED_IN_PART) {
            report->without_readings += !keep_rest(b, &now, mem);
            lost_readings = false;
        } else if (link == BEHIND_A_HOLE) {
            bridge(b, &now, mem);
            report->bridged++;
        }
        if (lost_readings) {
            struct gap_row gap =
                gap_of(b, same_instance(&b->from, &b->to) ? b->from.next : 0, now.contact_us);
            drop_readings(b);
            add_gap(b, mem, &gap);
            report->without_readings++;
        }
        b->from = now.cursor;
        now = (struct position){b->to, b->received_us};
    }
    return n;
}

struct batch chain_refused(const struct batch *b, const char *why, struct arena *mem)
{
    struct batch left = *b;
    struct set_aside_row *aside = arena_array(mem, struct set_aside_row, 1);
    struct gap_row gap = gap_of(b, same_instance(&b->from, &b->to) ? b->from.next : 0, TIME_UNKNOWN);
    aside[0] = (struct set_aside_row){.reason = why, .sequence = b->from.next};
    left.set_aside = aside;
    left.set_aside_count = 1;
    left.condition_count = left.event_count = 0;
    drop_readings(&left);
    add_gap(&left, mem, &gap);
    return left;
}
