#include "fleet.h"
#include "fleet_read.h"
#include "queries.h"

#include <math.h>
#include <string.h>

const char *fleet_text(const struct fleet_reader *r, const struct rows *rows, size_t row, int column)
{
    return arena_strdup(r->mem, rows_text(rows, row, column));
}

size_t fleet_run(const struct rows *rows, size_t row, int column)
{
    const char *first = rows_text(rows, row, column);
    size_t n = 1;
    while (row + n < rows_count(rows) && strcmp(rows_text(rows, row + n, column), first) == 0)
        n++;
    return n;
}

/*
 * The item of a list in order of keys, where every item begins at base + k * size with its key's pointer at
 * key_at.
 */
static void *find(const void *base, size_t count, size_t size, size_t key_at, const char *key)
{
    size_t low = 0, high = key ? count : 0;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        const char *item = (const char *)base + middle * size;
        const char *const *item_key = (const void *)(item + key_at);
        int order = strcmp(*item_key, key);
        if (order == 0)
            return (void *)(uintptr_t)item;
        if (order < 0)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}
#define FIND(list, count, type, key_field, key)                                                              \
    ((type *)find((list), (count), sizeof(type), offsetof(type, key_field), (key)))

struct drive *fleet_find_drive(const struct fleet *f, const char *drive)
{
    return FIND(f->drives, f->drive_count, struct drive, drive, drive);
}

struct fan *fleet_find_fan(const struct fleet *f, const char *drive, const char *position)
{
    struct drive *d = fleet_find_drive(f, drive);
    for (size_t k = 0; d && k < d->fan_count; k++)
        if (strcmp(d->fans[k].position, position) == 0)
            return &d->fans[k];
    return NULL;
}

static struct site *find_site(const struct fleet *f, const char *site)
{
    return FIND(f->sites, f->site_count, struct site, site, site);
}

static struct part *find_part(const struct fleet *f, const char *part)
{
    return FIND(f->parts, f->part_count, struct part, part, part);
}

static enum answer answer_of(const struct rows *rows, size_t row, int column)
{
    if (rows_null(rows, row, column))
        return ANSWER_UNKNOWN;
    return rows_bool(rows, row, column) ? ANSWER_YES : ANSWER_NO;
}

static bool read_sites(struct fleet_reader *r, struct err *err)
{
    enum { SITE, NAME, TIME_ZONE, PAPER, EMAIL, LOCKOUT };
    struct fleet *f = r->fleet;
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_sites, NULL, 0, &rows, err))
        return err_in(err, "sites");
    f->site_count = rows_count(rows);
    f->sites = arena_array(r->mem, struct site, f->site_count);
    for (size_t i = 0; i < f->site_count; i++)
        f->sites[i] = (struct site){
            .site = fleet_text(r, rows, i, SITE),
            .name = fleet_text(r, rows, i, NAME),
            .time_zone = fleet_text(r, rows, i, TIME_ZONE),
            .paper = fleet_text(r, rows, i, PAPER),
            .email = fleet_text(r, rows, i, EMAIL),
            .lockout_procedure = fleet_text(r, rows, i, LOCKOUT),
        };
    rows_free(rows);
    return true;
}

/* Names the sites there are, so that a slip of the pen is seen at once. */
static bool check_site(const struct fleet_reader *r, const char *site, struct err *err)
{
    const struct fleet *f = r->fleet;
    if (!site || find_site(f, site))
        return true;
    const char *names = "";
    for (size_t i = 0; i < f->site_count && i < 20; i++)
        names = arena_printf(r->mem, "%s%s'%s'", names, i ? ", " : "", f->sites[i].site);
    err_set(err, ERR_USAGE, "no site '%s' in the register", site);
    if (f->site_count == 0)
        return err_hint(err, "the register holds no site yet: load it with vaneward-collector register");
    return err_hint(err, "there are %zu: %s", f->site_count, names);
}

static bool read_machines(struct fleet_reader *r, struct err *err)
{
    enum { MACHINE, SITE, NAME, LOCATION, CONTROLLER, ASSET, CURRENCY, LOCKOUT, STOP_COST, STOP_HOURS };
    struct fleet *f = r->fleet;
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_machines, NULL, 0, &rows, err))
        return err_in(err, "machines");
    f->machine_count = rows_count(rows);
    f->machines = arena_array(r->mem, struct machine, f->machine_count);
    for (size_t i = 0; i < f->machine_count; i++)
        f->machines[i] = (struct machine){
            .site = find_site(f, rows_text(rows, i, SITE)),
            .machine = fleet_text(r, rows, i, MACHINE),
            .name = fleet_text(r, rows, i, NAME),
            .location = fleet_text(r, rows, i, LOCATION),
            .controller = fleet_text(r, rows, i, CONTROLLER),
            .asset_number = fleet_text(r, rows, i, ASSET),
            .currency = fleet_text(r, rows, i, CURRENCY),
            .lockout_procedure = fleet_text(r, rows, i, LOCKOUT),
            .stop_cost_per_hour = rows_real(rows, i, STOP_COST),
            .stop_hours = rows_real(rows, i, STOP_HOURS),
        };
    rows_free(rows);
    return true;
}

static bool read_drive_models(struct fleet_reader *r, struct err *err)
{
    enum { DRIVE_MODEL, DESCRIPTION, REPORTS_SPEED, INTERNAL_FANS, WARNING_TO_ALARM };
    struct fleet *f = r->fleet;
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_drive_models, NULL, 0, &rows, err))
        return err_in(err, "drive models");
    f->drive_model_count = rows_count(rows);
    f->drive_models = arena_array(r->mem, struct drive_model, f->drive_model_count);
    for (size_t i = 0; i < f->drive_model_count; i++)
        f->drive_models[i] = (struct drive_model){
            .drive_model = fleet_text(r, rows, i, DRIVE_MODEL),
            .description = fleet_text(r, rows, i, DESCRIPTION),
            .reports_speed = answer_of(rows, i, REPORTS_SPEED),
            .internal_fans = rows_null(rows, i, INTERNAL_FANS) ? -1 : (int)rows_int(rows, i, INTERNAL_FANS),
            .warning_to_alarm_s = rows_real(rows, i, WARNING_TO_ALARM),
        };
    rows_free(rows);
    return true;
}

static bool read_parts(struct fleet_reader *r, struct err *err)
{
    enum { PART, DESCRIPTION, CURRENCY, SUPERSEDES, PRICE, LEAD, LEAD_SD, MULTIPLE, MINIMUM, LAST_ORDER };
    struct fleet *f = r->fleet;
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_parts, NULL, 0, &rows, err))
        return err_in(err, "parts");
    f->part_count = rows_count(rows);
    f->parts = arena_array(r->mem, struct part, f->part_count);
    for (size_t i = 0; i < f->part_count; i++)
        f->parts[i] = (struct part){
            .part = fleet_text(r, rows, i, PART),
            .description = fleet_text(r, rows, i, DESCRIPTION),
            .currency = fleet_text(r, rows, i, CURRENCY),
            .supersedes = fleet_text(r, rows, i, SUPERSEDES),
            .price_minor = rows_int(rows, i, PRICE),
            .lead_time_days = rows_real(rows, i, LEAD),
            .lead_time_sd_days = rows_real(rows, i, LEAD_SD),
            .order_multiple = (int)rows_int(rows, i, MULTIPLE),
            .minimum_order = (int)rows_int(rows, i, MINIMUM),
            .last_order_day = rows_day(rows, i, LAST_ORDER),
        };
    rows_free(rows);
    for (size_t i = 0; i < f->part_count; i++) {
        struct part *older = find_part(f, f->parts[i].supersedes);
        if (older)
            older->successor = &f->parts[i];
    }
    return true;
}

static bool read_fan_models(struct fleet_reader *r, struct err *err)
{
    enum { FAN_MODEL, PART, RATED, WARNING, L10_HOURS, L10_TEMPERATURE };
    struct fleet *f = r->fleet;
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_fan_models, NULL, 0, &rows, err))
        return err_in(err, "fan models");
    f->fan_model_count = rows_count(rows);
    f->fan_models = arena_array(r->mem, struct fan_model, f->fan_model_count);
    for (size_t i = 0; i < f->fan_model_count; i++)
        f->fan_models[i] = (struct fan_model){
            .fan_model = fleet_text(r, rows, i, FAN_MODEL),
            .part = find_part(f, rows_text(rows, i, PART)),
            .rated_rpm = rows_real(rows, i, RATED),
            .warning_rpm = rows_real(rows, i, WARNING),
            .l10_hours = rows_real(rows, i, L10_HOURS),
            .l10_temperature_c = rows_real(rows, i, L10_TEMPERATURE),
        };
    rows_free(rows);
    return true;
}

static bool read_drives(struct fleet_reader *r, struct err *err)
{
    enum { DRIVE, MACHINE, DRIVE_MODEL, SLOT, SERIAL, WAITING, OBSTRUCTED, HIDDEN };
    struct fleet *f = r->fleet;
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_drives, NULL, 0, &rows, err))
        return err_in(err, "drives");
    f->drive_count = rows_count(rows);
    f->drives = arena_array(r->mem, struct drive, f->drive_count);
    for (size_t i = 0; i < f->drive_count; i++)
        f->drives[i] = (struct drive){
            .machine =
                FIND(f->machines, f->machine_count, struct machine, machine, rows_text(rows, i, MACHINE)),
            .model = FIND(f->drive_models, f->drive_model_count, struct drive_model, drive_model,
                          rows_text(rows, i, DRIVE_MODEL)),
            .drive = fleet_text(r, rows, i, DRIVE),
            .cabinet_slot = fleet_text(r, rows, i, SLOT),
            .serial = fleet_text(r, rows, i, SERIAL),
            .waiting_time_min = rows_real(rows, i, WAITING),
            .obstructed = answer_of(rows, i, OBSTRUCTED),
            .warning_hidden = answer_of(rows, i, HIDDEN),
        };
    rows_free(rows);
    return true;
}

static bool read_axes(struct fleet_reader *r, struct err *err)
{
    enum { DRIVE, AXIS };
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_axes, NULL, 0, &rows, err))
        return err_in(err, "axes");
    for (size_t i = 0, n; i < rows_count(rows); i += n) {
        n = fleet_run(rows, i, DRIVE);
        struct drive *d = fleet_find_drive(r->fleet, rows_text(rows, i, DRIVE));
        d->axis_count = n;
        d->axes = arena_array(r->mem, const char *, n);
        for (size_t k = 0; k < n; k++)
            d->axes[k] = fleet_text(r, rows, i + k, AXIS);
    }
    rows_free(rows);
    return true;
}

static bool read_fans(struct fleet_reader *r, struct err *err)
{
    enum { DRIVE, POSITION, FAN_NO, FAN_MODEL, INSTALLED, HOURS, BOUND };
    struct fleet *f = r->fleet;
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_fans, NULL, 0, &rows, err))
        return err_in(err, "fans");
    for (size_t i = 0, n; i < rows_count(rows); i += n) {
        n = fleet_run(rows, i, DRIVE);
        struct drive *d = fleet_find_drive(f, rows_text(rows, i, DRIVE));
        d->fan_count = n;
        d->fans = arena_array(r->mem, struct fan, n);
        for (size_t k = 0; k < n; k++) {
            double hours = rows_null(rows, i + k, HOURS) ? 0 : rows_real(rows, i + k, HOURS);
            int32_t day = rows_day(rows, i + k, INSTALLED);
            d->fans[k] = (struct fan){
                .drive = d,
                .position = fleet_text(r, rows, i + k, POSITION),
                .fan_no = (int)rows_int(rows, i + k, FAN_NO),
                .model = FIND(f->fan_models, f->fan_model_count, struct fan_model, fan_model,
                              rows_text(rows, i + k, FAN_MODEL)),
                .installed_day = day,
                .registered_day = day,
                .hours_at_install = hours,
                .registered_hours = hours,
                .bound = rows_bool(rows, i + k, BOUND),
            };
        }
    }
    rows_free(rows);
    return true;
}

static bool read_stock(struct fleet_reader *r, struct err *err)
{
    enum { SITE, PART, ON_HAND, ON_ORDER, DUE, COUNTED };
    struct fleet *f = r->fleet;
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_stock, NULL, 0, &rows, err))
        return err_in(err, "stock");
    f->stock_count = rows_count(rows);
    f->stock = arena_array(r->mem, struct stock, f->stock_count);
    for (size_t i = 0; i < f->stock_count; i++)
        f->stock[i] = (struct stock){
            .site = find_site(f, rows_text(rows, i, SITE)),
            .part = find_part(f, rows_text(rows, i, PART)),
            .on_hand = (int)rows_int(rows, i, ON_HAND),
            .on_order = (int)rows_int(rows, i, ON_ORDER),
            .due_day = rows_day(rows, i, DUE),
            .counted_day = rows_day(rows, i, COUNTED),
        };
    rows_free(rows);
    return true;
}

static bool read_sources(struct fleet_reader *r, struct err *err)
{
    enum { SITE, SOURCE, LAST_CONTACT, FAILURES, LAST_ERROR, GAPS, LINK_DOWN };
    struct fleet *f = r->fleet;
    const struct db_value params[] = {db_moment(f->as_of_us)};
    struct rows *rows;

    if (!db_query(r->db, &q_fleet_sources, params, 1, &rows, err))
        return err_in(err, "sources");
    f->source_count = rows_count(rows);
    f->sources = arena_array(r->mem, struct source_state, f->source_count);
    for (size_t i = 0; i < f->source_count; i++)
        f->sources[i] = (struct source_state){
            .site = find_site(f, rows_text(rows, i, SITE)),
            .source = fleet_text(r, rows, i, SOURCE),
            .last_contact_us = rows_moment(rows, i, LAST_CONTACT),
            .failures = (int)rows_int(rows, i, FAILURES),
            .last_error = fleet_text(r, rows, i, LAST_ERROR),
            .gaps = (int)rows_int(rows, i, GAPS),
            .link_down = fleet_text(r, rows, i, LINK_DOWN),
        };
    rows_free(rows);
    return true;
}

static bool read_all(struct fleet_reader *r, const char *site, struct err *err)
{
    return read_sites(r, err) && check_site(r, site, err) && read_parts(r, err) && read_fan_models(r, err) &&
           read_drive_models(r, err) && read_machines(r, err) && read_drives(r, err) && read_axes(r, err) &&
           read_fans(r, err) && read_stock(r, err) && read_sources(r, err) && fleet_read_history(r, err) &&
           fleet_read_track(r, err);
}

bool fleet_begin(struct db *db, const char *site, int64_t as_of_us, struct arena *mem, struct fleet *out,
                 struct err *err)
{
    *out = (struct fleet){.as_of_us = as_of_us, .only_site = arena_strdup(mem, site)};
    struct fleet_reader r = {db, mem, out};

    /* One snapshot: a batch or a register load in the middle must not tear the picture. */
    if (!db_begin(db, err))
        return false;
    if (db_script(db, "snapshot", "SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY", err) &&
        read_all(&r, site, err))
        return true;
    db_rollback(db);
    return false;
}

bool fleet_end(struct db *db, bool ok, struct err *err)
{
    if (ok)
        return db_commit(db, err);
    db_rollback(db);
    return false;
}

bool fleet_read(struct db *db, const char *site, int64_t as_of_us, struct arena *mem, struct fleet *out,
                struct err *err)
{
    if (!fleet_begin(db, site, as_of_us, mem, out, err))
        return false;
    bool ok = true;
    for (size_t i = 0; ok && i < out->site_count; i++)
        ok = fleet_read_days(db, out, &out->sites[i], mem, err);
    return fleet_end(db, ok, err);
}
