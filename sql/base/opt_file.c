#include "base/opt_file.h"

#include "base/nearest.h"
#include "base/opt_value.h"

#include <ini.h>

#include <errno.h>
#include <stdio.h>
#include <string.h>

static const char SECTION[] = "vaneward";

struct settings_file {
    const char *path;
    const struct opt *const *opts;
    size_t count;
    const char **texts; /* as read last, one an option */
    struct arena *mem;
    FILE *in;
    int line;
    struct err *err;
};

/* inih reads a line at a time through this: so we know which line a key stands in. */
static char *next_line(char *line, int size, void *context)
{
    struct settings_file *f = context;
    if (!fgets(line, size, f->in))
        return NULL;
    f->line++;
    if (!strchr(line, '\n') && !feof(f->in)) {
        err_set(f->err, ERR_CONFIG, "%s:%d: the line is longer than %d bytes", f->path, f->line, size - 2);
        return NULL;
    }
    return line;
}

static bool find(const struct settings_file *f, const char *name, size_t *at)
{
    for (*at = 0; *at < f->count; ++*at)
        if (opt_value_named(f->opts[*at], name))
            return true;
    return false;
}

/* A file that is read again and has not changed takes no more memory. */
static const char *kept_text(const struct settings_file *f, size_t at, const char *value)
{
    if (!f->texts[at] || strcmp(f->texts[at], value) != 0)
        f->texts[at] = arena_strdup(f->mem, value);
    return f->texts[at];
}

static void notice_slip(const struct settings_file *f, const char *name)
{
    struct nearest near = nearest_to(name);
    for (size_t k = 0; k < f->count; k++)
        nearest_try(&near, f->opts[k]->name);
    if (near.best)
        fprintf(stderr, "notice: %s:%d: '%s' is not an option of this command; the nearest is '%s'\n",
                f->path, f->line, name, near.best);
}

static int on_setting(void *context, const char *section, const char *name, const char *value)
{
    struct settings_file *f = context;
    if (strcmp(section, SECTION) != 0)
        return err_set(f->err, ERR_CONFIG, "%s:%d: '%s' does not stand in section [%s]", f->path, f->line,
                       name, SECTION);
    size_t at;
    if (!find(f, name, &at)) {
        notice_slip(f, name);
        return true;
    }
    char place[300];
    snprintf(place, sizeof place, "%s:%d: %s", f->path, f->line, name);
    return opt_value_set(f->opts[at], kept_text(f, at, value), place, ERR_CONFIG, f->err);
}

bool opt_file_apply(const char *path, const struct opt *const *opts, size_t count, const char **texts,
                    struct arena *mem, struct err *err)
{
    struct settings_file f = {.path = path,
                              .opts = opts,
                              .count = count,
                              .texts = texts,
                              .mem = mem,
                              .in = fopen(path, "r"),
                              .err = err};
    if (!f.in)
        return err_set(err, ERR_CONFIG, "cannot open settings file '%s': %s", path, strerror(errno));
    int bad_line = ini_parse_stream(next_line, &f, on_setting, &f);
    fclose(f.in);
    if (err->kind == ERR_NONE && bad_line)
        err_set(err, ERR_CONFIG, "%s:%d: neither [section] nor name = value", path, bad_line);
    return err->kind == ERR_NONE;
}
