#include "register_command.h"

#include "base/clock.h"
#include "base/nearest.h"
#include "fold.h"
#include "register_report.h"
#include "register_value.h"
#include "settings.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

enum { CHUNK_BYTES = 1024 * 1024, MOST_FILE_BYTES = 1024 * 1024 * 1024 };

/* As far as it says; a pipe does not. */
static bool is_too_large(FILE *in)
{
    struct stat st;
    return fstat(fileno(in), &st) == 0 && S_ISREG(st.st_mode) && st.st_size > MOST_FILE_BYTES;
}

/* One byte more than is taken is enough. */
static size_t next_room(size_t room)
{
    size_t next = room ? room * 2 : CHUNK_BYTES;
    return next < MOST_FILE_BYTES ? next : (size_t)MOST_FILE_BYTES + 1;
}

/* The whole file in memory of its own; NULL: *why says why not. */
static char *whole_file(FILE *in, size_t *size, const char **why)
{
    size_t room = 0;
    char *bytes = NULL;
    bool fits = !is_too_large(in);
    *size = 0;
    while (fits && !feof(in) && !ferror(in)) {
        if (*size == room) {
            room = next_room(room);
            char *more = realloc(bytes, room);
            if (!more)
                err_no_memory();
            bytes = more;
        }
        *size += fread(bytes + *size, 1, room - *size, in);
        fits = *size <= MOST_FILE_BYTES;
    }
    if (fits && !ferror(in))
        return bytes;
    *why = fits ? strerror(errno) : "it is larger than 1 GiB";
    free(bytes);
    return NULL;
}

void register_read_path(struct register_load *r, enum register_kind kind, const char *path)
{
    FILE *in = fopen(path, "rb");
    const char *why = in ? NULL : strerror(errno);
    size_t size = 0;
    char *bytes = in ? whole_file(in, &size, &why) : NULL;
    if (bytes)
        register_read(r, kind, path, bytes, size);
    else
        register_unreadable(r, kind, path, arena_printf(r->mem, "%s: cannot read it: %s", path, why));
    free(bytes);
    if (in)
        fclose(in);
}

static bool is_history(const char *name)
{
    return strcmp(name, "readings.csv") == 0 || strcmp(name, "conditions.csv") == 0;
}

static const char *last_part(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

static bool refuse_unknown(const char *path, struct arena *mem, struct err *err)
{
    const char *names[REGISTER_KINDS + 1] = {NULL};
    for (int k = 0; k < REGISTER_KINDS; k++)
        names[k] = arena_printf(mem, "%s.csv", register_tables[k].file);
    const char *near = nearest_of(last_part(path), names);
    err_set(err, ERR_INPUT, "'%s' is no file of the register; its files are %s", path,
            register_word_list(names, mem));
    return near ? err_hint(err, "the nearest is '%s'", near) : false;
}

static bool take_file(struct register_load *r, const char *path, struct err *err)
{
    enum register_kind kind;
    if (is_history(last_part(path))) {
        err_set(err, ERR_INPUT, "'%s' is history, not register", path);
        return err_hint(err, "load it with 'vaneward-collector import %s'", path);
    }
    if (!register_kind_of(path, &kind))
        return refuse_unknown(path, r->mem, err);
    register_read_path(r, kind, path);
    return true;
}

static int is_csv(const struct dirent *entry)
{
    size_t n = strlen(entry->d_name);
    return entry->d_name[0] != '.' && n > 4 && strcmp(entry->d_name + n - 4, ".csv") == 0;
}

/* All that it holds is told: what is not read gets a notice. */
static bool take_folder(struct register_load *r, const char *path, struct err *err)
{
    struct dirent **entries;
    int count = scandir(path, &entries, is_csv, alphasort);
    if (count < 0)
        return err_set(err, ERR_INPUT, "cannot read folder '%s': %s", path, strerror(errno));
    bool good = true;
    int taken = 0;
    for (int k = 0; k < count; k++) {
        const char *slash = path[strlen(path) - 1] == '/' ? "" : "/";
        const char *file = arena_printf(r->mem, "%s%s%s", path, slash, entries[k]->d_name);
        if (good && is_history(entries[k]->d_name)) {
            fprintf(stderr, "notice: %s is history, not register; 'import' loads it\n", file);
        } else if (good) {
            good = take_file(r, file, err);
            taken++;
        }
        free(entries[k]);
    }
    free(entries);
    if (good && !taken)
        err_set(err, ERR_INPUT, "there is no file of the register in '%s'", path);
    return good && taken;
}

static bool take_argument(struct register_load *r, const char *path, struct err *err)
{
    struct stat st;
    if (stat(path, &st) == 0 && S_ISDIR(st.st_mode))
        return take_folder(r, path, err);
    return take_file(r, path, err);
}

/* What native codes of a machine's controller mean is part of every episode. */
static bool changes_episodes(const struct register_load *r, const struct register_outcome *outcomes)
{
    for (size_t k = 0; k < r->file_count; k++) {
        enum register_kind kind = r->files[k]->kind;
        bool any = outcomes[k].added || outcomes[k].changed;
        if (any && (kind == REGISTER_CODE_MAP || kind == REGISTER_MACHINES))
            return true;
    }
    return false;
}

static bool store(struct register_load *r, struct db *db, struct register_outcome **outcomes, struct err *err)
{
    int64_t drives;
    if (!register_load_store(r, db, outcomes, err))
        return false;
    return r->issue_count || !changes_episodes(r, *outcomes) || fold_all(db, &drives, err);
}

int register_finish(struct register_load *r, struct err *err)
{
    struct db *db;
    struct register_outcome *outcomes;
    if (!settings_open(&db, err))
        return err_exit_status(err->kind);
    bool good = store(r, db, &outcomes, err);
    db_close(db);
    if (good && r->issue_count) {
        register_print_issues(r);
        good = err_set(err, ERR_INPUT, "nothing was stored: %zu error%s", r->issue_count,
                       r->issue_count == 1 ? "" : "s");
    }
    good = good && register_print_outcomes(r, outcomes, settings.json, err);
    return good ? 0 : err_exit_status(err->kind);
}

int register_command(const char *const *args, int count, struct err *err)
{
    struct arena *mem = arena_new(REGISTER_MAX_MEMORY);
    struct register_load *r = register_new(mem, clock_now_us());
    bool good = true;
    for (int k = 0; good && k < count; k++)
        good = take_argument(r, args[k], err);
    int status = good ? register_finish(r, err) : err_exit_status(err->kind);
    arena_free(mem);
    return status;
}
