#include "work.h"

#include "base/clock.h"
#include "register_command.h"

#include <string.h>

static struct {
    const char *fan, *drive, *position, *action, *reason, *finding, *technician, *rpm_before, *rpm_after,
        *part, *note;
    int64_t done_us;
} given = {.done_us = TIME_UNKNOWN};

const struct opt work_options[] = {
    {"fan", "DRIVE/POSITION", "The fan, in place of --drive and --position", OPT_TEXT, &given.fan, 0, 0},
    {"drive", "DRIVE", "Drive of the fan", OPT_TEXT, &given.drive, 0, 0},
    {"position", "POSITION", "internal-1, internal-2 or heat-sink", OPT_TEXT, &given.position, 0, 0},
    {"action", "ACTION", "cleaned, reseated, replaced, housing, connector, board, drive or none", OPT_TEXT,
     &given.action, 0, 0},
    {"done-at", "MOMENT", "When it was done, UTC; now when not given", OPT_MOMENT, &given.done_us, 0, 0},
    {"reason", "REASON", "alarm, warning, predicted, age or opportunity", OPT_TEXT, &given.reason, 0, 0},
    {"finding", "FINDING", "worn, blocked, dirty, loose, connector, board, none or unknown", OPT_TEXT,
     &given.finding, 0, 0},
    {"technician", "NAME", "Who did it", OPT_TEXT, &given.technician, 0, 0},
    {"rpm-before", "RPM", "Speed before, in rev/min", OPT_TEXT, &given.rpm_before, 0, 0},
    {"rpm-after", "RPM", "Speed after, in rev/min", OPT_TEXT, &given.rpm_after, 0, 0},
    {"part", "PART", "Part that was fitted", OPT_TEXT, &given.part, 0, 0},
    {"note", "TEXT", "What else is worth knowing", OPT_TEXT, &given.note, 0, 0},
    {0},
};

bool work_split_fan(const char *fan, struct arena *mem, const char **drive, const char **position)
{
    const char *slash = strrchr(fan, '/');
    if (!slash || slash == fan || !slash[1])
        return false;
    *drive = arena_strndup(mem, fan, (size_t)(slash - fan));
    *position = slash + 1;
    return true;
}

static void put(const char **cells, const char *column, const char *value)
{
    cells[register_column_place(REGISTER_WORK, column)] = value;
}

/* The options as a row of work.csv: it is checked and stored in the same way. */
static bool take_options(struct register_load *r, struct err *err)
{
    const char *cells[REGISTER_MOST_COLUMNS] = {NULL};
    char moment[TIME_TEXT];

    if (given.fan && (given.drive || given.position))
        return err_set(err, ERR_USAGE, "give either --fan or --drive and --position");
    if (given.fan && !work_split_fan(given.fan, r->mem, &given.drive, &given.position))
        return err_set(err, ERR_USAGE, "--fan: '%s' is not DRIVE/POSITION", given.fan);
    if (!given.drive || !given.position || !given.action)
        return err_set(err, ERR_USAGE, "%s is missing",
                       !given.drive      ? "--drive, --fan or a file"
                       : !given.position ? "--position"
                                         : "--action");

    time_format(given.done_us == TIME_UNKNOWN ? r->now_us - r->now_us % US_PER_S : given.done_us, moment);
    put(cells, "drive", given.drive);
    put(cells, "position", given.position);
    put(cells, "done_at", arena_strdup(r->mem, moment));
    put(cells, "action", given.action);
    put(cells, "reason", given.reason);
    put(cells, "finding", given.finding);
    put(cells, "technician", given.technician);
    put(cells, "rpm_before", given.rpm_before);
    put(cells, "rpm_after", given.rpm_after);
    put(cells, "part", given.part);
    put(cells, "note", given.note);
    register_add(r, REGISTER_WORK, "command line", cells);
    return true;
}

static bool take(struct register_load *r, const char *const *files, int count, struct err *err)
{
    if (!count)
        return take_options(r, err);
    if (given.fan || given.drive || given.position || given.action)
        return err_set(err, ERR_USAGE, "give either files or --fan, --action and so on");
    for (int k = 0; k < count; k++)
        register_read_path(r, REGISTER_WORK, files[k]);
    return true;
}

int work_command(const char *const *args, int count, struct err *err)
{
    struct arena *mem = arena_new(REGISTER_MAX_MEMORY);
    struct register_load *r = register_new(mem, clock_now_us());
    int status = take(r, args, count, err) ? register_finish(r, err) : err_exit_status(err->kind);
    arena_free(mem);
    return status;
}
