#include "base/opts.h"

#include "base/nearest.h"
#include "base/opt_layers.h"
#include "base/opt_value.h"

#include <argp.h>

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

static const char SOURCES[] =
    "Each option may also stand in a settings file (--settings FILE, else the file that VANEWARD_SETTINGS "
    "names, else /etc/vaneward/vaneward.ini when it is there) as name = value in section [vaneward], with _ "
    "for -, or in the environment as VANEWARD_NAME. The command line goes before the environment, the "
    "environment before the file.";

enum { KEY_HELP = 256, KEY_USAGE, KEY_VERSION, KEY_SETTINGS, KEY_FIRST };
enum { MAX_MEMORY = 16 * 1024 * 1024 };
enum { GROUP_COMMAND = 1, GROUP_COMMON };

struct parsing {
    const struct program *program;
    const struct command *command;
    struct opt_layers layers; /* of its options and the common ones; a key is KEY_FIRST and the place there */
    struct argp_option *table; /* argp's */
    const char **args;
    int arg_count;
    bool served; /* --help, --usage or --version was the answer */
};

static struct parsing *running; /* whose command runs */

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
                                                .key = KEY_FIRST + (int)s->layers.opt_count,
                                                .arg = o->type == OPT_FLAG ? NULL : o->arg,
                                                .doc = opt_value_help(o, s->layers.mem),
                                                .group = group};
        s->layers.opts[s->layers.opt_count++] = o;
    }
}

static void make_table(struct parsing *s)
{
    enum { FIXED = 4, HEADERS = 1, END = 1 };
    size_t room = count_opts(s->command->options) + count_opts(s->program->common);
    size_t n = 0;
    s->layers.opts = arena_array(s->layers.mem, const struct opt *, room);
    s->table = arena_array(s->layers.mem, struct argp_option, room + FIXED + HEADERS + END);
    add_opts(s, &n, s->command->options, GROUP_COMMAND);
    s->table[n++] = (struct argp_option){.doc = "Of every command:", .group = GROUP_COMMON};
    add_opts(s, &n, s->program->common, GROUP_COMMON);
    add_fixed(s, &n, "settings", KEY_SETTINGS, "FILE", "Settings file", GROUP_COMMON);
    add_fixed(s, &n, "help", KEY_HELP, NULL, "Print this", GROUP_COMMON);
    add_fixed(s, &n, "usage", KEY_USAGE, NULL, "Print the options in short", GROUP_COMMON);
    add_fixed(s, &n, "version", KEY_VERSION, NULL, "Print the version", GROUP_COMMON);
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
        s->layers.settings = text;
        return 0;
    case ARGP_KEY_ARG:
        s->args[s->arg_count++] = text;
        return 0;
    default:
        if (key < KEY_FIRST || key >= KEY_FIRST + (int)s->layers.opt_count)
            return ARGP_ERR_UNKNOWN;
        opt_layers_give(&s->layers, s->layers.opts[key - KEY_FIRST], text);
        return 0;
    }
}

static error_t parse(struct parsing *s, int argc, char **argv)
{
    const struct command *c = s->command;
    const char *doc = arena_printf(s->layers.mem, "%s\v%s%s%s", c->summary, c->details ? c->details : "",
                                   c->details ? "\n\n" : "", SOURCES);
    const struct argp argp = {.options = s->table, .parser = on_key, .args_doc = c->args, .doc = doc};
    return argp_parse(&argp, argc, argv, ARGP_NO_HELP | ARGP_NO_EXIT, NULL, s);
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

bool opts_reload(struct err *err)
{
    if (!running)
        BUG("no command runs");
    return opt_layers_reapply(&running->layers, err);
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

static int with_command(const struct program *p, const struct command *c, int argc, char **argv,
                        struct arena *mem)
{
    struct parsing s = {.program = p, .command = c, .args = arena_array(mem, const char *, (size_t)argc)};
    struct err err = {0};
    s.layers = (struct opt_layers){.mem = mem, .given = arena_array(mem, struct opt_given, (size_t)argc)};
    make_table(&s);
    opt_layers_begin(&s.layers);

    if (parse(&s, argc, argv) != 0)
        return s.served ? EX_OK : EX_USAGE; /* argp has said why */
    if (!opt_layers_apply(&s.layers, &err) || !check_args(&s, &err))
        return fail(p, &err);
    return run(&s, &err);
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
    struct arena *mem = arena_new(MAX_MEMORY);
    char **rest = arena_array(mem, char *, (size_t)argc + 1);
    rest[0] = arena_printf(mem, "%s %s", p->name, c->name);
    for (int k = 1, n = 1; k < argc; k++)
        if (k != at)
            rest[n++] = argv[k];
    int status = with_command(p, c, argc - 1, rest, mem);
    arena_free(mem);
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
