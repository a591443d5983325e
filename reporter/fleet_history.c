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

/* Days come fan by fan: they are gathered in a scratch list and copied to their exact size at the next fan.
 */
struct day_gatherer {
    struct arena *mem;
    struct fan **fans; /* of the site, in order of fan_no */
    size_t fan_count, at;
    struct fan_day *scratch;
    size_t count, room;
    struct arena *scratch_mem;
};

static void give_days(struct day_gatherer *g)
{
    if (!g->count)
        return;
    struct fan *fan = g->fans[g->at];
    fan->days = arena_grow(g->mem, g->scratch, g->count, g->count, sizeof *g->scratch);
    fan->day_count = g->count;
    g->count = 0;
}

static bool on_day(void *context, const struct rows *rows, struct err *err)
{
    enum { FAN_NO, DAY, READINGS, UNAVAILABLE, ZERO, COVERED, MEDIAN, MEAN, MIN, MAX, SPREAD, LAST };
    struct day_gatherer *g = context;
    int fan_no = (int)rows_int(rows, 0, FAN_NO);
    (void)err;

    if (g->at < g->fan_count && g->fans[g->at]->fan_no != fan_no) {
        give_days(g);
        while (g->at < g->fan_count && g->fans[g->at]->fan_no < fan_no)
            g->at++;
    }
    if (g->at == g->fan_count || g->fans[g->at]->fan_no != fan_no)
        return true; /* no such fan in the register any more */
    if (g->count == g->room) {
        g->room = g->room ? 2 * g->room : 512;
        g->scratch = arena_grow(g->scratch_mem, g->scratch, g->count, g->room, sizeof *g->scratch);
    }
    g->scratch[g->count++] = (struct fan_day){
        .day = rows_day(rows, 0, DAY),
        .readings = (int)rows_int(rows, 0, READINGS),
        .unavailable_readings = (int)rows_int(rows, 0, UNAVAILABLE),
        .zero_readings = (int)rows_int(rows, 0, ZERO),
        .covered_s = (int)rows_int(rows, 0, COVERED),
        .median = rows_real(rows, 0, MEDIAN),
        .mean = rows_real(rows, 0, MEAN),
        .min = rows_real(rows, 0, MIN),
        .max = rows_real(rows, 0, MAX),
        .spread = rows_real(rows, 0, SPREAD),
        .last = rows_real(rows, 0, LAST),
    };
    return true;
}

static int by_fan_no(const void *a, const void *b)
{
    const struct fan *const *x = a, *const *y = b;
    return ((*x)->fan_no > (*y)->fan_no) - ((*x)->fan_no < (*y)->fan_no);
}

static struct fan **fans_of_site(struct fleet *f, const struct site *site, struct arena *mem, size_t *count)
{
    size_t n = 0;
    for (size_t i = 0; i < f->drive_count; i++)
        n += f->drives[i].machine->site == site ? f->drives[i].fan_count : 0;
    struct fan **fans = arena_array(mem, struct fan *, n);
    *count = 0;
    for (size_t i = 0; i < f->drive_count; i++)
        for (size_t k = 0; f->drives[i].machine->site == site && k < f->drives[i].fan_count; k++)
            fans[(*count)++] = &f->drives[i].fans[k];
    if (n)
        qsort(fans, n, sizeof *fans, by_fan_no);
    return fans;
}

static bool read_days_of(struct fleet_reader *r, const struct site *site, struct err *err)
{
    struct day_gatherer g = {.mem = r->mem, .scratch_mem = arena_new(SIZE_MAX)};
    g.fans = fans_of_site(r->fleet, site, g.scratch_mem, &g.fan_count);
    const struct db_value params[] = {db_text(site->site), db_moment(r->fleet->as_of_us)};

    bool ok = db_stream(r->db, &q_fleet_fan_days, params, 2, on_day, &g, err);
    if (ok && g.at < g.fan_count)
        give_days(&g);
    arena_free(g.scratch_mem);
    return ok || err_in(err, "daily summaries of site '%s'", site->site);
}

bool fleet_read_history(struct fleet_reader *r, struct err *err)
{
    if (!read_work(r, err) || !read_episodes(r, err))
        return false;
    for (size_t i = 0; i < r->fleet->site_count; i++)
        if (!read_days_of(r, &r->fleet->sites[i], err))
            return false;
    return true;
}
