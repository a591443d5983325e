#include "fleet.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

/* What is being built: one device of one source. */
struct build {
    struct fleet *f;
    struct source *s;
    int device;
    char prefix[16]; /* of every id, "mue01" */
};

static int add_component(struct build *b, const char *element, int parent, const char *id, const char *name)
{
    struct source *s = b->s;
    struct component c = {.element = element, .parent = parent, .device = b->device};

    snprintf(c.id, sizeof c.id, "%s%s%s", b->prefix, *id ? "_" : "", id);
    snprintf(c.name, sizeof c.name, "%s", name);
    s->components = grown(s->components, s->component_count, sizeof c);
    s->components[s->component_count] = c;
    return (int)s->component_count++;
}

static int add_composition(struct build *b, int component, const char *type, const char *id)
{
    struct source *s = b->s;
    struct composition c = {.type = type, .component = component};

    snprintf(c.id, sizeof c.id, "%s_%s", b->prefix, id);
    s->compositions = grown(s->compositions, s->composition_count, sizeof c);
    s->compositions[s->composition_count] = c;
    return (int)s->composition_count++;
}

/* The item's address holds until the next one is added. */
static struct item *add_item(struct build *b, int component, enum item_kind kind, const char *id)
{
    static const struct {
        enum category category;
        const char *type, *element, *sub_type;
    } forms[] = {
        [ITEM_SPEED] = {CATEGORY_SAMPLE, "ROTARY_VELOCITY", "RotaryVelocity", "ACTUAL"},
        [ITEM_CONDITION] = {CATEGORY_CONDITION, "SYSTEM", NULL, NULL},
        [ITEM_AVAILABILITY] = {CATEGORY_EVENT, "AVAILABILITY", "Availability", NULL},
        [ITEM_POWER] = {CATEGORY_EVENT, "POWER_STATE", "PowerState", "LINE"},
        [ITEM_MOTOR] = {CATEGORY_SAMPLE, "ROTARY_VELOCITY", "RotaryVelocity", "ACTUAL"},
        [ITEM_CONNECTION] = {CATEGORY_EVENT, "CONNECTION_STATUS", "ConnectionStatus", NULL},
    };
    struct source *s = b->s;
    struct item item = {.kind = kind,
                        .category = forms[kind].category,
                        .type = forms[kind].type,
                        .element = forms[kind].element,
                        .sub_type = forms[kind].sub_type,
                        .component = component,
                        .composition = NONE,
                        .drive = NONE,
                        .axis = NONE,
                        .device = b->device};

    snprintf(item.id, sizeof item.id, "%s_%s", b->prefix, id);
    s->items = grown(s->items, s->item_count, sizeof item);
    s->items[s->item_count] = item;
    return s->items + s->item_count++;
}

static void add_speed(struct build *b, int component, int composition, int drive, enum position position)
{
    const struct drive_model *model = drive_model_of(b->f, drive);
    const struct fan_model *fan = b->f->fan_models + catalog_fan_model(b->f, model->internal_fan);
    char id[24];
    struct item *item;

    if (!model->reports_speed || position == HEAT_SINK)
        return;
    snprintf(id, sizeof id, "d%d_f%d", b->f->drives[drive].number, position + 1);
    item = add_item(b, component, ITEM_SPEED, id);
    item->composition = composition;
    item->drive = drive;
    item->position = position;
    item->nominal = fan->rated_rpm;
    item->lower_warning = fan->warning_rpm;
    if (b->s->extension_type) {
        item->type = "x:FAN_SPEED";
        item->element = "x:FanSpeed";
        item->sub_type = NULL;
    }
}

static void add_axis_condition(struct build *b, int component, int axis)
{
    char id[24];

    snprintf(id, sizeof id, "%s_sys", b->f->axes[axis].letter);
    add_item(b, component, ITEM_CONDITION, id)->axis = axis;
}

/* The motor turns at a speed of its own, which is not a fan's. */
static void add_motor(struct build *b, int component, int composition, const char *letter)
{
    char id[24];

    snprintf(id, sizeof id, "%s_mrv", letter);
    add_item(b, component, ITEM_MOTOR, id)->composition = composition;
}

static int add_axis_component(struct build *b, int parent, const struct axis *a)
{
    bool turns = strchr("SBC", a->letter[0]) != NULL;

    return add_component(b, turns ? "Rotary" : "Linear", parent, a->letter, a->letter);
}

/* Version 1.3: no fan is modelled; speeds hang under the electric system, faults under the axes. */
static void build_plain(struct build *b, const struct machine *m, int axes, int electric)
{
    for (size_t i = m->first_axis; i < m->first_axis + m->axis_count; i++) {
        const struct axis *a = b->f->axes + i;
        int component = add_axis_component(b, axes, a);

        add_motor(b, component, NONE, a->letter);
        add_axis_condition(b, component, (int)i);
    }
    for (size_t d = m->first_drive; d < m->first_drive + m->drive_count; d++)
        for (int p = 0; p < POSITIONS; p++)
            if (b->f->drives[d].fans[p] != NONE)
                add_speed(b, electric, NONE, (int)d, (enum position)p);
}

/* Version 1.6: drive and fans are compositions of the first axis that the drive feeds. */
static void build_composition(struct build *b, const struct machine *m, int axes)
{
    char id[24];

    for (size_t i = m->first_axis; i < m->first_axis + m->axis_count; i++) {
        const struct axis *a = b->f->axes + i;
        const struct drive *d = b->f->drives + a->drive;
        int component = add_axis_component(b, axes, a), fan = NONE;

        snprintf(id, sizeof id, "%s_mot", a->letter);
        add_motor(b, component, add_composition(b, component, "MOTOR", id), a->letter);
        add_axis_condition(b, component, (int)i);
        if (d->axes[0] != (int)i)
            continue;
        snprintf(id, sizeof id, "d%d_amp", d->number);
        add_composition(b, component, "AMPLIFIER", id);
        for (int p = POSITIONS - 1; p >= 0; p--) {
            if (d->fans[p] == NONE)
                continue;
            snprintf(id, sizeof id, "d%d_fan%d", d->number, p + 1);
            fan = add_composition(b, component, "FAN", id);
            add_speed(b, component, fan, a->drive, (enum position)p);
        }
        snprintf(id, sizeof id, "d%d_fan_c", d->number);
        add_item(b, component, ITEM_CONDITION, id);
        b->s->items[b->s->item_count - 1].type = "ROTARY_VELOCITY";
        b->s->items[b->s->item_count - 1].composition = fan;
        b->s->items[b->s->item_count - 1].drive = a->drive;
    }
}

static void add_amplifier(struct build *b, int component, const struct axis *a)
{
    const struct drive *d = b->f->drives + a->drive;
    char id[24], name[24];
    int amplifier;

    snprintf(id, sizeof id, "d%d", d->number);
    snprintf(name, sizeof name, "drive %d", d->number);
    amplifier = add_component(b, "Amplifier", component, id, name);
    snprintf(id, sizeof id, "d%d_sys", d->number);
    add_item(b, amplifier, ITEM_CONDITION, id)->drive = a->drive;
    for (int p = 0; p < POSITIONS; p++) {
        int fan;

        if (d->fans[p] == NONE)
            continue;
        snprintf(id, sizeof id, "d%d_fan%d", d->number, p + 1);
        fan = add_component(b, "Fan", amplifier, id, position_word((enum position)p));
        add_speed(b, fan, NONE, a->drive, (enum position)p);
    }
}

/* Version 2.x: Fan below Amplifier below the first axis; the other axes of the drive have a condition each.
 */
static void build_component(struct build *b, const struct machine *m, int axes)
{
    char id[24];

    for (size_t i = m->first_axis; i < m->first_axis + m->axis_count; i++) {
        const struct axis *a = b->f->axes + i;
        int component = add_axis_component(b, axes, a);

        snprintf(id, sizeof id, "%s_mot", a->letter);
        add_motor(b, add_component(b, "Motor", component, id, "motor"), NONE, a->letter);
        if (b->f->drives[a->drive].axes[0] == (int)i)
            add_amplifier(b, component, a);
        else
            add_axis_condition(b, component, (int)i);
    }
}

/* Feed: a condition per drive, one more for each further axis. */
static void build_feed(struct build *b, const struct machine *m)
{
    char id[24];

    for (size_t d = m->first_drive; d < m->first_drive + m->drive_count; d++) {
        const struct drive *drive = b->f->drives + d;
        int component;

        snprintf(id, sizeof id, "d%d", drive->number);
        component = add_component(b, "drive", 0, id, id);
        for (int p = 0; p < POSITIONS; p++)
            if (drive->fans[p] != NONE)
                add_speed(b, component, NONE, (int)d, (enum position)p);
        snprintf(id, sizeof id, "d%d_state", drive->number);
        add_item(b, component, ITEM_CONDITION, id)->drive = (int)d;
        for (int i = 1; i < drive->axis_count; i++)
            add_axis_condition(b, component, drive->axes[i]);
    }
}

static void add_device(struct build *b, int machine)
{
    struct source *s = b->s;
    struct device device = {.machine = machine};
    const char *name = machine == NONE ? "Agent" : b->f->machines[machine].machine;
    size_t length = 0;

    snprintf(device.name, sizeof device.name, "%s", name);
    /* A uuid of the variant that RFC 9562 leaves to the maker (version 8), from the name. */
    snprintf(device.uuid, sizeof device.uuid, "5f1ee7a0-0000-8000-8000-%06x%06x",
             (unsigned)(machine == NONE ? 0xa6e27 : 0x10001 + machine * 77),
             (unsigned)(s - b->f->sources) * 4099 + 17);
    if (s->style == STYLE_FEED)
        snprintf(device.uuid, sizeof device.uuid, "%s", name);
    s->devices = grown(s->devices, s->device_count, sizeof device);
    b->device = (int)s->device_count;
    s->devices[s->device_count++] = device;
    for (const char *c = name; *c && length + 1 < sizeof b->prefix; c++)
        if (isalnum((unsigned char)*c))
            b->prefix[length++] = (char)tolower((unsigned char)*c);
    b->prefix[length] = '\0';
}

static void build_machine(struct build *b, int machine)
{
    const struct machine *m = b->f->machines + machine;
    int root, axes, systems, electric;

    add_device(b, machine);
    root = add_component(b, "Device", NONE, "", b->s->devices[b->device].name);
    add_item(b, root, ITEM_AVAILABILITY, "av");
    if (b->s->style == STYLE_FEED) {
        add_item(b, root, ITEM_POWER, "pw");
        build_feed(b, m);
        return;
    }
    axes = add_component(b, "Axes", root, "axes", "base");
    if (b->s->style == STYLE_COMPOSITION)
        build_composition(b, m, axes);
    else if (b->s->style == STYLE_COMPONENT)
        build_component(b, m, axes);
    systems = add_component(b, "Systems", root, "systems", "systems");
    electric = add_component(b, "Electric", systems, "electric", "cabinet");
    add_item(b, electric, ITEM_POWER, "pw");
    if (b->s->style == STYLE_PLAIN)
        build_plain(b, m, axes, electric);
}

/* From version 1.7 on an agent reports itself, and its links to the machines, as a device. */
static void build_agent(struct build *b)
{
    int root, adapters;

    add_device(b, NONE);
    root = add_component(b, "Agent", NONE, "", "Agent");
    add_item(b, root, ITEM_AVAILABILITY, "av");
    adapters = add_component(b, "Adapters", root, "adapters", "adapters");
    for (size_t i = 0; i < b->f->machine_count; i++) {
        char id[24];
        int adapter;

        if (b->f->sources + b->f->machines[i].source != b->s)
            continue;
        snprintf(id, sizeof id, "link%zu", i);
        adapter = add_component(b, "Adapter", adapters, id, b->f->machines[i].machine);
        snprintf(id, sizeof id, "link%zu_status", i);
        add_item(b, adapter, ITEM_CONNECTION, id);
    }
}

static int by_component(const void *a, const void *b)
{
    const struct item *x = a, *y = b;

    if (x->component != y->component)
        return x->component < y->component ? -1 : 1;
    if (x->category != y->category)
        return x->category < y->category ? -1 : 1;
    return strcmp(x->id, y->id);
}

/* Fans and drives learn which items speak of them. */
static void link_items(struct fleet *f, const struct source *s)
{
    for (size_t i = 0; i < s->item_count; i++) {
        const struct item *item = s->items + i;
        struct drive *d;

        if (item->kind == ITEM_SPEED)
            f->fans[f->drives[item->drive].fans[item->position]].speed_item = (int)i;
        if (item->kind != ITEM_CONDITION)
            continue;
        d = f->drives + (item->drive != NONE ? item->drive : f->axes[item->axis].drive);
        d->reports[d->report_count++] = (int)i;
    }
}

void items_fill(struct fleet *f)
{
    for (size_t i = 0; i < f->source_count; i++) {
        struct source *s = f->sources + i;
        struct build b = {.f = f, .s = s};

        if (s->style == STYLE_COMPONENT)
            build_agent(&b);
        for (size_t m = 0; m < f->machine_count; m++)
            if (f->machines[m].source == (int)i)
                build_machine(&b, (int)m);
        qsort(s->items, s->item_count, sizeof *s->items, by_component);
        link_items(f, s);
    }
}
