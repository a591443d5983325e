#include "live.h"

#include <stdlib.h>
#include <time.h>

enum {
    TICK_MS = 250,
    READ_EVERY_MS = 10000,
    READ_FAULT_EVERY_MS = 2000,
    FIRST_FAULT_AFTER_MS = 20000,
    LAG_MS = 700
};
enum { SLOWS_DOWN_MS = 20000, MAX_FAULTS = 256 };

struct live_fault {
    int drive, fan;
    int64_t begun_ms, warning_ms, alarm_ms, clear_ms; /* NEVER: not yet */
    int told_warning, told_alarm, told_clear;         /* reports of the drive that have said so */
    uint32_t id;
};

struct live {
    struct world *w;
    bool wall_clock, runs, first_fault_made;
    int64_t begun_ms; /* moment of the simulated time at the beginning */
    struct timespec began;
    pthread_t thread;
    gsl_rng *dice;
    int64_t *due_ms; /* next reading per fan */
    struct live_fault faults[MAX_FAULTS];
    int fault_count;
};

struct live *live_new(struct world *w, bool wall_clock)
{
    struct live *l = calloc(1, sizeof *l);

    if (!l)
        die("out of memory");
    l->w = w;
    l->wall_clock = wall_clock;
    return l;
}

bool live_runs(const struct live *l)
{
    return l && l->runs;
}

static int64_t live_now_ms(const struct live *l)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return l->begun_ms + (now.tv_sec - l->began.tv_sec) * MS_PER_S +
           (now.tv_nsec - l->began.tv_nsec) / 1000000;
}

static void append(struct live *l, int source, int item, int64_t at_ms, uint8_t state, int32_t value)
{
    struct record *r = l->w->records + source;
    struct instance *i = r->instances + r->instance_count - 1;

    i->at = grown(i->at, i->count, sizeof *i->at);
    i->at[i->count] = (struct observation){at_ms, value, (uint32_t)i->count, (uint16_t)item, 0, state, 0};
    i->count++;
}

static struct live_fault *fault_of(struct live *l, int drive)
{
    for (int i = 0; i < l->fault_count; i++)
        if (l->faults[i].drive == drive && l->faults[i].told_clear < l->w->fleet->drives[drive].report_count)
            return l->faults + i;
    return NULL;
}

/* Down to 45 % of its speed within a few seconds. */
static int32_t slow_reading(const struct fleet *f, const struct fan *fan, const struct live_fault *fault,
                            int64_t at_ms)
{
    int step = drive_model_of(f, fan->drive)->resolution_rpm;
    double part = (double)(at_ms - fault->begun_ms) / SLOWS_DOWN_MS;
    double speed = physics_speed(f, fan, at_ms) * (1 - 0.55 * (part < 1 ? part : 1));

    return step * (int32_t)(speed / step);
}

static void read_fan(struct live *l, int index, int64_t now_ms)
{
    const struct fleet *f = l->w->fleet;
    const struct fan *fan = f->fans + index;
    const struct machine *m = machine_of(f, fan->drive);
    struct live_fault *fault = fault_of(l, fan->drive);
    int32_t *last = l->w->records[m->source].live_values + fan->speed_item, rpm;

    if (now_ms < l->due_ms[index] || windows_cover(&m->silent, now_ms))
        return;
    if (fault && (fault->fan != index || fault->clear_ms != NEVER))
        fault = NULL;
    l->due_ms[index] =
        now_ms + (fault ? READ_FAULT_EVERY_MS : READ_EVERY_MS + dice_whole(l->dice, -300, 300));
    rpm = fault ? slow_reading(f, fan, fault, now_ms) : physics_reading(f, fan, now_ms, l->dice);
    if (fault && fault->warning_ms == NEVER &&
        rpm < f->fan_models[fan->units[fan->unit_count - 1].model].warning_rpm)
        fault->warning_ms = now_ms;
    if (rpm == *last)
        return;
    *last = rpm;
    append(l, m->source, fan->speed_item, now_ms, rpm == RPM_UNAVAILABLE ? STATE_UNAVAILABLE : STATE_VALUE,
           rpm == RPM_UNAVAILABLE ? 0 : rpm);
}

static void tell(struct live *l, const struct live_fault *fault, int report, int64_t at_ms, uint8_t state,
                 enum code code, bool bare)
{
    const struct fleet *f = l->w->fleet;
    const struct drive *d = f->drives + fault->drive;
    int source = f->machines[d->machine].source;
    struct detail detail = {NONE, false, family_of(f, fault->drive)->natives + code, 0, 0};

    if (f->sources[source].clearing == CLEARS_BY_ID)
        detail.id = fault->id;
    append(l, source, d->reports[report], at_ms, state,
           bare ? NONE : record_add_detail(l->w->records + source, detail));
}

static void tell_clear(struct live *l, const struct live_fault *fault, int report, int64_t at_ms)
{
    const struct source *s = source_of(l->w->fleet, fault->drive);
    bool alarmed = fault->told_alarm > report, warned = fault->told_warning > report;

    if (s->clearing == CLEARS_BARE) {
        tell(l, fault, report, at_ms, STATE_NORMAL, CODE_FAN_WARNING, true);
        return;
    }
    if (alarmed)
        tell(l, fault, report, at_ms, STATE_NORMAL, CODE_FAN_ALARM, false);
    if (warned && (!alarmed || s->clearing == CLEARS_BY_CODE))
        tell(l, fault, report, at_ms, STATE_NORMAL, CODE_FAN_WARNING, false);
}

/* Warning, and unless it is cleared the alarm; each axis a little later than the one before. */
static void play_fault(struct live *l, struct live_fault *fault, int64_t now_ms)
{
    const struct drive *d = l->w->fleet->drives + fault->drive;

    if (fault->warning_ms != NEVER && fault->alarm_ms == NEVER)
        fault->alarm_ms =
            fault->warning_ms + drive_model_of(l->w->fleet, fault->drive)->warning_to_alarm_s * MS_PER_S;
    while (!d->warning_hidden && fault->told_warning < d->report_count && fault->clear_ms == NEVER &&
           fault->warning_ms != NEVER && now_ms >= fault->warning_ms + fault->told_warning * LAG_MS)
        tell(l, fault, fault->told_warning++, now_ms, STATE_WARNING, CODE_FAN_WARNING, false);
    while (fault->told_alarm < d->report_count && fault->clear_ms == NEVER && fault->alarm_ms != NEVER &&
           now_ms >= fault->alarm_ms + fault->told_alarm * LAG_MS)
        tell(l, fault, fault->told_alarm++, now_ms, STATE_ALARM, CODE_FAN_ALARM, false);
    while (fault->told_clear < d->report_count && fault->clear_ms != NEVER &&
           now_ms >= fault->clear_ms + fault->told_clear * LAG_MS) {
        tell_clear(l, fault, fault->told_clear, now_ms);
        fault->told_clear++;
    }
}

static bool begin_fault(struct live *l, int drive, int64_t now_ms)
{
    const struct drive *d = l->w->fleet->drives + drive;
    struct live_fault fault = {.drive = drive,
                               .fan = d->fans[INTERNAL_1],
                               .begun_ms = now_ms,
                               .warning_ms = NEVER,
                               .alarm_ms = NEVER,
                               .clear_ms = NEVER,
                               .id = 900000 + (uint32_t)l->fault_count};

    if (l->fault_count == MAX_FAULTS || fault_of(l, drive) || !d->report_count)
        return false;
    if (l->w->fleet->fans[fault.fan].speed_item == NONE)
        fault.warning_ms = now_ms + SLOWS_DOWN_MS;
    l->due_ms[fault.fan] = now_ms;
    l->faults[l->fault_count++] = fault;
    return true;
}

static void tick(struct live *l)
{
    const struct fleet *f = l->w->fleet;
    int64_t now_ms;

    pthread_rwlock_wrlock(&l->w->lock);
    now_ms = live_now_ms(l);
    if (!l->first_fault_made && now_ms >= l->begun_ms + FIRST_FAULT_AFTER_MS && f->live_drive != NONE) {
        begin_fault(l, f->live_drive, now_ms);
        l->first_fault_made = true;
    }
    for (size_t i = 0; i < f->fan_count; i++)
        if (f->fans[i].speed_item != NONE)
            read_fan(l, (int)i, now_ms);
    for (int i = 0; i < l->fault_count; i++)
        play_fault(l, l->faults + i, now_ms);
    l->w->now_ms = now_ms;
    pthread_rwlock_unlock(&l->w->lock);
}

static void *run(void *argument)
{
    static const struct timespec pause = {0, TICK_MS * 1000000L};
    struct live *l = argument;

    while (__atomic_load_n(&l->runs, __ATOMIC_RELAXED)) {
        tick(l);
        nanosleep(&pause, NULL);
    }
    return NULL;
}

static void remember_values(struct world *w, size_t source)
{
    struct record *r = w->records + source;
    const struct instance *i = r->instances + r->instance_count - 1;

    r->live_values = calloc(w->fleet->sources[source].item_count, sizeof *r->live_values);
    if (!r->live_values)
        die("out of memory");
    for (size_t n = 0; n < i->count; n++)
        r->live_values[i->at[n].item] =
            i->at[n].state == STATE_UNAVAILABLE ? RPM_UNAVAILABLE : i->at[n].value;
}

void live_begin(struct live *l)
{
    struct fleet *f = l->w->fleet;
    gsl_rng *dice;

    pthread_rwlock_wrlock(&l->w->lock);
    if (!l->runs) {
        dice = l->dice = dice_new(f->options.seed, DICE_LIVE, 0);
        clock_gettime(CLOCK_MONOTONIC, &l->began);
        l->begun_ms = l->wall_clock ? moment_now_ms() : f->end_ms;
        l->due_ms = calloc(f->fan_count, sizeof *l->due_ms);
        if (!l->due_ms)
            die("out of memory");
        for (size_t i = 0; i < f->fan_count; i++)
            l->due_ms[i] = l->begun_ms + dice_whole(dice, 0, READ_EVERY_MS);
        for (size_t s = 0; s < f->source_count; s++)
            remember_values(l->w, s);
        l->runs = true;
        if (pthread_create(&l->thread, NULL, run, l))
            die("cannot start a thread");
    }
    pthread_rwlock_unlock(&l->w->lock);
}

void live_free(struct live *l)
{
    if (l->runs) {
        __atomic_store_n(&l->runs, false, __ATOMIC_RELAXED);
        pthread_join(l->thread, NULL);
        gsl_rng_free(l->dice);
    }
    free(l->due_ms);
    free(l);
}

bool live_fault(struct live *l, int drive)
{
    bool begun;

    pthread_rwlock_wrlock(&l->w->lock);
    begun = l->runs && begin_fault(l, drive, live_now_ms(l));
    pthread_rwlock_unlock(&l->w->lock);
    return begun;
}

bool live_clear(struct live *l, int drive)
{
    struct live_fault *fault;
    bool cleared = false;

    pthread_rwlock_wrlock(&l->w->lock);
    fault = l->runs ? fault_of(l, drive) : NULL;
    if (fault && fault->clear_ms == NEVER) {
        fault->clear_ms = live_now_ms(l);
        l->due_ms[fault->fan] = fault->clear_ms;
        cleared = true;
    }
    pthread_rwlock_unlock(&l->w->lock);
    return cleared;
}
