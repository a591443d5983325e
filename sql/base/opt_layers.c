#include "base/opt_layers.h"

#include "base/opt_file.h"
#include "base/opt_value.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char USUAL_SETTINGS[] = "/etc/vaneward/vaneward.ini";
static const char PREFIX[] = "VANEWARD_";

/* The value of a target. */
union opt_held {
    bool flag;
    const char *text;
    int64_t integer;
    double real;
};

static size_t target_size(const struct opt *o)
{
    switch (o->type) {
    case OPT_FLAG:
        return sizeof(bool);
    case OPT_TEXT:
        return sizeof(const char *);
    case OPT_REAL:
        return sizeof(double);
    case OPT_INT:
    case OPT_MOMENT:
        break;
    }
    return sizeof(int64_t);
}

static void hold_targets(const struct opt_layers *l, union opt_held *held)
{
    for (size_t k = 0; k < l->opt_count; k++)
        memcpy(&held[k], l->opts[k]->target, target_size(l->opts[k]));
}

static void set_targets(const struct opt_layers *l, const union opt_held *held)
{
    for (size_t k = 0; k < l->opt_count; k++)
        memcpy(l->opts[k]->target, &held[k], target_size(l->opts[k]));
}

void opt_layers_begin(struct opt_layers *l)
{
    l->usual = arena_array(l->mem, union opt_held, l->opt_count);
    l->before = arena_array(l->mem, union opt_held, l->opt_count);
    l->file_texts = arena_array(l->mem, const char *, l->opt_count);
    hold_targets(l, l->usual);
}

void opt_layers_give(struct opt_layers *l, const struct opt *o, const char *text)
{
    l->given[l->given_count++] = (struct opt_given){o, text};
}

static bool apply_file(const struct opt_layers *l, struct err *err)
{
    const char *path = l->settings ? l->settings : getenv("VANEWARD_SETTINGS");
    if (!path || !*path) {
        if (access(USUAL_SETTINGS, F_OK) != 0)
            return true;
        path = USUAL_SETTINGS;
    }
    return opt_file_apply(path, l->opts, l->opt_count, l->file_texts, l->mem, err);
}

static void name_in_environment(const struct opt *o, char *name, size_t size)
{
    snprintf(name, size, "%s%s", PREFIX, o->name);
    for (char *c = name; *c; c++)
        *c = (char)(*c == '-' ? '_' : toupper((unsigned char)*c));
}

static bool apply_environment(const struct opt_layers *l, struct err *err)
{
    for (size_t k = 0; k < l->opt_count; k++) {
        char name[100];
        name_in_environment(l->opts[k], name, sizeof name);
        const char *text = getenv(name);
        if (text && *text && !opt_value_set(l->opts[k], text, name, ERR_CONFIG, err))
            return false;
    }
    return true;
}

static bool apply_command_line(const struct opt_layers *l, struct err *err)
{
    for (size_t k = 0; k < l->given_count; k++) {
        char place[100];
        snprintf(place, sizeof place, "--%s", l->given[k].opt->name);
        if (!opt_value_set(l->given[k].opt, l->given[k].text ? l->given[k].text : "yes", place, ERR_USAGE,
                           err))
            return false;
    }
    return true;
}

bool opt_layers_apply(const struct opt_layers *l, struct err *err)
{
    return apply_file(l, err) && apply_environment(l, err) && apply_command_line(l, err);
}

bool opt_layers_reapply(const struct opt_layers *l, struct err *err)
{
    hold_targets(l, l->before);
    set_targets(l, l->usual);
    if (opt_layers_apply(l, err))
        return true;
    set_targets(l, l->before);
    return false;
}
