#include "register.h"

#include "base/clock.h"

#include <stdlib.h>
#include <string.h>

enum { MOST_SEARCHES = 20 }; /* a search for the nearest key looks at all keys */

/* The field of a row by its column's name; NULL when it is empty or the file lacks it. */
static const char *field(const struct register_row *row, const char *name)
{
    int place = register_column_place(row->file->kind, name);
    const char *text = place < 0 ? NULL : row->cell[place];
    return text && *text ? text : NULL;
}

#define COMPLAIN(r, row, name, ...)                                                                          \
    register_complain((r), (row), register_column_place((row)->file->kind, (name)), __VA_ARGS__)

static const struct thing *referred(const struct register_load *r, const struct register_row *row,
                                    const char *name, enum register_kind kind)
{
    const char *key = field(row, name);
    return key ? things_find(&r->things[kind], key) : NULL;
}

static struct thing *own_thing(const struct register_load *r, const struct register_row *row)
{
    const char *key = register_key(row, r->mem);
    return key ? things_find(&r->things[row->file->kind], key) : NULL;
}

static void complain_unknown(struct register_load *r, const struct register_row *row, int place,
                             enum register_kind kind)
{
    const char *near = NULL;
    if (r->searched++ < MOST_SEARCHES)
        near = things_nearest(&r->things[kind], row->cell[place]);
    if (near)
        register_complain(r, row, place, "is not in %s; the nearest is '%s'", register_tables[kind].file,
                          near);
    else
        register_complain(r, row, place, "is not in %s; add it there", register_tables[kind].file);
}

static void check_references(struct register_load *r, const struct register_row *row)
{
    const struct register_column *columns = register_tables[row->file->kind].columns;
    for (int k = 0; columns[k].name; k++) {
        if (!columns[k].refers_to || !row->cell[k] || !*row->cell[k])
            continue;
        enum register_kind kind = (enum register_kind)(columns[k].refers_to - 1);
        if (!r->cut[kind] && !things_find(&r->things[kind], row->cell[k]))
            complain_unknown(r, row, k, kind);
    }
}

/* What belongs to a site stays there: its readings, work and stock lie under it. */
static void settle(struct register_load *r, struct register_row *row, const char *site, const char *by)
{
    struct thing *t = own_thing(r, row);
    row->site = site;
    if (!t || !site)
        return;
    if (t->was_site && strcmp(t->was_site, site) != 0)
        COMPLAIN(r, row, by,
                 "would move '%s' from site '%s' to '%s'; it keeps its site, so give it a new key", t->key,
                 t->was_site, site);
    t->site = site;
}

static void check_price(struct register_load *r, const struct register_row *row, const char *price)
{
    const struct thing *t = own_thing(r, row);
    bool stays = t && t->stored && !row->cell[register_column_place(row->file->kind, "currency")];
    if (field(row, price) && !field(row, "currency") && !stays && !row->spoilt)
        COMPLAIN(r, row, price, "has no currency; write it in column currency, like EUR");
}

static void check_site(struct register_load *r, struct register_row *row)
{
    settle(r, row, field(row, "site"), "site");
}

static void check_machine(struct register_load *r, struct register_row *row)
{
    settle(r, row, field(row, "site"), "site");
    check_price(r, row, "stop_cost_per_hour");
}

static void check_drive_model(struct register_load *r, struct register_row *row)
{
    struct thing *t = own_thing(r, row);
    const char *fans = field(row, "internal_fans");
    if (t && row->file->has[register_column_place(REGISTER_DRIVE_MODELS, "internal_fans")])
        t->number = fans ? strtol(fans, NULL, 10) : -1;
}

static void check_drive(struct register_load *r, struct register_row *row)
{
    const struct thing *machine = referred(r, row, "machine", REGISTER_MACHINES);
    struct thing *t = own_thing(r, row);
    settle(r, row, machine ? machine->site : NULL, "machine");
    if (!t)
        return;
    t->machine = field(row, "machine");
    if (row->file->has[register_column_place(REGISTER_DRIVES, "drive_model")])
        t->of = field(row, "drive_model");
}

static void check_axis(struct register_load *r, struct register_row *row)
{
    const struct thing *machine = referred(r, row, "machine", REGISTER_MACHINES);
    const struct thing *drive = referred(r, row, "drive", REGISTER_DRIVES);
    settle(r, row, machine ? machine->site : NULL, "machine");
    if (machine && drive && drive->machine && strcmp(drive->machine, machine->key) != 0)
        COMPLAIN(r, row, "drive", "belongs to machine '%s', the axis to '%s'", drive->machine, machine->key);
}

/* A chain of parts, each of which takes the place of the next, must end. */
static void check_superseded(struct register_load *r, const struct register_row *row)
{
    enum { LONGEST_CHAIN = 100 };
    const struct thing *t = own_thing(r, row);
    const char *next = t ? t->of : NULL;
    for (int k = 0; next && k < LONGEST_CHAIN; k++) {
        if (strcmp(next, t->key) == 0) {
            COMPLAIN(r, row, "supersedes", "%s",
                     k ? "closes a ring of parts that supersede each other" : "is the part itself");
            return;
        }
        const struct thing *old = things_find(&r->things[REGISTER_PARTS], next);
        next = old ? old->of : NULL;
    }
}

static void check_part(struct register_load *r, struct register_row *row)
{
    struct thing *t = own_thing(r, row);
    if (t && row->file->has[register_column_place(REGISTER_PARTS, "supersedes")])
        t->of = field(row, "supersedes");
    check_price(r, row, "unit_price");
}

static void check_fan_model(struct register_load *r, struct register_row *row)
{
    const char *rated = field(row, "rated_rpm"), *warning = field(row, "warning_rpm");
    if (rated && warning && strtod(warning, NULL) >= strtod(rated, NULL))
        COMPLAIN(r, row, "warning_rpm", "is not below rated_rpm '%s'; the drive would always warn", rated);
}

/* internal-N needs a model with N internal fans. */
static void check_position(struct register_load *r, const struct register_row *row, const char *model_key)
{
    const struct thing *model = model_key ? things_find(&r->things[REGISTER_DRIVE_MODELS], model_key) : NULL;
    const char *position = field(row, "position");
    if (!model || model->number < 0 || !position || strncmp(position, "internal-", 9) != 0)
        return;
    if (position[9] - '0' > model->number)
        COMPLAIN(r, row, "position", "is not there: drive model '%s' has internal_fans %lld in drive_models",
                 model->key, (long long)model->number);
}

static void check_fitment(struct register_load *r, struct register_row *row)
{
    check_position(r, row, field(row, "drive_model"));
}

static void check_fan(struct register_load *r, struct register_row *row)
{
    const struct thing *drive = referred(r, row, "drive", REGISTER_DRIVES);
    struct thing *t = own_thing(r, row);
    row->site = drive ? drive->site : NULL;
    if (drive)
        check_position(r, row, drive->of);
    if (!t || !row->site)
        return;
    t->site = row->site;
    struct thing *site = things_find(&r->things[REGISTER_SITES], row->site);
    if (t->number < 0 && site)
        t->number = site->number = site->number < 0 ? 1 : site->number + 1;
    row->fan_no = t->number;
}

static void check_source(struct register_load *r, struct register_row *row)
{
    settle(r, row, field(row, "site"), "site");
}

static void check_fan_is_there(struct register_load *r, const struct register_row *row)
{
    const char *drive = field(row, "drive"), *position = field(row, "position");
    if (!drive || !position || r->cut[REGISTER_FANS] || r->cut[REGISTER_DRIVES] ||
        !things_find(&r->things[REGISTER_DRIVES], drive))
        return;
    if (!things_find(&r->things[REGISTER_FANS], register_fan_key(drive, position, r->mem)))
        COMPLAIN(r, row, "position", "drive '%s' has no fan there; add it to fans", drive);
}

static void check_same_site(struct register_load *r, const struct register_row *row, const char *name,
                            const struct thing *t)
{
    if (t && t->site && row->site && strcmp(t->site, row->site) != 0)
        COMPLAIN(r, row, name, "belongs to site '%s', the source to '%s'", t->site, row->site);
}

static void check_binding(struct register_load *r, struct register_row *row)
{
    static const struct {
        const char *role, *needs;
    } needs[] = {{"fan_speed", "drive"},
                 {"fan_speed", "position"},
                 {"drive_condition", "drive"},
                 {"axis_condition", "axis"}};
    const struct thing *source = referred(r, row, "source", REGISTER_SOURCES);
    row->site = source ? source->site : NULL;
    check_same_site(r, row, "drive", referred(r, row, "drive", REGISTER_DRIVES));
    check_same_site(r, row, "axis", referred(r, row, "axis", REGISTER_AXES));
    check_fan_is_there(r, row);
    const char *role = field(row, "role");
    for (size_t k = 0; !row->spoilt && k < sizeof needs / sizeof *needs; k++)
        if (strcmp(role, needs[k].role) == 0 && !field(row, needs[k].needs))
            COMPLAIN(r, row, needs[k].needs, "is empty; role %s needs it", role);
}

static void check_work(struct register_load *r, struct register_row *row)
{
    const struct thing *drive = referred(r, row, "drive", REGISTER_DRIVES);
    row->site = drive ? drive->site : NULL;
    check_fan_is_there(r, row);

    const char *action = field(row, "action"), *position = field(row, "position");
    const char *at = field(row, "done_at");
    struct thing *fan = drive && position ? things_find(&r->things[REGISTER_FANS],
                                                        register_fan_key(drive->key, position, r->mem))
                                          : NULL;
    int64_t at_us;
    if (fan && action && strcmp(action, "replaced") == 0 && at && time_parse(at, &at_us, NULL) &&
        at_us > fan->replaced_us)
        fan->replaced_us = at_us;
}

static void check_stock(struct register_load *r, struct register_row *row)
{
    (void)r;
    row->site = field(row, "site");
}

typedef void check_fn(struct register_load *r, struct register_row *row);

static check_fn *const checks[REGISTER_KINDS] = {
    [REGISTER_SITES] = check_site,
    [REGISTER_MACHINES] = check_machine,
    [REGISTER_DRIVE_MODELS] = check_drive_model,
    [REGISTER_DRIVES] = check_drive,
    [REGISTER_AXES] = check_axis,
    [REGISTER_PARTS] = check_part,
    [REGISTER_FAN_MODELS] = check_fan_model,
    [REGISTER_FITMENTS] = check_fitment,
    [REGISTER_FANS] = check_fan,
    [REGISTER_STOCK] = check_stock,
    [REGISTER_SOURCES] = check_source,
    [REGISTER_BINDINGS] = check_binding,
    [REGISTER_WORK] = check_work,
};

static void check_kind(struct register_load *r, enum register_kind kind)
{
    for (size_t k = 0; k < r->file_count; k++) {
        struct register_file *f = r->files[k];
        for (size_t n = 0; f->kind == kind && n < f->count; n++) {
            check_references(r, f->rows[n]);
            if (checks[kind])
                checks[kind](r, f->rows[n]);
        }
    }
}

/* What can only be seen when all rows of all files have been. */
static void check_afterwards(struct register_load *r)
{
    for (size_t k = 0; k < r->file_count; k++) {
        const struct register_file *f = r->files[k];
        for (size_t n = 0; n < f->count; n++) {
            const char *installed = f->kind == REGISTER_FANS ? field(f->rows[n], "installed_on") : NULL;
            const struct thing *fan = installed ? own_thing(r, f->rows[n]) : NULL;
            int32_t day;
            if (fan && fan->replaced_us != TIME_UNKNOWN && day_parse(installed, &day) &&
                day < day_of(fan->replaced_us))
                r->replaced_since++;
            if (f->kind == REGISTER_PARTS)
                check_superseded(r, f->rows[n]);
        }
    }
}

/* The highest number of a fan in each site, before this load. */
static void find_highest_numbers(struct register_load *r)
{
    const struct things *fans = &r->things[REGISTER_FANS];
    for (size_t k = 0; k < fans->capacity; k++) {
        const struct thing *fan = fans->slots[k];
        struct thing *site = fan && fan->site ? things_find(&r->things[REGISTER_SITES], fan->site) : NULL;
        if (site && fan->number > site->number)
            site->number = fan->number;
    }
}

static int compare(size_t a, size_t b)
{
    return (a > b) - (a < b);
}

static int by_place(const void *one, const void *other)
{
    const struct register_issue *a = one, *b = other;
    int order = compare(a->file->order, b->file->order);
    if (!order)
        order = compare((size_t)a->spot.line, (size_t)b->spot.line);
    if (!order)
        order = compare((size_t)a->spot.column, (size_t)b->spot.column);
    return order ? order : compare(a->nth, b->nth);
}

void register_check(struct register_load *r)
{
    find_highest_numbers(r);
    for (int kind = 0; kind < REGISTER_KINDS; kind++)
        check_kind(r, (enum register_kind)kind);
    check_afterwards(r);
    size_t kept = r->issue_count < REGISTER_MOST_ISSUES ? r->issue_count : REGISTER_MOST_ISSUES;
    qsort(r->issues, kept, sizeof *r->issues, by_place);
}
