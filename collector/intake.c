#include "intake.h"

#include "intake_listed.h"

#include "base/text.h"

#include <math.h>
#include <string.h>

enum { REASON_TEXT = 60 };

/*
 * What no clock of a machine in use says. A day ahead: a wrong zone is still taken, a wrong date is not.
 * Ten years back: a clock that lost its battery begins at its maker's epoch; a value that has not changed
 * for years is still taken.
 */
static const int64_t MOST_AHEAD_US = US_PER_DAY;
static const int64_t MOST_BACK_US = 3653 * US_PER_DAY;
/* Beyond it the equipment's clock is said to go ahead of its publisher's. */
static const int64_t AHEAD_US = 300 * US_PER_S;

struct intake {
    const struct source *source;
    struct arena *mem;
    struct batch *out;
};

/* Room for one more item at the end of an array, which grows by doubling. */
static void *with_room(struct arena *mem, void *array, size_t count, size_t size)
{
    bool is_full = (count & (count - 1)) == 0;
    return is_full ? arena_grow(mem, array, count, count ? 2 * count : 1, size) : array;
}

static void set_aside(struct intake *in, uint64_t sequence, const char *item, const char *reason)
{
    struct batch *b = in->out;
    b->set_aside = with_room(in->mem, b->set_aside, b->set_aside_count, sizeof *b->set_aside);
    b->set_aside[b->set_aside_count++] =
        (struct set_aside_row){arena_strdup(in->mem, item), arena_strdup(in->mem, reason), sequence};
}

static struct observation *copy_of(const struct observation *o, struct arena *mem)
{
    struct observation *c = arena_alloc(mem, sizeof *c);
    *c = *o;
    const char **texts[] = {&c->device,      &c->device_name,     &c->item,      &c->type,        &c->value,
                            &c->native_code, &c->native_severity, &c->qualifier, &c->condition_id};
    for (size_t k = 0; k < sizeof texts / sizeof *texts; k++)
        *texts[k] = arena_strdup(mem, *texts[k]);
    return c;
}

static const char *quoted(struct intake *in, const char *value, const char *what)
{
    char *cut = arena_strdup(in->mem, value);
    text_cut(cut, REASON_TEXT);
    return arena_printf(in->mem, "'%s' %s", cut, what);
}

static bool is(const char *text, const char *word)
{
    return text && strcmp(text, word) == 0;
}

/* Degrees per second to thousandths of a revolution per minute: 360 degrees, 60 seconds. */
static bool milli_of_degrees(const char *text, int32_t *milli_rpm)
{
    double degrees;
    if (!text_double(text, &degrees) || fabs(degrees) / 6 * 1000 >= INT32_MAX)
        return false;
    *milli_rpm = (int32_t)lround(degrees * 1000 / 6);
    return true;
}

/* By the source's model, else those that the standard fixes for the type. */
static const char *units_of(const struct item_binding *b, const struct observation *o)
{
    if (b->check && b->check->units && *b->check->units)
        return b->check->units;
    return is(o->type, "ANGULAR_VELOCITY") ? "DEGREE/SECOND"
           : is(o->type, "FREQUENCY")      ? "HERTZ"
                                           : "REVOLUTION/MINUTE";
}

static bool milli_rpm(const struct observation *o, const char *units, int32_t *milli)
{
    return is(units, "DEGREE/SECOND") ? milli_of_degrees(o->value, milli) : text_milli(o->value, milli);
}

/* Why a speed is not that of the fan at a moment; NULL when it is. */
static const char *not_a_speed(struct intake *in, const struct observation *o, const char *units)
{
    if (is(units, "HERTZ"))
        return "it is a frequency: how many pulses make a revolution is not known";
    if (!is(units, "REVOLUTION/MINUTE") && !is(units, "DEGREE/SECOND"))
        return quoted(in, units, "is not a unit of speed");
    if (o->statistic)
        return quoted(in, o->statistic, "of a span of time, not the speed at a moment");
    if (o->sub_type && !is(o->sub_type, "ACTUAL"))
        return quoted(in, o->sub_type, "is not the actual speed");
    return NULL;
}

static void take_speed(struct intake *in, const struct item_binding *b, const struct observation *o)
{
    struct reading r = {.fan_no = b->fan_no, .milli_rpm = RPM_UNAVAILABLE, .at_us = o->at_us};
    const char *units = units_of(b, o), *reason = not_a_speed(in, o, units);
    if (reason) {
        set_aside(in, o->sequence, o->item, reason);
        return;
    }
    if (o->value && !milli_rpm(o, units, &r.milli_rpm)) {
        set_aside(in, o->sequence, o->item, quoted(in, o->value, "is not a speed in rev/min"));
        return;
    }
    if (o->value && r.milli_rpm < 0) {
        set_aside(in, o->sequence, o->item, quoted(in, o->value, "is a speed below 0"));
        return;
    }
    in->out->reading_sequences[in->out->reading_count] = o->sequence;
    in->out->readings[in->out->reading_count++] = r;
}

static void take_condition(struct intake *in, const struct item_binding *b, const struct observation *o)
{
    struct batch *out = in->out;
    out->conditions = with_room(in->mem, out->conditions, out->condition_count, sizeof *out->conditions);
    out->conditions[out->condition_count++] = (struct condition_row){
        .observation = copy_of(o, in->mem),
        .drive = arena_strdup(in->mem, b->drive),
        .axis = arena_strdup(in->mem, b->axis),
        .machine = arena_strdup(in->mem, b->machine),
    };
}

static void take_event(struct intake *in, const struct item_binding *b, const struct observation *o)
{
    struct batch *out = in->out;
    out->events = with_room(in->mem, out->events, out->event_count, sizeof *out->events);
    out->events[out->event_count++] = (struct event_row){copy_of(o, in->mem), b->role};
}

static bool is_condition_role(enum item_role role)
{
    return role == ROLE_DRIVE_CONDITION || role == ROLE_AXIS_CONDITION;
}

static bool is_too_old(const struct intake *in, int64_t at_us)
{
    return at_us < in->out->received_us - MOST_BACK_US;
}

static bool is_ahead(const struct intake *in, int64_t at_us)
{
    return at_us > in->out->received_us + MOST_AHEAD_US;
}

/* NULL when the observation can be used. */
static const char *objection(const struct intake *in, const struct item_binding *b,
                             const struct observation *o)
{
    if (b->check && b->check->stopped)
        return b->check->stopped;
    if (is_too_old(in, o->at_us))
        return "its time lies more than ten years back";
    if (is_ahead(in, o->at_us))
        return "its time lies more than a day ahead";
    if (is_condition_role(b->role) && o->category != CATEGORY_CONDITION)
        return "it is bound as a condition, but is none";
    if (!is_condition_role(b->role) && o->category == CATEGORY_CONDITION)
        return "it is a condition, but is not bound as one";
    return NULL;
}

static void take(struct intake *in, const struct observation *o)
{
    const struct item_binding *b = source_item(in->source, o->device, o->device_name, o->item);
    if (!b)
        return;
    const char *reason = objection(in, b, o);
    bool has_offset = in->out->clock_offset_us != TIME_UNKNOWN;
    int64_t published_us = in->out->received_us + (has_offset ? in->out->clock_offset_us : 0);
    in->out->ahead += o->at_us > published_us + AHEAD_US;
    if (reason)
        set_aside(in, o->sequence, o->item, reason);
    else if (b->role == ROLE_FAN_SPEED)
        take_speed(in, b, o);
    else if (is_condition_role(b->role))
        take_condition(in, b, o);
    else
        take_event(in, b, o);
}

static void take_test_data(struct intake *in, const struct document *d)
{
    if (!d->count)
        return;
    set_aside(in, 0, NULL,
              arena_printf(in->mem, "the source marks its answer as test data: %zu observations left out",
                           d->count));
}

static void take_part(struct intake *in, const struct poll_part *part)
{
    const struct document *d = part->document;
    if (d->test_data) {
        take_test_data(in, d);
        return;
    }
    uint64_t before = 0;
    for (size_t k = 0; k < d->count; k++) {
        const struct observation *o = &d->observations[k];
        if (o->sequence < part->first || o->sequence >= part->end || o->sequence == before)
            continue;
        in->out->observations++;
        take(in, o);
        before = o->sequence;
    }
    for (size_t k = 0; k < d->refused; k++) {
        const struct refusal *r = &d->refusals[k];
        if (!r->sequence || (r->sequence >= part->first && r->sequence < part->end))
            set_aside(in, r->sequence, r->item, r->reason);
    }
}

static struct cursor copy_of_cursor(const struct cursor *c, struct arena *mem)
{
    return (struct cursor){arena_strdup(mem, c->instance), c->next};
}

static void take_gaps(struct intake *in, const struct poll_result *answer)
{
    in->out->gaps = arena_array(in->mem, struct gap_row, answer->gap_count);
    in->out->gap_count = answer->gap_count;
    for (size_t k = 0; k < answer->gap_count; k++) {
        in->out->gaps[k] = answer->gaps[k];
        in->out->gaps[k].instance = arena_strdup(in->mem, answer->gaps[k].instance);
    }
}

void intake(const struct source *s, const struct poll_result *answer, int64_t received_us, struct arena *mem,
            struct batch *out)
{
    *out = (struct batch){
        .site = s->site,
        .source = s->source,
        .received_us = received_us,
        .from = copy_of_cursor(&answer->from, mem),
        .to = copy_of_cursor(&answer->to, mem),
        .clock_offset_us =
            answer->created_us == TIME_UNKNOWN ? TIME_UNKNOWN : answer->created_us - received_us,
        .buffer_size = answer->buffer_size,
        .last_sequence = answer->last_sequence,
    };
    struct intake in = {s, mem, out};
    size_t most = 0;
    for (size_t k = 0; k < answer->part_count; k++)
        most += answer->parts[k].document->count;
    out->readings = arena_array(mem, struct reading, most);
    out->reading_sequences = arena_array(mem, uint64_t, most);
    for (size_t k = 0; k < answer->part_count; k++)
        take_part(&in, &answer->parts[k]);
    int64_t published_us = answer->state ? answer->state->created_us : TIME_UNKNOWN;
    bool is_sound = !is_too_old(&in, published_us) && !is_ahead(&in, published_us);
    intake_listed(s, answer, is_sound ? published_us : received_us, mem, out);
    take_gaps(&in, answer);
}
