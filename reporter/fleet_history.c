#include "fleet_read.h"
#include "queries.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *const action_words[] = {
    [WORK_CLEANED] = "cleaned", [WORK_RESEATED] = "reseated",   [WORK_REPLACED] = "replaced",
    [WORK_HOUSING] = "housing", [WORK_CONNECTOR] = "connector", [WORK_BOARD] = "board",
    [WORK_DRIVE] = "drive",     [WORK_NONE] = "none",
};

static enum work_action action_of(const char *word)
{
    for (enum work_action a = WORK_CLEANED; a <= WORK_NONE; a++)
        if (strcmp(action_words[a], word) == 0)
            return a;
    BUG("unknown action '%s'", word);
}

/* A replacement in the work record is the newer truth than what the register says of the fan. */
static void take_replacement(struct fan *fan, const struct work *w)
{
    int32_t day = day_of(w->done_us);
    if (w->action != WORK_REPLACED || (fan->installed_day != DAY_UNKNOWN && fan->installed_day >= day))
        return;
    fan->installed_day = day;
    fan->hours_at_install = 0;
}

/* The rows from 'row' on that belong to the fan of that row. */
static size_t read_fan_work(struct fleet_reader *r, const struct rows *rows, size_t row, size_t limit)
{
    enum { DRIVE, POSITION, DONE, ACTION, REASON, FINDING, TECHNICIAN, PART, NOTE, BEFORE, AFTER };
    struct fan *fan = fleet_find_fan(r->fleet, rows_text(rows, row, DRIVE), rows_text(rows, row, POSITION));
    size_t n = fleet_run(rows, row, POSITION);
    if (n > limit)
        n = limit;
    fan->work = arena_array(r->mem, struct work, n);
    fan->work_count = n;
    for (size_t k = 0, i = row; k < n; k++, i++) {
        fan->work[k] = (struct work){
            .done_us = rows_moment(rows, i, DONE),
            .action = action_of(rows_text(rows, i, ACTION)),
            .reason = fleet_text(r, rows, i, REASON),
            .finding = fleet_text(r, rows, i, FINDING),
            .technician = fleet_text(r, rows, i, TECHNICIAN),
            .part = fleet_text(r, rows, i, PART),
            .note = fleet_text(r, rows, i, NOTE),
            .rpm_before = rows_real(rows, i, BEFORE),
            .rpm_after = rows_real(rows, i, AFTER),
        };
        take_replacement(fan, &fan->work[k]);
    }
    return n;
}

static bool read_work(struct fleet_reader *r, struct err *err)
{
    const struct db_value params[] = {db_moment(r->fleet->as_of_us)};
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_work, params, 1, &rows, err))
        return err_in(err, "work");
    for (size_t i = 0; i < rows_count(rows);) {
        size_t end = i + fleet_run(rows, i, 0);
        while (i < end)
            i += read_fan_work(r, rows, i, end - i);
    }
    rows_free(rows);
    return true;
}

static bool read_episodes(struct fleet_reader *r, struct err *err)
{
    enum { DRIVE, FAULT, BEGAN, ALARM, ENDED, OUTCOME, END_SEEN, REPORTS };
    const struct db_value params[] = {db_moment(r->fleet->as_of_us)};
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_episodes, params, 1, &rows, err))
        return err_in(err, "episodes");
    for (size_t i = 0, n; i < rows_count(rows); i += n) {
        n = fleet_run(rows, i, DRIVE);
        struct drive *d = fleet_find_drive(r->fleet, rows_text(rows, i, DRIVE));
        if (!d)
            continue;
        d->episodes = arena_array(r->mem, struct episode, n);
        d->episode_count = n;
        for (size_t k = 0; k < n; k++) {
            bool heat_sink = strcmp(rows_text(rows, i + k, FAULT), "heat_sink_fan") == 0;
            d->episodes[k] = (struct episode){
                .fault = heat_sink ? FAULT_HEAT_SINK_FAN : FAULT_FAN,
                .began_us = rows_moment(rows, i + k, BEGAN),
                .alarm_us = rows_moment(rows, i + k, ALARM),
                .ended_us = rows_moment(rows, i + k, ENDED),
                .end_seen = rows_bool(rows, i + k, END_SEEN),
                .reports = (int)rows_int(rows, i + k, REPORTS),
            };
            if (!episode_outcome_parse(rows_text(rows, i + k, OUTCOME), &d->episodes[k].outcome))
                BUG("unknown outcome '%s'", rows_text(rows, i + k, OUTCOME));
        }
    }
    rows_free(rows);
    return true;
}

static int by_fan_no(const void *a, const void *b)
{
    const struct fan *const *x = a, *const *y = b;
    return ((*x)->fan_no > (*y)->fan_no) - ((*x)->fan_no < (*y)->fan_no);
}

static void list_fans(struct fleet_reader *r)
{
    struct fleet *f = r->fleet;
    size_t *count = arena_array(r->mem, size_t, f->site_count);

    for (size_t i = 0; i < f->drive_count; i++)
        count[f->drives[i].machine->site - f->sites] += f->drives[i].fan_count;
    for (size_t i = 0; i < f->site_count; i++)
        f->sites[i].fans = arena_array(r->mem, struct fan *, count[i]);
    for (size_t i = 0; i < f->drive_count; i++) {
        struct site *site = &f->sites[f->drives[i].machine->site - f->sites];
        for (size_t k = 0; k < f->drives[i].fan_count; k++)
            site->fans[site->fan_count++] = &f->drives[i].fans[k];
    }
    for (size_t i = 0; i < f->site_count; i++)
        if (f->sites[i].fan_count)
            qsort(f->sites[i].fans, f->sites[i].fan_count, sizeof *f->sites[i].fans, by_fan_no);
}

/* The days of a site on their way to their fans. */
struct day_giver {
    const struct site *site;
    struct arena *mem;
    size_t at; /* place of the last row's fan */
};

/* Rows come fan by fan or day by day: mostly the fan is that of the last row or the next one. */
static struct fan *fan_of(struct day_giver *g, int32_t fan_no)
{
    struct fan **fans = g->site->fans;
    size_t low = 0, high = g->site->fan_count;

    for (size_t k = 0; k < 2 && g->at + k < high; k++)
        if (fans[g->at + k]->fan_no == fan_no)
            return fans[g->at += k];
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (fans[middle]->fan_no < fan_no)
            low = middle + 1;
        else
            high = middle;
    }
    if (low == g->site->fan_count || fans[low]->fan_no != fan_no)
        return NULL; /* no such fan in the register any more */
    return fans[g->at = low];
}

/* Mostly it is the newest; room is for 32, 64, 128 ... */
static void insert_day(struct fan *fan, const struct fan_day *day, struct arena *mem)
{
    enum { LEAST_ROOM = 32 };
    size_t n = fan->day_count++;
    if (n == 0 || (n >= LEAST_ROOM && (n & (n - 1)) == 0))
        fan->days = arena_grow(mem, fan->days, n, n ? 2 * n : LEAST_ROOM, sizeof *day);
    for (; n && fan->days[n - 1].day > day->day; n--)
        fan->days[n] = fan->days[n - 1];
    fan->days[n] = *day;
}

static uint16_t saturated(int32_t count)
{
    return (uint16_t)(count < UINT16_MAX ? count : UINT16_MAX);
}

static bool on_day(void *context, const struct db_copied *row, struct err *err)
{
    enum { FAN_NO, DAY, UNAVAILABLE, ZERO, COVERED, LOWEST, MEDIAN };
    struct day_giver *g = context;
    struct fan *fan = fan_of(g, copied_int(row, FAN_NO));
    (void)err;

    const struct fan_day day = {
        .day = copied_day(row, DAY),
        .unavailable_readings = saturated(copied_int(row, UNAVAILABLE)),
        .zero_readings = saturated(copied_int(row, ZERO)),
        .covered_s = copied_int(row, COVERED),
        .lowest = (float)copied_real(row, LOWEST),
        .median = copied_real(row, MEDIAN),
    };
    if (fan)
        insert_day(fan, &day, g->mem);
    return true;
}

bool fleet_read_days(struct db *db, const struct fleet *fleet, const struct site *site, struct arena *mem,
                     struct err *err)
{
    struct day_giver g = {.site = site, .mem = mem};
    const struct db_value params[] = {db_text(site->site), db_moment(fleet->as_of_us)};

    return db_copy_out(db, &q_fleet_fan_days, params, 2, on_day, &g, err) ||
           err_in(err, "daily summaries of site '%s'", site->site);
}

void fleet_forget_days(const struct site *site)
{
    for (size_t i = 0; i < site->fan_count; i++) {
        site->fans[i]->days = NULL;
        site->fans[i]->day_count = 0;
    }
}

bool fleet_read_history(struct fleet_reader *r, struct err *err)
{
    list_fans(r);
    return read_work(r, err) && read_episodes(r, err);
}
