/*
 * What the two files of the reader share: reader.c asks, takes and stores, reader_register.c follows the
 * register. For these alone.
 */
#ifndef COLLECTOR_READER_PARTS_H
#define COLLECTOR_READER_PARTS_H

#include "lanes.h"
#include "pending.h"
#include "reader.h"
#include "register_look.h"
#include "source_notes.h"

struct reader {
    enum reader_mode mode;
    struct roster roster;
    size_t finished; /* stations with nothing more to do */
    struct lanes lanes;
    struct fetch *fetch; /* NULL before the first register */
    struct pending pending;
    struct register_look look;
    struct register_copy *copy; /* NULL: none is kept */
    struct source_notes notes;
    bool lost; /* the stations stand where nothing is stored */
    bool has_conditions;
    int64_t conditions_told;
    struct totals totals;
};

#endif
