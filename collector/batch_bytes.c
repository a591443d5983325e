#include "batch_bytes.h"

#include "wire.h"

/* Readings begin with their version: a bare block with its own (1), or sequences and then the block. */
enum { STEP_VERSION = 1, READINGS_WITH_SEQUENCES = 2 };

static void put_observation(struct wire_writer *w, const struct observation *o)
{
    wire_put_u64(w, o->sequence);
    wire_put_i64(w, o->at_us);
    wire_put_u64(w, o->category);
    wire_put_u64(w, o->state);
    const char *const texts[] = {o->device,      o->device_name,     o->item,      o->type,        o->value,
                                 o->native_code, o->native_severity, o->qualifier, o->condition_id};
    for (size_t k = 0; k < sizeof texts / sizeof *texts; k++)
        wire_put_text(w, texts[k]);
}

static const struct observation *observation_of(struct wire_reader *r)
{
    struct observation *o = arena_array(r->mem, struct observation, 1);
    o->sequence = wire_u64(r);
    o->at_us = wire_i64(r);
    uint64_t category = wire_u64(r), state = wire_u64(r);
    if (category > CATEGORY_CONDITION || state > STATE_LISTED)
        r->failed = true;
    o->category = (enum category)category;
    o->state = (enum condition_state)state;
    const char **const texts[] = {
        &o->device,      &o->device_name,     &o->item,      &o->type,        &o->value,
        &o->native_code, &o->native_severity, &o->qualifier, &o->condition_id};
    for (size_t k = 0; k < sizeof texts / sizeof *texts; k++)
        *texts[k] = wire_text(r);
    if (!o->device || !o->item || !o->type)
        r->failed = true;
    return o;
}

static void put_cursor(struct wire_writer *w, const struct cursor *c)
{
    wire_put_text(w, c->instance);
    wire_put_u64(w, c->next);
}

static struct cursor cursor_of(struct wire_reader *r)
{
    struct cursor c = {.instance = wire_text(r)};
    c.next = wire_u64(r);
    if (!c.instance || c.next > INT64_MAX)
        r->failed = true;
    return c;
}

static void put_conditions(struct wire_writer *w, const struct batch *b)
{
    wire_put_u64(w, b->condition_count);
    for (size_t k = 0; k < b->condition_count; k++) {
        put_observation(w, b->conditions[k].observation);
        wire_put_text(w, b->conditions[k].drive);
        wire_put_text(w, b->conditions[k].axis);
        wire_put_text(w, b->conditions[k].machine);
    }
    wire_put_u64(w, b->event_count);
    for (size_t k = 0; k < b->event_count; k++) {
        put_observation(w, b->events[k].observation);
        wire_put_u64(w, b->events[k].role);
    }
}

static void conditions_of(struct wire_reader *r, struct batch *b)
{
    b->condition_count = wire_count(r, 16);
    b->conditions = arena_array(r->mem, struct condition_row, b->condition_count);
    for (size_t k = 0; k < b->condition_count; k++) {
        b->conditions[k].observation = observation_of(r);
        b->conditions[k].drive = wire_text(r);
        b->conditions[k].axis = wire_text(r);
        b->conditions[k].machine = wire_text(r);
    }
    b->event_count = wire_count(r, 14);
    b->events = arena_array(r->mem, struct event_row, b->event_count);
    for (size_t k = 0; k < b->event_count; k++) {
        b->events[k].observation = observation_of(r);
        uint64_t role = wire_u64(r);
        if (role > ROLE_POWER)
            r->failed = true;
        b->events[k].role = (enum item_role)role;
    }
}

static void put_losses(struct wire_writer *w, const struct batch *b)
{
    wire_put_u64(w, b->gap_count);
    for (size_t k = 0; k < b->gap_count; k++) {
        const struct gap_row *g = &b->gaps[k];
        wire_put_text(w, g->instance);
        wire_put_u64(w, g->from_sequence);
        wire_put_u64(w, g->to_sequence);
        wire_put_i64(w, g->from_us);
        wire_put_i64(w, g->to_us);
        wire_put_text(w, g->reason);
    }
    wire_put_u64(w, b->set_aside_count);
    for (size_t k = 0; k < b->set_aside_count; k++) {
        wire_put_text(w, b->set_aside[k].item);
        wire_put_text(w, b->set_aside[k].reason);
        wire_put_u64(w, b->set_aside[k].sequence);
    }
}

static void losses_of(struct wire_reader *r, struct batch *b)
{
    b->gap_count = wire_count(r, 6);
    b->gaps = arena_array(r->mem, struct gap_row, b->gap_count);
    for (size_t k = 0; k < b->gap_count; k++) {
        struct gap_row *g = &b->gaps[k];
        g->instance = wire_text(r);
        g->from_sequence = wire_u64(r);
        g->to_sequence = wire_u64(r);
        g->from_us = wire_i64(r);
        g->to_us = wire_i64(r);
        g->reason = wire_text(r);
        if (!g->instance || !g->reason)
            r->failed = true;
    }
    b->set_aside_count = wire_count(r, 3);
    b->set_aside = arena_array(r->mem, struct set_aside_row, b->set_aside_count);
    for (size_t k = 0; k < b->set_aside_count; k++) {
        b->set_aside[k].item = wire_text(r);
        b->set_aside[k].reason = wire_text(r);
        b->set_aside[k].sequence = wire_u64(r);
        if (!b->set_aside[k].reason)
            r->failed = true;
    }
}

const uint8_t *batch_step_encode(const struct batch *b, struct arena *mem, size_t *bytes)
{
    struct wire_writer w = {.mem = mem};
    wire_put_u64(&w, STEP_VERSION);
    wire_put_text(&w, b->site);
    wire_put_text(&w, b->source);
    wire_put_i64(&w, b->received_us);
    put_cursor(&w, &b->from);
    put_cursor(&w, &b->to);
    wire_put_i64(&w, b->clock_offset_us);
    wire_put_u64(&w, b->buffer_size);
    wire_put_u64(&w, b->last_sequence);
    wire_put_u64(&w, b->observations);
    wire_put_u64(&w, b->ahead);
    wire_put_u64(&w, b->reading_count);
    put_conditions(&w, b);
    put_losses(&w, b);
    *bytes = w.size;
    return w.bytes;
}

bool batch_step_decode(const uint8_t *p, size_t bytes, struct arena *mem, struct batch *out, struct err *err)
{
    struct wire_reader r = {.mem = mem, .at = p, .end = p + bytes};
    *out = (struct batch){0};
    if (wire_u64(&r) != STEP_VERSION)
        r.failed = true;
    out->site = wire_text(&r);
    out->source = wire_text(&r);
    out->received_us = wire_i64(&r);
    out->from = cursor_of(&r);
    out->to = cursor_of(&r);
    out->clock_offset_us = wire_i64(&r);
    out->buffer_size = wire_u64(&r);
    out->last_sequence = wire_u64(&r);
    out->observations = (size_t)wire_u64(&r);
    out->ahead = (size_t)wire_u64(&r);
    out->reading_count = (size_t)wire_u64(&r);
    conditions_of(&r, out);
    losses_of(&r, out);
    if (r.failed || r.at != r.end || !out->site || !out->source)
        return err_set(err, ERR_INPUT, "damaged batch of %zu bytes", bytes);
    return true;
}

/* They rise by little. */
static void put_sequences(struct wire_writer *w, const struct batch *b)
{
    uint64_t before = 0;
    for (size_t k = 0; k < b->reading_count; k++) {
        wire_put_i64(w, (int64_t)(b->reading_sequences[k] - before));
        before = b->reading_sequences[k];
    }
}

static void sequences_of(struct wire_reader *r, struct batch *b)
{
    uint64_t before = 0;
    if (b->reading_count > (size_t)(r->end - r->at)) {
        r->failed = true;
        return;
    }
    b->reading_sequences = arena_array(r->mem, uint64_t, b->reading_count);
    for (size_t k = 0; k < b->reading_count; k++) {
        before += (uint64_t)wire_i64(r);
        b->reading_sequences[k] = before;
    }
}

const uint8_t *batch_readings_encode(const struct batch *b, struct arena *mem, size_t *bytes)
{
    *bytes = 0;
    if (!b->reading_count)
        return NULL;
    size_t block_bytes;
    const uint8_t *block = block_encode(b->readings, b->reading_count, mem, &block_bytes);
    struct wire_writer w = {.mem = mem};
    if (b->reading_sequences) {
        wire_put_u64(&w, READINGS_WITH_SEQUENCES);
        put_sequences(&w, b);
    }
    wire_put_bytes(&w, block, block_bytes);
    *bytes = w.size;
    return w.bytes;
}

bool batch_readings_decode(const uint8_t *p, size_t bytes, struct arena *mem, struct batch *b,
                           struct err *err)
{
    struct wire_reader r = {.mem = mem, .at = p, .end = p + bytes};
    size_t count;
    b->reading_sequences = NULL;
    if (bytes && *p == READINGS_WITH_SEQUENCES) {
        wire_u64(&r);
        sequences_of(&r, b);
    }
    if (r.failed)
        return err_set(err, ERR_INPUT, "damaged sequences of %zu readings", b->reading_count);
    if (!block_decode(r.at, (size_t)(r.end - r.at), mem, &b->readings, &count, err))
        return false;
    if (count != b->reading_count)
        return err_set(err, ERR_INPUT, "batch of %zu readings has %zu", b->reading_count, count);
    return true;
}
