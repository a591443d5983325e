/*
 * The rows of a file of history: readings or conditions, told apart by the header. Pure.
 */
#ifndef COLLECTOR_IMPORT_ROWS_H
#define COLLECTOR_IMPORT_ROWS_H

#include "base/csv.h"
#include "block.h"
#include "register_things.h"

enum import_kind { IMPORT_READINGS, IMPORT_CONDITIONS };
enum { IMPORT_MOST_COLUMNS = 7 };

struct import_layout {
    enum import_kind kind;
    int field[IMPORT_MOST_COLUMNS]; /* by the kind's columns, in the order of import_columns; -1: not there */
    size_t width;
};

/* What the rows are told against. */
struct import_register {
    const struct things *drives, *axes, *fans;
    int64_t now_us; /* nothing lies after it */
};

struct import_row {
    const char *site;
    int64_t at_us;
    bool no_zone; /* the moment had none, and was taken as UTC */
    struct reading reading;
    const char *machine, *drive, *axis; /* of a condition; as the register has them */
    const char *state, *code, *text;    /* "" where empty; as long as the csv_row */
};

/* What is wrong with a row, and in which field. */
struct import_fault {
    size_t field;
    const char *column;
    char why[300];
};

/* False: *why says what the header should be. */
MUST_USE bool import_header(const struct csv_row *header, struct import_layout *l, struct err *why);
MUST_USE bool import_row(const struct import_layout *l, const struct import_register *known,
                         const struct csv_row *row, struct arena *mem, struct import_row *out,
                         struct import_fault *fault);

#endif
