#include "record.h"

#include <stdlib.h>
#include <string.h>

enum { START_DELAY_MS = 20000, RESTART_DELAY_MS = 25000 };

/* What is being made: the raw observations of one source. */
struct making {
    const struct world *w;
    const struct fleet *f;
    const struct source *s;
    struct record *r;
    struct observation *raw;
    size_t count;
    gsl_rng *dice;
};

static void put(struct making *k, int item, int64_t at_ms, uint8_t state, int32_t value, uint16_t delay_ms)
{
    if (at_ms + delay_ms > k->f->end_ms)
        return;
    k->raw = grown(k->raw, k->count, sizeof *k->raw);
    k->raw[k->count] =
        (struct observation){at_ms, value, (uint32_t)k->count, (uint16_t)item, delay_ms, state, 0};
    k->count++;
}

static void put_value(struct making *k, int item, int64_t at_ms, int32_t value, uint16_t delay_ms)
{
    bool lost = value == RPM_UNAVAILABLE;

    put(k, item, at_ms, lost ? STATE_UNAVAILABLE : STATE_VALUE, lost ? 0 : value, delay_ms);
}

/* False while the source knows nothing of the machine. */
static bool heard(const struct making *k, const struct machine *m, int64_t at_ms)
{
    const struct fleet *f = k->f;

    if (at_ms < f->start_ms + START_DELAY_MS || windows_cover(&m->silent, at_ms))
        return false;
    return !k->s->restarts || at_ms < f->restart_ms || at_ms >= f->restart_ms + RESTART_DELAY_MS;
}

static void put_reading(struct making *k, const struct fan *fan, int64_t at_ms, uint16_t delay_ms)
{
    const struct machine *m = machine_of(k->f, fan->drive);

    if (heard(k, m, at_ms) && heard(k, m, at_ms + delay_ms))
        put_value(k, fan->speed_item, at_ms, physics_reading(k->f, fan, at_ms, k->dice), delay_ms);
}

/* --- conditions --- */

static enum code first_code(const struct fault *fault)
{
    return fault->kind == FAULT_OTHER           ? fault->other
           : fault->kind == FAULT_HEAT_SINK_FAN ? CODE_HEAT_SINK
                                                : CODE_FAN_WARNING;
}

static enum code alarm_code(const struct fault *fault)
{
    return fault->kind == FAULT_HEAT_SINK_FAN ? CODE_HEAT_SINK : CODE_FAN_ALARM;
}

static void put_condition(struct making *k, int item, int64_t at_ms, uint8_t state, int fault, enum code code,
                          bool ends, int repetition)
{
    const struct family *family = family_of(k->f, k->f->faults[fault].drive);
    struct detail d = {fault, ends, family->natives + code, 0, repetition};

    if (k->s->clearing == CLEARS_BY_ID && code != CODE_BUILDER)
        d.id = 1000 + (uint32_t)fault;
    if (heard(k, machine_of(k->f, k->f->faults[fault].drive), at_ms))
        put(k, item, at_ms, state, record_add_detail(k->r, d), 0);
}

/* A normal that names no code, yet belongs to a fault. */
static void put_bare_normal(struct making *k, int item, int64_t at_ms, int fault)
{
    struct detail d = {fault, true, NULL, 0, 0};

    if (heard(k, machine_of(k->f, k->f->faults[fault].drive), at_ms))
        put(k, item, at_ms, STATE_NORMAL, record_add_detail(k->r, d), 0);
}

static bool warning_shows(const struct fleet *f, const struct fault *fault)
{
    return fault->warning_ms != NEVER &&
           !(fault->kind == FAULT_FAN && f->drives[fault->drive].warning_hidden);
}

static void put_end(struct making *k, int index, int item, int64_t at_ms)
{
    const struct fault *fault = k->f->faults + index;
    bool alarmed = fault->alarm_ms != NEVER, warned = warning_shows(k->f, fault);

    switch (k->s->clearing) {
    case CLEARS_BARE:
        put_bare_normal(k, item, at_ms, index);
        break;
    case CLEARS_BY_ID:
        put_condition(k, item, at_ms, STATE_NORMAL, index, alarmed ? alarm_code(fault) : first_code(fault),
                      true, 0);
        break;
    case CLEARS_BY_CODE:
        if (alarmed)
            put_condition(k, item, at_ms, STATE_NORMAL, index, alarm_code(fault), true, 0);
        if (warned && (!alarmed || fault->kind == FAULT_FAN))
            put_condition(k, item, at_ms + 60, STATE_NORMAL, index, first_code(fault), true, 0);
        break;
    }
}

/* The builder's own message: beside the drive's first report, gone before it. */
static void put_builder(struct making *k, int index, int item, int64_t from_ms)
{
    const struct fault *fault = k->f->faults + index;

    put_condition(k, item, from_ms + 2200, STATE_WARNING, index, CODE_BUILDER, false, 0);
    if (fault->clear_ms != NEVER && k->s->clearing != CLEARS_BARE)
        put_condition(k, item, fault->clear_ms - 300, STATE_NORMAL, index, CODE_BUILDER, false, 0);
}

/* One fault is told once per axis, within a few seconds. */
static void put_fault(struct making *k, int index)
{
    const struct fault *fault = k->f->faults + index;
    const struct drive *d = k->f->drives + fault->drive;
    bool warned = warning_shows(k->f, fault), alarmed = fault->alarm_ms != NEVER;
    int64_t lag_ms = 0;

    if (!warned && !alarmed)
        return;
    for (int i = 0; i < (fault->kind == FAULT_OTHER ? 1 : d->report_count); i++) {
        int item = d->reports[i];

        if (warned)
            put_condition(k, item, fault->warning_ms + lag_ms, STATE_WARNING, index, first_code(fault), false,
                          0);
        if (i == 0 && fault->kind == FAULT_FAN && k->f->machines[d->machine].has_builder_messages)
            put_builder(k, index, item, warned ? fault->warning_ms : fault->alarm_ms);
        if (alarmed) {
            put_condition(k, item, fault->alarm_ms + lag_ms, STATE_ALARM, index, alarm_code(fault), false, 0);
            if (warned && fault->kind == FAULT_FAN && k->s->style == STYLE_COMPOSITION)
                put_condition(k, item, fault->alarm_ms + lag_ms + 40, STATE_NORMAL, index, first_code(fault),
                              false, 0);
            if (i == 0 && fault->clear_ms > fault->alarm_ms + 2 * MS_PER_HOUR)
                put_condition(k, item, fault->alarm_ms + MS_PER_HOUR, STATE_ALARM, index, alarm_code(fault),
                              false, 1);
        }
        if (fault->clear_ms != NEVER)
            put_end(k, index, item, fault->clear_ms + lag_ms);
        lag_ms += dice_whole(k->dice, 300, 950);
    }
}

/* Readings that show what the warning is about. */
static void put_fault_readings(struct making *k, const struct fault *fault)
{
    const struct fan *fan = k->f->fans + fault->fan;

    if (fault->kind != FAULT_FAN || fan->speed_item == NONE)
        return;
    put_reading(k, fan, fault->slow_ms + 500, 0);
    if (fault->alarm_ms != NEVER)
        put_reading(k, fan, fault->alarm_ms + 2500, 0);
    if (fault->clear_ms != NEVER)
        put_reading(k, fan, fault->clear_ms + 2000, 0);
}

/* --- the state as a whole, when a link comes up --- */

static void announce_condition(struct making *k, int item, int drive, int64_t at_ms)
{
    bool active = false;

    for (size_t i = 0; i < k->f->fault_count; i++) {
        const struct fault *fault = k->f->faults + i;
        bool warned = warning_shows(k->f, fault);

        if (fault->drive != drive || fault->clear_ms <= at_ms ||
            (fault->kind == FAULT_OTHER && item != k->f->drives[drive].reports[0]))
            continue;
        if (warned && fault->warning_ms <= at_ms &&
            (fault->alarm_ms > at_ms || k->s->clearing == CLEARS_BY_CODE)) {
            put_condition(k, item, at_ms, STATE_WARNING, (int)i, first_code(fault), false, 0);
            active = true;
        }
        if (fault->alarm_ms <= at_ms) {
            put_condition(k, item, at_ms, STATE_ALARM, (int)i, alarm_code(fault), false, 0);
            active = true;
        }
    }
    if (!active)
        put(k, item, at_ms, STATE_NORMAL, NONE, 0);
}

static void announce_item(struct making *k, int index, const struct machine *m, int64_t at_ms)
{
    const struct item *item = k->s->items + index;
    const struct fleet *f = k->f;

    switch (item->kind) {
    case ITEM_AVAILABILITY:
        put_value(k, index, at_ms, WORD_AVAILABLE, 0);
        break;
    case ITEM_POWER:
        put_value(k, index, at_ms, machine_powered(m, at_ms) ? WORD_ON : WORD_OFF, 0);
        break;
    case ITEM_CONDITION:
        announce_condition(k, index, item->drive != NONE ? item->drive : f->axes[item->axis].drive, at_ms);
        break;
    case ITEM_SPEED:
        put_reading(k, f->fans + f->drives[item->drive].fans[item->position], at_ms, 0);
        break;
    case ITEM_MOTOR:
        put_value(k, index, at_ms, 0, 0);
        break;
    case ITEM_CONNECTION:
        break;
    }
}

/* Says WORD of the agent's link to the machine, where the source has an agent device. */
static void put_link(struct making *k, const struct machine *m, int64_t at_ms, enum word word)
{
    char id[32];

    snprintf(id, sizeof id, "agent_link%td_status", m - k->f->machines);
    for (size_t i = 0; i < k->s->item_count; i++)
        if (strcmp(k->s->items[i].id, id) == 0)
            put_value(k, (int)i, at_ms, (int32_t)word, 0);
}

static void announce(struct making *k, int device, int64_t at_ms)
{
    int machine = k->s->devices[device].machine;
    const struct machine *m = machine == NONE ? NULL : k->f->machines + machine;

    if (m && at_ms > k->f->start_ms + START_DELAY_MS && !heard(k, m, at_ms))
        return;
    for (size_t i = 0; i < k->s->item_count; i++)
        if (k->s->items[i].device == device && (m || k->s->items[i].kind == ITEM_AVAILABILITY))
            announce_item(k, (int)i, m, at_ms + (int64_t)(i % 50) * 3);
    if (m)
        put_link(k, m, at_ms, WORD_ESTABLISHED);
}

static void hush(struct making *k, int device, int64_t at_ms)
{
    for (size_t i = 0; i < k->s->item_count; i++)
        if (k->s->items[i].device == device)
            put(k, (int)i, at_ms, STATE_UNAVAILABLE, k->s->items[i].kind == ITEM_CONDITION ? NONE : 0, 0);
}

/* --- a machine's whole time --- */

static void observe_fan(struct making *k, const struct fan *fan)
{
    for (int64_t hour_ms = k->f->start_ms; hour_ms < k->f->end_ms; hour_ms += MS_PER_HOUR) {
        int64_t at_ms = hour_ms + fan->phase_ms + dice_whole(k->dice, 0, 900);

        put_reading(k, fan, at_ms, (uint16_t)dice_whole(k->dice, 0, 1800));
    }
}

/* Spindle and axis motors: speeds that are no fan's. */
static void observe_motor(struct making *k, int index, const struct machine *m)
{
    for (int64_t at_ms = k->f->start_ms + MS_PER_HOUR; at_ms < k->f->end_ms;
         at_ms += dice_whole(k->dice, 200, 560) * MS_PER_MIN)
        if (heard(k, m, at_ms))
            put_value(k, index, at_ms, machine_powered(m, at_ms) ? 50 * dice_whole(k->dice, 0, 240) : 0, 0);
}

static void observe_power(struct making *k, int device, const struct machine *m)
{
    for (size_t w = 0; w < 2 * m->off.count; w++) {
        bool on = w % 2;
        int64_t at_ms = on ? m->off.at[w / 2].to_ms : m->off.at[w / 2].from_ms;

        if (!heard(k, m, at_ms))
            continue;
        for (size_t i = 0; i < k->s->item_count; i++) {
            const struct item *item = k->s->items + i;

            if (item->device == device && item->kind == ITEM_POWER)
                put_value(k, (int)i, at_ms, on ? WORD_ON : WORD_OFF, 0);
            else if (item->device == device && item->kind == ITEM_SPEED)
                put_reading(k, k->f->fans + k->f->drives[item->drive].fans[item->position],
                            at_ms + (on ? 6000 : 800) + item->position * 110, 0);
        }
    }
}

static void observe_device(struct making *k, int device)
{
    int machine = k->s->devices[device].machine;
    const struct machine *m = k->f->machines + (machine == NONE ? 0 : machine);

    hush(k, device, k->f->start_ms);
    announce(k, device, k->f->start_ms + START_DELAY_MS);
    if (k->s->restarts) {
        hush(k, device, k->f->restart_ms);
        announce(k, device, k->f->restart_ms + RESTART_DELAY_MS);
    }
    if (machine == NONE)
        return;
    for (size_t i = 0; i < k->s->item_count; i++) {
        const struct item *item = k->s->items + i;

        if (item->device == device && item->kind == ITEM_SPEED)
            observe_fan(k, k->f->fans + k->f->drives[item->drive].fans[item->position]);
        else if (item->device == device && item->kind == ITEM_MOTOR)
            observe_motor(k, (int)i, m);
    }
    observe_power(k, device, m);
    for (size_t i = 0; i < m->silent.count; i++) {
        hush(k, device, m->silent.at[i].from_ms);
        put_link(k, m, m->silent.at[i].from_ms, WORD_CLOSED);
        if (m->silent.at[i].to_ms != NEVER)
            announce(k, device, m->silent.at[i].to_ms);
    }
}

/* --- numbering --- */

static int by_arrival(const void *a, const void *b)
{
    const struct observation *x = a, *y = b;
    int64_t xs = x->at_ms + x->delay_ms, ys = y->at_ms + y->delay_ms;

    if (xs != ys)
        return xs < ys ? -1 : 1;
    return x->serial < y->serial ? -1 : 1;
}

static struct instance *begin_instance(struct making *k, int64_t from_ms)
{
    struct instance *i = k->r->instances + k->r->instance_count++;

    i->from_ms = from_ms;
    snprintf(i->id, sizeof i->id, "%lld", (long long)(from_ms / MS_PER_S + (k->s - k->f->sources)));
    return i;
}

/* Unchanged values get no number. */
static bool repeats(const struct observation *last, const struct observation *o, enum category category)
{
    if (last->at_ms == 0 || last->state != o->state)
        return false;
    return o->state == STATE_UNAVAILABLE || (category != CATEGORY_CONDITION && last->value == o->value);
}

static void number(struct making *k)
{
    struct observation *last = calloc(k->s->item_count, sizeof *last);
    struct instance *instance = begin_instance(k, k->f->start_ms);

    if (!last)
        die("out of memory");
    qsort(k->raw, k->count, sizeof *k->raw, by_arrival);
    for (size_t i = 0; i < k->count; i++) {
        const struct observation *o = k->raw + i;

        if (k->s->restarts && o->at_ms >= k->f->restart_ms && k->r->instance_count == 1) {
            instance = begin_instance(k, k->f->restart_ms);
            for (size_t n = 0; n < k->s->item_count; n++)
                last[n] = (struct observation){0};
        }
        if (repeats(last + o->item, o, k->s->items[o->item].category))
            continue;
        last[o->item] = *o;
        instance->at = grown(instance->at, instance->count, sizeof *instance->at);
        instance->at[instance->count++] = *o;
    }
    free(last);
}

void observe_source(struct world *w, int source)
{
    struct making k = {.w = w,
                       .f = w->fleet,
                       .s = w->fleet->sources + source,
                       .r = w->records + source,
                       .dice = dice_new(w->fleet->options.seed, DICE_READING, (size_t)source)};

    for (size_t d = 0; d < k.s->device_count; d++)
        observe_device(&k, (int)d);
    for (size_t i = 0; i < k.f->fault_count; i++) {
        if (source_of(k.f, k.f->faults[i].drive) != k.s)
            continue;
        put_fault(&k, (int)i);
        put_fault_readings(&k, k.f->faults + i);
    }
    number(&k);
    free(k.raw);
    gsl_rng_free(k.dice);
}
