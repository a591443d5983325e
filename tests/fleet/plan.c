#include "physics.h"

#include <stdlib.h>
#include <string.h>

struct cabinet_drive {
    enum drive_class class;
    const char *axes[MAX_AXES + 1];
};

struct machine_type {
    int kind; /* name in the site's words */
    double stop_cost_low, stop_cost_high;
    struct cabinet_drive drives[5];
    int drive_count;
};

static const struct machine_type types[] = {
    {0,
     420,
     760,
     {{CLASS_SPINDLE, {"S"}}, {CLASS_MULTI, {"X", "Y", "Z"}}, {CLASS_SINGLE, {"B"}}, {CLASS_SINGLE, {"C"}}},
     4},
    {1, 180, 380, {{CLASS_SPINDLE, {"S"}}, {CLASS_SINGLE, {"X"}}, {CLASS_SINGLE, {"Z"}}}, 3},
    {0, 260, 520, {{CLASS_SPINDLE, {"S"}}, {CLASS_MULTI, {"X", "Y"}}, {CLASS_SINGLE, {"Z"}}}, 3},
    {2, 150, 300, {{CLASS_PLAIN, {"S"}}, {CLASS_SINGLE, {"X"}}, {CLASS_SINGLE, {"Z"}}}, 3},
    {1, 180, 380, {{CLASS_SPINDLE, {"S"}}, {CLASS_MULTI, {"X", "Z"}}}, 2},
    {3, 90, 220, {{CLASS_PLAIN, {"S"}}, {CLASS_PLAIN, {"X", "Z"}}}, 2},
};
enum { TYPES = sizeof types / sizeof *types };
/* In which order types follow each other at a site. */
static const int mix[] = {0, 1, 2, 4, 0, 3, 1, 2, 5, 0, 1, 2, 4};
enum { MIX = sizeof mix / sizeof *mix };

const char *position_word(enum position p)
{
    static const char *const words[] = {"internal-1", "internal-2", "heat-sink"};

    return words[p];
}

const struct drive_model *drive_model_of(const struct fleet *f, int drive)
{
    return f->drive_models + f->drives[drive].model;
}

const struct machine *machine_of(const struct fleet *f, int drive)
{
    return f->machines + f->drives[drive].machine;
}

const struct family *family_of(const struct fleet *f, int drive)
{
    return f->families + machine_of(f, drive)->family;
}

const struct source *source_of(const struct fleet *f, int drive)
{
    return f->sources + machine_of(f, drive)->source;
}

static void add_fan(struct fleet *f, int drive, enum position position, gsl_rng *dice)
{
    static const int64_t year_ms = 365 * MS_PER_DAY;
    struct fan fan = {.drive = drive,
                      .position = position,
                      .speed_item = NONE,
                      .story_crossing_ms = NEVER,
                      .story_onset_ms = NEVER,
                      .story_repair_ms = NEVER,
                      .forced_ms = NEVER,
                      .age_ms = NEVER};

    fan.phase_ms = dice_whole(dice, 20, 3560) * MS_PER_S + dice_whole(dice, 0, 999);
    fan.installed_ms = f->start_ms - (int64_t)(dice_between(dice, 0.05, 5.0) * (double)year_ms);
    fan.installed_ms -= fan.installed_ms % MS_PER_DAY;
    fan.hours_at_install = dice_chance(dice, 0.06) ? dice_whole(dice, 2, 16) * 500 : 0;
    fan.install_is_known = !dice_chance(dice, 0.03);
    fan.register_is_late = dice_chance(dice, 0.8);
    f->fans = grown(f->fans, f->fan_count, sizeof *f->fans);
    f->fans[f->fan_count] = fan;
    f->drives[drive].fans[position] = (int)f->fan_count++;
}

static void add_axis(struct fleet *f, int drive, const char *letter)
{
    struct drive *d = f->drives + drive;
    struct axis a = {.machine = d->machine, .drive = drive, .drive_is_known = true};

    snprintf(a.axis, sizeof a.axis, "%s-%s", f->machines[d->machine].machine, letter);
    snprintf(a.letter, sizeof a.letter, "%s", letter);
    f->axes = grown(f->axes, f->axis_count, sizeof *f->axes);
    f->axes[f->axis_count] = a;
    f->machines[d->machine].axis_count++;
    d->axes[d->axis_count++] = (int)f->axis_count++;
}

static void add_drive(struct fleet *f, int machine, const struct cabinet_drive *plan, gsl_rng *dice)
{
    struct machine *m = f->machines + machine;
    struct drive d = {.machine = machine, .fans = {NONE, NONE, NONE}};
    const struct drive_model *model;
    int index = (int)f->drive_count;

    d.number = (int)++m->drive_count;
    d.model = catalog_drive_model(f, f->families[m->family].drive_models[plan->class]);
    model = f->drive_models + d.model;
    snprintf(d.drive, sizeof d.drive, "%s-D%d", m->machine, d.number);
    snprintf(d.cabinet_slot, sizeof d.cabinet_slot, "A%d / %d", 1 + d.number / 4, d.number);
    snprintf(d.serial, sizeof d.serial, "%.2s%06X", model->drive_model,
             (unsigned)dice_whole(dice, 0x10000, 0xffffff));
    d.warning_hidden = dice_chance(dice, 0.1);
    d.hidden_is_known = dice_chance(dice, 0.6);
    f->drives = grown(f->drives, f->drive_count, sizeof *f->drives);
    f->drives[f->drive_count++] = d;
    for (int i = 0; plan->axes[i]; i++)
        add_axis(f, index, plan->axes[i]);
    add_fan(f, index, INTERNAL_1, dice);
    if (model->internal_fans > 1)
        add_fan(f, index, INTERNAL_2, dice);
    if (model->heat_sink)
        add_fan(f, index, HEAT_SINK, dice);
}

static void add_cleanings(struct fleet *f, struct machine *m, gsl_rng *dice)
{
    int64_t at_ms = f->start_ms - (int64_t)(dice_between(dice, 10, 160) * (double)MS_PER_DAY);

    while (at_ms < f->end_ms) {
        m->cleanings = grown(m->cleanings, m->cleaning_count, sizeof *m->cleanings);
        m->cleanings[m->cleaning_count++] = at_ms;
        at_ms += (int64_t)(dice_between(dice, 150, 330) * (double)MS_PER_DAY);
    }
}

static void add_machine(struct fleet *f, int source, int number, gsl_rng *dice)
{
    const struct source *s = f->sources + source;
    const struct site *site = f->sites + s->site;
    const struct machine_type *type = types + mix[(number - 1) % MIX];
    struct machine m = {.site = s->site,
                        .family = s->family,
                        .source = source,
                        .type = mix[(number - 1) % MIX],
                        .first_drive = f->drive_count,
                        .first_axis = f->axis_count};
    int index = (int)f->machine_count;

    snprintf(m.machine, sizeof m.machine, "%s-%02d", site->site, number);
    snprintf(m.name, sizeof m.name, "%s %d", site->kinds[type->kind], number);
    snprintf(m.location, sizeof m.location, "%s", site->places[number % 3]);
    snprintf(m.asset_number, sizeof m.asset_number, "%d", 40000 + 1000 * (s->site + 1) + number * 7);
    m.stop_cost_per_hour = dice_chance(dice, 0.05) ? 0
                                                   : 10 * dice_whole(dice, (int)type->stop_cost_low / 10,
                                                                     (int)type->stop_cost_high / 10);
    m.stop_hours = 0.5 * dice_whole(dice, 4, 18);
    m.off_at_weekends = dice_chance(dice, 0.35);
    m.has_builder_messages = dice_chance(dice, 0.25);
    m.dirt_per_day = dice_between(dice, 0.00004, 0.00018);
    add_cleanings(f, &m, dice);
    f->machines = grown(f->machines, f->machine_count, sizeof *f->machines);
    f->machines[f->machine_count++] = m;
    for (int d = 0; d < type->drive_count; d++)
        add_drive(f, index, type->drives + d, dice);
}

static void build_company(struct fleet *f)
{
    gsl_rng *dice = dice_new(f->options.seed, DICE_PLAN, 0);
    int numbers[8] = {0};

    for (size_t s = 0; s < f->source_count; s++)
        for (int i = 0; i < f->sources[s].machines; i++)
            add_machine(f, (int)s, ++numbers[f->sources[s].site], dice);
    gsl_rng_free(dice);
}

/* People often do not know which drive feeds which axis; what the scripted part needs stays known. */
static void forget_axes(struct fleet *f)
{
    gsl_rng *dice = dice_new(f->options.seed, DICE_PLAN, 1);

    for (size_t i = 0; i < f->axis_count; i++) {
        struct axis *a = f->axes + i;
        bool first = f->drives[a->drive].axes[0] == (int)i;

        if (dice_chance(dice, first ? 0.03 : 0.12) && !f->drives[a->drive].in_story)
            a->drive_is_known = false;
    }
    gsl_rng_free(dice);
}

/* A buffer that holds all, or one that forgets a third of what is written while the client is away. */
static void size_buffers(struct fleet *f)
{
    double away_h = (double)(f->end_ms - f->first_read_ms) / (double)MS_PER_HOUR;

    for (size_t s = 0; s < f->source_count; s++) {
        size_t speeds = 0;

        for (size_t i = 0; i < f->sources[s].item_count; i++)
            speeds += f->sources[s].items[i].kind == ITEM_SPEED;
        f->sources[s].buffer_size = 131072;
        while (f->sources[s].buffer_size < 2 * speeds * 24 * (size_t)f->options.days)
            f->sources[s].buffer_size *= 2;
        if (f->sources[s].forgets)
            f->sources[s].buffer_size = (uint64_t)(0.6 * away_h * (double)speeds);
    }
}

struct fleet *fleet_new(const struct options *options)
{
    struct fleet *f = calloc(1, sizeof *f);

    if (!f)
        die("out of memory");
    f->options = *options;
    f->end_ms = options->end_ms;
    f->start_ms = options->end_ms - options->days * MS_PER_DAY;
    f->first_read_ms = options->first_read_ms;
    f->restart_ms = f->end_ms - options->days * MS_PER_DAY / 20 + 17 * MS_PER_MIN;
    catalog_fill(f);
    build_company(f);
    stories_assign(f);
    forget_axes(f);
    items_fill(f);
    size_buffers(f);
    physics_weather(f);
    mishaps_weekends(f);
    stories_play(f);
    fate_decide(f);
    mishaps_decide(f);
    mishaps_silence(f);
    return f;
}

void fleet_free(struct fleet *f)
{
    for (size_t i = 0; i < f->fan_count; i++) {
        for (size_t u = 0; u < f->fans[i].unit_count; u++)
            free(f->fans[i].units[u].path);
        free(f->fans[i].units);
        free(f->fans[i].faults);
    }
    for (size_t i = 0; i < f->machine_count; i++) {
        free(f->machines[i].cleanings);
        free(f->machines[i].off.at);
        free(f->machines[i].silent.at);
    }
    for (size_t i = 0; i < f->source_count; i++) {
        free(f->sources[i].devices);
        free(f->sources[i].components);
        free(f->sources[i].compositions);
        free(f->sources[i].items);
    }
    for (size_t i = 0; i < f->site_count; i++)
        free(f->sites[i].weather);
    free(f->sources);
    free(f->machines);
    free(f->drives);
    free(f->axes);
    free(f->fans);
    free(f->faults);
    free(f->works);
    free(f);
}
