#include "base/opts.h"

#include "base/arena.h"
#include "base/nearest.h"
#include "base/opt_file.h"
#include "base/opt_value.h"

#include <argp.h>

#include <ctype.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

static const char USUAL_SETTINGS[] = "/etc/vaneward/vaneward.ini";
static const char PREFIX[] = "VANEWARD_";
static const char SOURCES[] =
    "Each option may also stand in a settings file (--settings FILE, else the file that VANEWARD_SETTINGS "
    "names, else /etc/vaneward/vaneward.ini when it is there) as name = value in section [vaneward], with _ "
    "for -, or in the environment as VANEWARD_NAME. The command line goes before the environment, the "
    "environment before the file.";

enum { KEY_HELP = 256, KEY_USAGE, KEY_VERSION, KEY_SETTINGS, KEY_FIRST };
enum { MAX_MEMORY = 16 * 1024 * 1024 };
enum { GROUP_COMMAND = 1, GROUP_COMMON };

struct given {
    const struct opt *opt;
    const char *text; /* NULL for a flag */
};

/* The value of a target. */
union held {
    bool flag;
    const char *text;
    int64_t integer;
    double real;
};

struct parsing {
    const struct program *program;
    const struct command *command;
    const struct opt **opts; /* of the command and the common ones; a key is KEY_FIRST and the place here */
    size_t opt_count;
    struct argp_option *table;
    struct given *given; /* in the order of the command line; applied after the file and the environment */
    size_t given_count;
    const char **args;
    int arg_count;
    const char *settings;
    struct arena *mem; /* of texts from the settings file */
    union held *usual; /* what the targets held before anything was read */
    bool served;       /* --help, --usage or --version was the answer */
};

static struct parsing *running; /* whose command runs */

static _Noreturn void out_of_memory(void)
{
    fputs("out of memory while reading options\n", stderr);
    exit(EX_OSERR);
}

static void *allocated(size_t count, size_t size)
{
    void *p = calloc(count ? count : 1, size);
    if (!p)
        out_of_memory();
    return p;
}

static const struct command *find_command(const struct program *p, const char *name)
{
    for (const struct command *c = p->commands; c->name; c++)
        if (strcmp(c->name, name) == 0)
            return c;
    return NULL;
}

static int fail(const struct program *p, struct err *err)
{
    err_print(p->name, err);
    return err_exit_status(err->kind);
}

/* --help of the whole program */

static void print_overview(const struct program *p)
{
    int width = 0;
    for (const struct command *c = p->commands; c->name; c++)
        width = (int)strlen(c->name) > width ? (int)strlen(c->name) : width;
    printf("Usage: %s COMMAND [OPTION...] [ARGUMENT...]\n%s\n\nCommands:\n", p->name, p->summary);
    for (const struct command *c = p->commands; c->name; c++)
        printf("  %-*s  %s\n", width, c->name, c->summary);
    printf("\n'%s COMMAND --help' tells the options of a command.\n", p->name);
}

static int unknown_command(const struct program *p, const char *name)
{
    struct err err = {0};
    struct nearest near = nearest_to(name);
    err_set(&err, ERR_USAGE, "there is no command '%s'", name);
    for (const struct command *c = p->commands; c->name; c++)
        nearest_try(&near, c->name);
    if (near.best)
        err_hint(&err, "the nearest is '%s'; '%s --help' lists all", near.best, p->name);
    else
        err_hint(&err, "'%s --help' lists all commands", p->name);
    return fail(p, &err);
}

static int without_command(const struct program *p, int argc, char **argv)
{
    for (int k = 1; k < argc; k++) {
        if (strcmp(argv[k], "--version") == 0) {
            printf("%s %s\n", p->name, p->version);
            return EX_OK;
        }
        if (strcmp(argv[k], "--help") == 0) {
            print_overview(p);
            return EX_OK;
        }
    }
    struct err err = {0};
    err_set(&err, ERR_USAGE, "no command is given");
    err_hint(&err, "'%s --help' lists all commands", p->name);
    return fail(p, &err);
}

/* argp's table from ours */

static void add_fixed(struct parsing *s, size_t *n, const char *name, int key, const char *arg,
                      const char *doc, int group)
{
    s->table[(*n)++] = (struct argp_option){.name = name, .key = key, .arg = arg, .doc = doc, .group = group};
}

static size_t count_opts(const struct opt *o)
{
    size_t n = 0;
    for (; o && o->name; o++)
        n++;
    return n;
}

static void add_opts(struct parsing *s, size_t *n, const struct opt *o, int group)
{
    for (; o && o->name; o++) {
        s->table[(*n)++] = (struct argp_option){.name = o->name,
                                                .key = KEY_FIRST + (int)s->opt_count,
                                                .arg = o->type == OPT_FLAG ? NULL : o->arg,
                                                .doc = opt_value_help(o),
                                                .group = group};
        s->opts[s->opt_count++] = o;
    }
}

static void make_table(struct parsing *s)
{
    enum { FIXED = 4, HEADERS = 1, END = 1 };
    size_t room = count_opts(s->command->options) + count_opts(s->program->common);
    size_t n = 0;
    s->opts = allocated(room, sizeof *s->opts);
    s->table = allocated(room + FIXED + HEADERS + END, sizeof *s->table);
    add_opts(s, &n, s->command->options, GROUP_COMMAND);
    s->table[n++] = (struct argp_option){.doc = "Of every command:", .group = GROUP_COMMON};
    add_opts(s, &n, s->program->common, GROUP_COMMON);
    add_fixed(s, &n, "settings", KEY_SETTINGS, "FILE", "Settings file", GROUP_COMMON);
    add_fixed(s, &n, "help", KEY_HELP, NULL, "Print this", GROUP_COMMON);
    add_fixed(s, &n, "usage", KEY_USAGE, NULL, "Print the options in short", GROUP_COMMON);
    add_fixed(s, &n, "version", KEY_VERSION, NULL, "Print the version", GROUP_COMMON);
}

static void release(struct parsing *s)
{
    for (const struct argp_option *o = s->table; o->name || o->doc; o++)
        if (o->key >= KEY_FIRST)
            free((void *)(uintptr_t)o->doc);
    arena_free(s->mem);
    free(s->table);
    free(s->opts);
    free(s->given);
    free(s->args);
    free(s->usual);
}

/* Ends argp_parse; it would go on, and complain of arguments that are missing. */
static error_t serve(struct parsing *s)
{
    s->served = true;
    return ECANCELED;
}

static error_t on_key(int key, char *text, struct argp_state *state)
{
    struct parsing *s = state->input;
    switch (key) {
    case KEY_HELP:
        argp_state_help(state, stdout, ARGP_HELP_STD_HELP);
        return serve(s);
    case KEY_USAGE:
        argp_state_help(state, stdout, ARGP_HELP_USAGE);
        return serve(s);
    case KEY_VERSION:
        printf("%s %s\n", s->program->name, s->program->version);
        return serve(s);
    case KEY_SETTINGS:
        s->settings = text;
        return 0;
    case ARGP_KEY_ARG:
        s->args[s->arg_count++] = text;
        return 0;
    default:
        if (key < KEY_FIRST || key >= KEY_FIRST + (int)s->opt_count)
            return ARGP_ERR_UNKNOWN;
        s->given[s->given_count++] = (struct given){s->opts[key - KEY_FIRST], text};
        return 0;
    }
}

static error_t parse(struct parsing *s, int argc, char **argv)
{
    const struct command *c = s->command;
    char *doc;
    if (asprintf(&doc, "%s\v%s%s%s", c->summary, c->details ? c->details : "", c->details ? "\n\n" : "",
                 SOURCES) < 0)
        out_of_memory();
    const struct argp argp = {.options = s->table, .parser = on_key, .args_doc = c->args, .doc = doc};
    error_t result = argp_parse(&argp, argc, argv, ARGP_NO_HELP | ARGP_NO_EXIT, NULL, s);
    free(doc);
    return result;
}

static bool apply_file(const struct parsing *s, struct err *err)
{
    const char *path = s->settings ? s->settings : getenv("VANEWARD_SETTINGS");
    if (!path || !*path) {
        if (access(USUAL_SETTINGS, F_OK) != 0)
            return true;
        path = USUAL_SETTINGS;
    }
    return opt_file_apply(path, s->opts, s->opt_count, s->mem, err);
}

static bool apply_environment(const struct parsing *s, struct err *err)
{
    for (size_t k = 0; k < s->opt_count; k++) {
        char name[100];
        snprintf(name, sizeof name, "%s%s", PREFIX, s->opts[k]->name);
        for (char *c = name; *c; c++)
            *c = (char)(*c == '-' ? '_' : toupper((unsigned char)*c));
        const char *text = getenv(name);
        if (text && *text && !opt_value_set(s->opts[k], text, name, ERR_CONFIG, err))
            return false;
    }
    return true;
}

static bool apply_command_line(const struct parsing *s, struct err *err)
{
    for (size_t k = 0; k < s->given_count; k++) {
        char place[100];
        snprintf(place, sizeof place, "--%s", s->given[k].opt->name);
        if (!opt_value_set(s->given[k].opt, s->given[k].text ? s->given[k].text : "yes", place, ERR_USAGE,
                           err))
            return false;
    }
    return true;
}

static bool check_args(const struct parsing *s, struct err *err)
{
    const struct command *c = s->command;
    if (s->arg_count < c->min_args)
        err_set(err, ERR_USAGE, "%s: expects %s", c->name, c->args);
    else if (c->max_args >= 0 && s->arg_count > c->max_args)
        err_set(err, ERR_USAGE, "%s: '%s' is one argument too many; expects %s", c->name,
                s->args[c->max_args], *c->args ? c->args : "none");
    else
        return true;
    return err_hint(err, "'%s %s --help' tells more", s->program->name, c->name);
}

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

static void hold_targets(const struct parsing *s, union held *held)
{
    for (size_t k = 0; k < s->opt_count; k++)
        memcpy(&held[k], s->opts[k]->target, target_size(s->opts[k]));
}

static void set_targets(const struct parsing *s, const union held *held)
{
    for (size_t k = 0; k < s->opt_count; k++)
        memcpy(s->opts[k]->target, &held[k], target_size(s->opts[k]));
}

static bool apply_all(const struct parsing *s, struct err *err)
{
    return apply_file(s, err) && apply_environment(s, err) && apply_command_line(s, err);
}

bool opts_reload(struct err *err)
{
    if (!running)
        BUG("no command runs");
    union held *before = allocated(running->opt_count, sizeof *before);
    hold_targets(running, before);
    set_targets(running, running->usual);
    bool ok = apply_all(running, err);
    if (!ok)
        set_targets(running, before);
    free(before);
    return ok;
}

/* Runs it; a result that did not reach its reader is a failure too. */
static int run(struct parsing *s, struct err *err)
{
    running = s;
    int status = s->command->run(s->args, s->arg_count, err);
    running = NULL;
    if (status == EX_OK && err->kind != ERR_NONE)
        BUG("command '%s' succeeded with an error: %s", s->command->name, err->text);
    bool written = fflush(stdout) == 0 && !ferror(stdout);
    if (status == EX_OK && !written) {
        err_set(err, ERR_OUTPUT, "cannot write to standard output: %s", strerror(errno));
        status = err_exit_status(ERR_OUTPUT);
    }
    if (err->kind != ERR_NONE)
        err_print(s->program->name, err);
    return status;
}

static int with_command(const struct program *p, const struct command *c, int argc, char **argv)
{
    struct parsing s = {.program = p, .command = c, .mem = arena_new(MAX_MEMORY)};
    struct err err = {0};
    s.given = allocated((size_t)argc, sizeof *s.given);
    s.args = allocated((size_t)argc, sizeof *s.args);
    make_table(&s);
    s.usual = allocated(s.opt_count, sizeof *s.usual);
    hold_targets(&s, s.usual);

    int status;
    if (parse(&s, argc, argv) != 0)
        status = s.served ? EX_OK : EX_USAGE; /* argp has said why */
    else if (!apply_all(&s, &err) || !check_args(&s, &err))
        status = fail(p, &err);
    else
        status = run(&s, &err);
    release(&s);
    return status;
}

/* Where the command stands: the first argument that is neither an option nor the value of a common one. */
static int command_place(const struct program *p, int argc, char **argv)
{
    int k = 1;
    while (k < argc && argv[k][0] == '-') {
        bool takes_value = strcmp(argv[k], "--settings") == 0;
        for (const struct opt *o = p->common; o && o->name; o++)
            if (o->type != OPT_FLAG && strncmp(argv[k], "--", 2) == 0 && strcmp(argv[k] + 2, o->name) == 0)
                takes_value = true;
        k += takes_value ? 2 : 1;
    }
    return k;
}

/* The arguments without the command's name; messages and --help call the program "PROGRAM COMMAND". */
static int call(const struct program *p, const struct command *c, int argc, char **argv, int at)
{
    char name[100];
    char **rest = allocated((size_t)argc + 1, sizeof *rest);
    snprintf(name, sizeof name, "%s %s", p->name, c->name);
    rest[0] = name;
    for (int k = 1, n = 1; k < argc; k++)
        if (k != at)
            rest[n++] = argv[k];
    int status = with_command(p, c, argc - 1, rest);
    free(rest);
    return status;
}

static int help(const struct program *p, int argc, char **argv, int at)
{
    if (at + 1 >= argc) {
        print_overview(p);
        return EX_OK;
    }
    const struct command *c = find_command(p, argv[at + 1]);
    char name[] = "", command[] = "help", option[] = "--help";
    char *asked[] = {name, command, option, NULL};
    return c ? call(p, c, 3, asked, 1) : unknown_command(p, argv[at + 1]);
}

int opts_main(const struct program *p, int argc, char **argv)
{
    int at = command_place(p, argc, argv);
    if (at >= argc)
        return without_command(p, argc, argv);
    if (strcmp(argv[at], "help") == 0)
        return help(p, argc, argv, at);
    const struct command *c = find_command(p, argv[at]);
    return c ? call(p, c, argc, argv, at) : unknown_command(p, argv[at]);
}
