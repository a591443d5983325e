#include "import_rows.h"

#include "base/clock.h"
#include "base/nearest.h"
#include "base/text.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { READING_DRIVE, READING_POSITION, READING_AT, READING_RPM };
enum {
    CONDITION_DRIVE,
    CONDITION_MACHINE,
    CONDITION_AXIS,
    CONDITION_AT,
    CONDITION_STATE,
    CONDITION_CODE,
    CONDITION_TEXT
};

static const char *const reading_columns[] = {"drive", "position", "read_at", "rpm", NULL};
static const char *const condition_columns[] = {"drive", "machine",     "axis", "at",
                                                "state", "native_code", "text", NULL};
static const char *const states[] = {"normal", "warning", "alarm", "unavailable", NULL};

enum { MOST_MILLI_RPM = 100000000, MOST_CODE_BYTES = 255, MOST_TEXT_BYTES = 2000 };

static bool has(const struct csv_row *header, const char *name)
{
    for (size_t k = 0; k < header->count; k++)
        if (strcmp(header->field[k], name) == 0)
            return true;
    return false;
}

static const char *const *columns_of(enum import_kind kind)
{
    return kind == IMPORT_READINGS ? reading_columns : condition_columns;
}

static bool take_column(struct import_layout *l, const struct csv_row *header, size_t k, struct err *why)
{
    const char *const *columns = columns_of(l->kind);
    for (int c = 0; columns[c]; c++) {
        if (strcmp(columns[c], header->field[k]) != 0)
            continue;
        if (l->field[c] >= 0)
            return err_set(why, ERR_INPUT, "%d:%d: column '%s': stands there twice", header->field_line[k],
                           header->column[k], header->field[k]);
        l->field[c] = (int)k;
        return true;
    }
    const char *near = nearest_of(header->field[k], columns);
    return err_set(why, ERR_INPUT, "%d:%d: column '%s': is not known here%s%s%s", header->field_line[k],
                   header->column[k], header->field[k], near ? "; the nearest is '" : "", near ? near : "",
                   near ? "'" : "");
}

static bool is_complete(const struct import_layout *l, struct err *why)
{
    static const int needed_readings[] = {READING_DRIVE, READING_POSITION, READING_AT, READING_RPM, -1};
    static const int needed_conditions[] = {CONDITION_AT, CONDITION_STATE, -1};
    const int *needed = l->kind == IMPORT_READINGS ? needed_readings : needed_conditions;
    for (; *needed >= 0; needed++)
        if (l->field[*needed] < 0)
            return err_set(why, ERR_INPUT, "1:1: column '%s': is missing", columns_of(l->kind)[*needed]);
    if (l->kind == IMPORT_CONDITIONS && l->field[CONDITION_DRIVE] < 0 &&
        (l->field[CONDITION_MACHINE] < 0 || l->field[CONDITION_AXIS] < 0))
        return err_set(why, ERR_INPUT, "1:1: column 'drive', or 'machine' and 'axis': is missing");
    return true;
}

bool import_header(const struct csv_row *header, struct import_layout *l, struct err *why)
{
    bool readings = has(header, "rpm") || has(header, "read_at");
    if (!readings && !has(header, "state"))
        return err_set(
            why, ERR_INPUT,
            "1:1: the header is neither that of readings (drive, position, read_at, rpm) nor that of "
            "conditions (drive or machine and axis, at, state, native_code, text)");
    *l = (struct import_layout){.kind = readings ? IMPORT_READINGS : IMPORT_CONDITIONS,
                                .width = header->count};
    for (int k = 0; k < IMPORT_MOST_COLUMNS; k++)
        l->field[k] = -1;
    for (size_t k = 0; k < header->count; k++)
        if (!take_column(l, header, k, why))
            return false;
    return is_complete(l, why);
}

static const char *field(const struct import_layout *l, const struct csv_row *row, int column)
{
    return l->field[column] < 0 ? "" : row->field[l->field[column]];
}

static PRINTF_LIKE(4, 5) bool refuse(const struct import_layout *l, int column, struct import_fault *fault,
                                     const char *fmt, ...)
{
    fault->field = l->field[column] < 0 ? 0 : (size_t)l->field[column];
    fault->column = columns_of(l->kind)[column];
    va_list args;
    va_start(args, fmt);
    vsnprintf(fault->why, sizeof fault->why, fmt, args);
    va_end(args);
    return false;
}

static bool refuse_unknown(const struct import_layout *l, int column, const char *key, const struct things *t,
                           struct import_fault *fault)
{
    const char *near = things_nearest(t, key);
    return near ? refuse(l, column, fault, "is not in the register; the nearest is '%s'", near)
                : refuse(l, column, fault, "is not in the register");
}

static bool take_moment(const struct import_layout *l, const struct import_register *known,
                        const struct csv_row *row, int column, struct import_row *out,
                        struct import_fault *fault)
{
    if (!time_parse(field(l, row, column), &out->at_us, &out->no_zone))
        return refuse(l, column, fault, "is not a moment; write it like 2026-11-25T16:20:00Z");
    if (out->at_us > known->now_us)
        return refuse(l, column, fault, "lies in the future");
    return true;
}

static bool take_rpm(const struct import_layout *l, const struct csv_row *row, struct import_row *out,
                     struct import_fault *fault)
{
    const char *text = field(l, row, READING_RPM);
    if (!*text) {
        out->reading.milli_rpm = RPM_UNAVAILABLE;
        return true;
    }
    if (!text_milli(text, &out->reading.milli_rpm))
        return refuse(l, READING_RPM, fault,
                      "is not a speed in rev/min; write it like 3450, or leave it empty");
    if (out->reading.milli_rpm < 0 || out->reading.milli_rpm > MOST_MILLI_RPM)
        return refuse(l, READING_RPM, fault, "is out of range; allowed: 0 to %d", MOST_MILLI_RPM / 1000);
    return true;
}

static bool take_reading(const struct import_layout *l, const struct import_register *known,
                         const struct csv_row *row, struct arena *mem, struct import_row *out,
                         struct import_fault *fault)
{
    const char *drive = field(l, row, READING_DRIVE), *position = field(l, row, READING_POSITION);
    if (!things_find(known->drives, drive))
        return refuse_unknown(l, READING_DRIVE, drive, known->drives, fault);
    const struct thing *fan = things_find(known->fans, arena_printf(mem, "%s\1%s", drive, position));
    if (!fan)
        return refuse(l, READING_POSITION, fault, "drive '%s' has no fan there in the register", drive);
    out->site = fan->site;
    out->reading.fan_no = (uint32_t)fan->number;
    if (!take_moment(l, known, row, READING_AT, out, fault) || !take_rpm(l, row, out, fault))
        return false;
    out->reading.at_us = out->at_us;
    return true;
}

/* An axis brings its machine and drive along; what the row says of these must agree. */
static bool take_axis(const struct import_layout *l, const struct import_register *known,
                      const struct csv_row *row, struct import_row *out, struct import_fault *fault)
{
    const char *key = field(l, row, CONDITION_AXIS), *machine = field(l, row, CONDITION_MACHINE);
    const struct thing *axis = things_find(known->axes, key);
    if (!axis)
        return refuse_unknown(l, CONDITION_AXIS, key, known->axes, fault);
    if (*machine && strcmp(machine, axis->machine) != 0)
        return refuse(l, CONDITION_MACHINE, fault, "is not the machine of axis '%s'; that is '%s'", key,
                      axis->machine);
    if (out->drive && axis->of && strcmp(out->drive, axis->of) != 0)
        return refuse(l, CONDITION_DRIVE, fault, "does not feed axis '%s'; '%s' does", key, axis->of);
    out->site = axis->site;
    out->axis = axis->key;
    out->machine = axis->machine;
    if (!out->drive)
        out->drive = axis->of;
    return true;
}

static bool take_subject(const struct import_layout *l, const struct import_register *known,
                         const struct csv_row *row, struct import_row *out, struct import_fault *fault)
{
    const char *key = field(l, row, CONDITION_DRIVE);
    if (*key) {
        const struct thing *drive = things_find(known->drives, key);
        if (!drive)
            return refuse_unknown(l, CONDITION_DRIVE, key, known->drives, fault);
        out->site = drive->site;
        out->drive = drive->key;
        out->machine = drive->machine;
    }
    if (*field(l, row, CONDITION_AXIS))
        return take_axis(l, known, row, out, fault);
    return *key || refuse(l, CONDITION_DRIVE, fault, "is empty, and so is axis; one of them is needed");
}

static bool take_condition(const struct import_layout *l, const struct import_register *known,
                           const struct csv_row *row, struct import_row *out, struct import_fault *fault)
{
    if (!take_subject(l, known, row, out, fault) || !take_moment(l, known, row, CONDITION_AT, out, fault))
        return false;
    out->state = field(l, row, CONDITION_STATE);
    const char *near = nearest_of(out->state, states);
    if (!near || strcmp(near, out->state) != 0)
        return refuse(l, CONDITION_STATE, fault, "is not normal, warning, alarm or unavailable");
    out->code = field(l, row, CONDITION_CODE);
    out->text = field(l, row, CONDITION_TEXT);
    if (strlen(out->code) > MOST_CODE_BYTES)
        return refuse(l, CONDITION_CODE, fault, "is longer than %d bytes", MOST_CODE_BYTES);
    return strlen(out->text) <= MOST_TEXT_BYTES ||
           refuse(l, CONDITION_TEXT, fault, "is longer than %d bytes", MOST_TEXT_BYTES);
}

bool import_row(const struct import_layout *l, const struct import_register *known, const struct csv_row *row,
                struct arena *mem, struct import_row *out, struct import_fault *fault)
{
    *out = (struct import_row){0};
    if (row->count != l->width) {
        refuse(l, 0, fault, "the row has %zu fields, the header has %zu", row->count, l->width);
        fault->field = 0;
        return false;
    }
    return l->kind == IMPORT_READINGS ? take_reading(l, known, row, mem, out, fault)
                                      : take_condition(l, known, row, out, fault);
}
