#include "discover.h"

#include "feed.h"
#include "fetch.h"
#include "mtconnect.h"
#include "settings.h"

#include "base/csv.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

enum { MAX_MEMORY = 1 << 30 };

static const char *format_name = "mtconnect";
static const char *source_name = "";
static bool wants_limits;
static struct fetch_access access_options;

const struct opt discover_options[] = {
    {.name = "format",
     .arg = "FORMAT",
     .help = "what the source speaks: mtconnect (the default) or feed",
     .type = OPT_TEXT,
     .target = &format_name},
    {.name = "source",
     .arg = "SOURCE",
     .help = "the source's key in the register, for the first column",
     .type = OPT_TEXT,
     .target = &source_name},
    {.name = "limits",
     .help = "instead of bindings: the speeds that the machine itself says its fans should have, as draft "
             "rows of "
             "fan_models.csv",
     .type = OPT_FLAG,
     .target = &wants_limits},
    {.name = "credential",
     .arg = "NAME",
     .help = "the credential to show, as in sources.csv",
     .type = OPT_TEXT,
     .target = &access_options.credential},
    {.name = "ca-file",
     .arg = "FILE",
     .help = "certificates that alone are trusted, as in sources.csv",
     .type = OPT_TEXT,
     .target = &access_options.ca_file},
    {.name = NULL},
};

/* The words of bindings.csv. */
static const char *role_word(enum item_role role)
{
    static const char *const words[] = {
        [ROLE_FAN_SPEED] = "fan_speed",
        [ROLE_DRIVE_CONDITION] = "drive_condition",
        [ROLE_AXIS_CONDITION] = "axis_condition",
        [ROLE_AVAILABILITY] = "availability",
        [ROLE_POWER] = "power",
    };
    return words[role];
}

static bool is(const char *text, const char *word)
{
    return text && strcmp(text, word) == 0;
}

/* True for "Fan" and "Fan[name]" as a step of the path, and for the component itself. */
static bool stands_in(const struct model_item *item, const char *component)
{
    size_t n = strlen(component);
    if (is(item->component, component))
        return true;
    for (const char *at = item->path; at; at = strchr(at, '/')) {
        at += *at == '/';
        if (strncmp(at, component, n) == 0 && (!at[n] || at[n] == '/' || at[n] == '['))
            return true;
    }
    return false;
}

static bool of_fan(const struct model_item *item)
{
    return stands_in(item, "Fan") || is(item->composition, "FAN");
}

static bool of_drive(const struct model_item *item)
{
    return stands_in(item, "Amplifier") || is(item->composition, "AMPLIFIER") || of_fan(item);
}

static bool of_axis(const struct model_item *item)
{
    return stands_in(item, "Linear") || stands_in(item, "Rotary");
}

/* The last number in the text, 0 when there is none: 2 for "X1 fan-02". */
static int last_number(const char *text)
{
    size_t end = strlen(text);
    while (end && !isdigit((unsigned char)text[end - 1]))
        end--;
    size_t begin = end;
    while (begin && isdigit((unsigned char)text[begin - 1]))
        begin--;
    int value = 0;
    for (size_t k = begin; k < end && value < 1000; k++)
        value = value * 10 + (text[k] - '0');
    return value;
}

/* The name in the last step of the path: "internal-1" of "Axes/Linear[X]/Fan[internal-1]". */
static void last_name(const char *path, char *name, size_t size)
{
    const char *open = path ? strrchr(path, '[') : NULL, *slash = path ? strrchr(path, '/') : NULL;
    name[0] = '\0';
    if (open && (!slash || open > slash))
        snprintf(name, size, "%.*s", (int)strcspn(open + 1, "]"), open + 1);
}

static const char *position_in(const char *text)
{
    if (!text || !*text)
        return "";
    if (strcasestr(text, "heat") || strcasestr(text, "sink"))
        return "heat-sink";
    switch (last_number(text)) {
    case 1:
        return "internal-1";
    case 2:
        return "internal-2";
    default:
        return "";
    }
}

/* The fan's own name first, then the item's; an axis' name must not be taken for a fan's. */
static const char *position_of(const struct model_item *item)
{
    char name[128];
    last_name(item->path, name, sizeof name);
    const char *position = is(item->component, "Fan") ? position_in(name) : "";
    return *position ? position : position_in(item->name);
}

/* To rev/min; ANGULAR_VELOCITY is in degrees per second. */
static double in_rpm(const struct model_item *item, double value)
{
    return is(item->type, "ANGULAR_VELOCITY") ? value / 6 : value;
}

/* "; the machine itself says warning below 3200, minimum 2800, nominal 4000" */
static const char *limits_text(const struct model_item *item, struct arena *mem)
{
    const struct {
        const char *name;
        double value;
    } limits[] = {{"warning below", item->lower_warning},
                  {"limit", item->lower_limit},
                  {"minimum", item->minimum},
                  {"nominal", item->nominal}};
    const char *text = "";
    for (size_t k = 0; k < sizeof limits / sizeof *limits; k++) {
        if (!isnan(limits[k].value))
            text = arena_printf(mem, "%s%s %s %.10g", text, *text ? "," : "; the machine itself says",
                                limits[k].name, in_rpm(item, limits[k].value));
    }
    return text;
}

/* "; it tells changes of 10 rev/min or more, every 60 s at most": what bounds a trend. */
static const char *coarseness_text(const struct model_item *item, struct arena *mem)
{
    const char *steps = "", *every = "";
    if (item->minimum_delta > 0)
        steps = arena_printf(mem, " changes of %.10g rev/min or more", in_rpm(item, item->minimum_delta));
    if (item->period_s > 0)
        every = arena_printf(mem, "%s every %.10g s at most", *steps ? "," : "", item->period_s);
    return *steps || *every ? arena_printf(mem, "; it tells%s%s", steps, every) : "";
}

static bool is_speed_type(const struct model_item *item)
{
    return is(item->type, "ROTARY_VELOCITY") || is(item->type, "ANGULAR_VELOCITY");
}

static bool propose_speed(const struct model_item *item, struct arena *mem, struct draft *d)
{
    if (!is(item->category, "SAMPLE") || !is_speed_type(item) || !of_fan(item))
        return false;
    if (item->statistic || (item->sub_type && strcmp(item->sub_type, "ACTUAL") != 0))
        return false;
    d->role = ROLE_FAN_SPEED;
    d->position = position_of(item);
    d->reason = arena_printf(mem, "speed of a fan %s%s%s%s",
                             is(item->composition, "FAN") ? "(composition) in " : "at ",
                             item->path && *item->path ? item->path : "the device", limits_text(item, mem),
                             coarseness_text(item, mem));
    return true;
}

static bool propose_condition(const struct model_item *item, struct arena *mem, struct draft *d)
{
    if (!is(item->category, "CONDITION"))
        return false;
    bool drive = of_drive(item);
    if (!drive && !of_axis(item))
        return false;
    d->role = drive ? ROLE_DRIVE_CONDITION : ROLE_AXIS_CONDITION;
    d->reason = arena_printf(mem, "condition %s of %s at %s", item->type ? item->type : "without a type",
                             drive ? "a fan or amplifier" : "an axis",
                             item->path && *item->path ? item->path : "the device");
    return true;
}

/* The agent's own data tell a machine that does not report from a fan that stands still. */
static bool propose_link(const struct model_item *item, struct arena *mem, struct draft *d)
{
    bool is_link = is(item->type, "CONNECTION_STATUS");
    if (!is_link && !is(item->type, "AVAILABILITY"))
        return false;
    d->role = ROLE_AVAILABILITY;
    d->reason = is_link ? arena_printf(mem, "whether the agent is connected to its data source at %s",
                                       item->path && *item->path ? item->path : "the agent")
                        : "whether the agent itself reports";
    return true;
}

static bool propose_event(const struct model_item *item, struct draft *d)
{
    if (!is(item->category, "EVENT"))
        return false;
    if (is(item->type, "AVAILABILITY")) {
        d->role = ROLE_AVAILABILITY;
        d->reason = "whether the machine reports";
        return true;
    }
    if (is(item->type, "POWER_STATE") || is(item->type, "POWER_STATUS")) { /* the latter in 1.0 and 1.1 */
        d->role = ROLE_POWER;
        d->reason = "whether the machine is switched on";
        return true;
    }
    return false;
}

void discover_bindings(const struct model *model, struct arena *mem, struct draft **drafts, size_t *count)
{
    *drafts = arena_array(mem, struct draft, model->count);
    *count = 0;
    for (size_t k = 0; k < model->count; k++) {
        const struct model_item *item = &model->items[k];
        struct draft d = {.device = item->device, .item = item->item, .position = ""};
        if (item->of_agent
                ? propose_link(item, mem, &d)
                : propose_speed(item, mem, &d) || propose_condition(item, mem, &d) || propose_event(item, &d))
            (*drafts)[(*count)++] = d;
    }
}

/* The first of the two that is given. */
static double either(double first, double second)
{
    return isnan(first) ? second : first;
}

static bool same(double a, double b)
{
    return a == b || (isnan(a) && isnan(b));
}

void discover_limits(const struct model *model, struct arena *mem, struct fan_limits **limits, size_t *count)
{
    struct draft d;
    *limits = arena_array(mem, struct fan_limits, model->count);
    *count = 0;
    for (size_t k = 0; k < model->count; k++) {
        const struct model_item *item = &model->items[k];
        double rated = in_rpm(item, item->nominal);
        double warning = in_rpm(item, either(item->lower_warning, either(item->lower_limit, item->minimum)));
        if ((isnan(rated) && isnan(warning)) || item->of_agent || !propose_speed(item, mem, &d))
            continue;
        size_t at = 0;
        while (at < *count &&
               !(same((*limits)[at].rated_rpm, rated) && same((*limits)[at].warning_rpm, warning)))
            at++;
        if (at == *count)
            (*limits)[(*count)++] = (struct fan_limits){rated, warning, 0, item->path};
        (*limits)[at].fans++;
    }
}

static void print_number(double value)
{
    putchar(',');
    if (!isnan(value))
        printf("%.10g", value);
}

static bool print_limits(const struct model *model, struct arena *mem, struct err *err)
{
    struct fan_limits *limits;
    size_t count;
    discover_limits(model, mem, &limits, &count);
    fputs("fan_model,part,rated_rpm,warning_rpm,l10_hours,l10_temperature_c,reason\n", stdout);
    for (size_t k = 0; k < count; k++) {
        putchar(',');
        print_number(limits[k].rated_rpm);
        print_number(limits[k].warning_rpm);
        fputs(",,,", stdout);
        csv_write_text(stdout, arena_printf(mem, "the machine says so of %zu fan%s, the first at %s",
                                            limits[k].fans, limits[k].fans == 1 ? "" : "s", limits[k].path));
        putchar('\n');
    }
    return fflush(stdout) == 0 || err_set(err, ERR_OUTPUT, "cannot write to standard output");
}

static void print_draft(const char *source, const struct draft *d)
{
    const char *const cells[] = {source, d->device,   d->item, role_word(d->role),
                                 "",     d->position, "",      d->reason};
    for (size_t k = 0; k < sizeof cells / sizeof *cells; k++) {
        if (k)
            putchar(',');
        csv_write_text(stdout, cells[k]);
    }
    fputs("\n", stdout);
}

static bool print_drafts(const struct model *model, struct arena *mem, struct err *err)
{
    struct draft *drafts;
    size_t count;
    discover_bindings(model, mem, &drafts, &count);
    fputs("source,device,item,role,drive,position,axis,reason\n", stdout);
    for (size_t k = 0; k < count; k++)
        print_draft(source_name, &drafts[k]);
    return fflush(stdout) == 0 || err_set(err, ERR_OUTPUT, "cannot write to standard output");
}

static bool ask(const char *url, struct arena *mem, struct body *body, struct err *err)
{
    if (!fetch_once(url, &access_options, &fetch_usual_limits, mem, body, err))
        return false;
    access_options.any_type = body->status == STATUS_NOT_ACCEPTABLE;
    return !access_options.any_type || fetch_once(url, &access_options, &fetch_usual_limits, mem, body, err);
}

static bool discover(const char *url, struct arena *mem, struct err *err)
{
    bool feed = strcmp(format_name, "feed") == 0;
    if (!feed && strcmp(format_name, "mtconnect") != 0)
        return err_set(err, ERR_USAGE, "--format '%s' is neither mtconnect nor feed", format_name);

    size_t length = strlen(url);
    while (length && url[length - 1] == '/')
        length--;
    access_options.credential_folder = settings.credentials;
    const char *probe = arena_printf(mem, "%.*s/probe", (int)length, url);
    struct body body;
    struct model model;
    if (!ask(probe, mem, &body, err))
        return false;
    bool read = feed ? feed_model(body.bytes, body.size, mem, &model, err)
                     : mtconnect_model(body.bytes, body.size, mem, &model, err);
    if (!read)
        return err_in(err, "the answer of '%s' (status %ld) cannot be read", probe, body.status);
    return wants_limits ? print_limits(&model, mem, err) : print_drafts(&model, mem, err);
}

int discover_command(const char *const *args, int count, struct err *err)
{
    (void)count; /* one, by the table of commands */
    struct arena *mem = arena_new(MAX_MEMORY);
    bool done = discover(args[0], mem, err);
    arena_free(mem);
    return done ? 0 : err_exit_status(err->kind);
}
