/*
 * The files of the register: what columns each has and what may stand in them. One table of columns a file
 * drives reading, checking and storing.
 */
#ifndef COLLECTOR_REGISTER_TABLES_H
#define COLLECTOR_REGISTER_TABLES_H

#include <stdbool.h>
#include <stddef.h>

/* In an order in which what is referred to comes first. */
enum register_kind {
    REGISTER_SITES,
    REGISTER_MACHINES,
    REGISTER_DRIVE_MODELS,
    REGISTER_DRIVES,
    REGISTER_AXES,
    REGISTER_PARTS,
    REGISTER_FAN_MODELS,
    REGISTER_FITMENTS,
    REGISTER_FANS,
    REGISTER_STOCK,
    REGISTER_SOURCES,
    REGISTER_BINDINGS,
    REGISTER_CODE_MAP,
    REGISTER_WORK,
    REGISTER_KINDS
};

enum column_type {
    COLUMN_KEY,  /* the plant's own name of a thing: one line, up to 64 characters */
    COLUMN_NAME, /* one line, up to 255 characters */
    COLUMN_TEXT,
    COLUMN_INTEGER,
    COLUMN_DECIMAL,
    COLUMN_MONEY, /* at most two decimals */
    COLUMN_DATE,
    COLUMN_MOMENT,
    COLUMN_YES_NO,
    COLUMN_WORD, /* one of 'words' */
    COLUMN_ZONE,
    COLUMN_CURRENCY,
    COLUMN_URL,
    COLUMN_NETWORKS,   /* address ranges, separated by blanks */
    COLUMN_PATH,       /* of a file on the collector's machine */
    COLUMN_PIN,        /* SHA-256 of a public key */
    COLUMN_CREDENTIAL, /* the name of one */
    COLUMN_EMAIL,
    COLUMN_REMARK, /* for people; not stored */
};

enum column_use {
    COLUMN_OPTIONAL,
    COLUMN_REQUIRED, /* the column must be there and never empty */
    COLUMN_IN_KEY,   /* as required; a row's key is all of these together */
};

struct register_column {
    const char *name;
    enum column_type type;
    enum column_use use;
    int refers_to;            /* the register_kind whose key it is, plus 1; 0: to nothing */
    const char *const *words; /* COLUMN_WORD; NULL ends them */
    double min, max;          /* of a number */
    bool past;                /* of a date or moment: not in the future */
    const char *when_empty;   /* what is stored for an empty field; NULL: unknown */
};

enum { REGISTER_MOST_COLUMNS = 12 };

struct register_table {
    const char *file;                                          /* without .csv */
    const char *table;                                         /* in schema vaneward */
    struct register_column columns[REGISTER_MOST_COLUMNS + 1]; /* name NULL ends them */
};

extern const struct register_table register_tables[REGISTER_KINDS];

/* By a path's last part: "x/sites.csv" is REGISTER_SITES. */
bool register_kind_of(const char *path, enum register_kind *kind);
/* Place of a column in its table, or -1. */
int register_column_place(enum register_kind kind, const char *name);
size_t register_column_count(enum register_kind kind);

#endif
