/*
 * Commands and their options: one table a command gives parsing, --help, --usage, environment and settings
 * file. The only user of argp.
 *
 * A value comes from, in rising order: the default already in the target, the settings file (--settings FILE,
 * else $VANEWARD_SETTINGS, else /etc/vaneward/vaneward.ini when it exists; section [vaneward], key = option
 * name with _ for -), the environment (VANEWARD_ and the option's name in capitals), the command line.
 */
#ifndef BASE_OPTS_H
#define BASE_OPTS_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

enum opt_type {
    OPT_FLAG,   /* bool */
    OPT_TEXT,   /* const char *; lives until opts_main returns */
    OPT_INT,    /* int64_t, with min and max */
    OPT_REAL,   /* double, with min and max */
    OPT_MOMENT, /* int64_t microseconds; a plain date is its midnight UTC */
};

struct opt {
    const char *name; /* long name without dashes; NULL ends a table */
    const char *arg;  /* what the value is called in --help; NULL for a flag */
    const char *help;
    enum opt_type type;
    void *target;
    double min, max; /* both 0: no limits */
};

struct command {
    const char *name;
    const char *args; /* "FILE.csv|DIR ..." for --help; "" for none */
    const char *summary;
    const char *details; /* what stands after the options in --help; NULL for nothing */
    const struct opt *options;
    int min_args, max_args; /* max_args -1: any number */
    int (*run)(const char *const *args, int count,
               struct err *err); /* exit status; 0 with *err set is a bug */
};

struct program {
    const char *name, *version, *summary;
    const struct opt *common;       /* options of every command: --db, --json ... */
    const struct command *commands; /* name NULL ends it */
};

/*
 * Finds the command, reads its options, runs it, prints *err where it failed. --help, --version and "help
 * COMMAND" are served here. Returns the exit status: what run returned, or the status of the error, 64 for
 * wrong usage.
 */
int opts_main(const struct program *p, int argc, char **argv);

/*
 * Inside a running command: reads the settings file again. The targets are set anew by all the places where a
 * value can come from; when something is wrong (ERR_CONFIG), all keep the values that they had.
 */
MUST_USE bool opts_reload(struct err *err);

#endif
