/*
 * A copy on disk of what reading needs from the database: the sources, their bindings, and where their
 * reading stands. By it a run that begins while the database is away reads on, into the spool.
 *
 * The positions in it may be older than those in the database. What is read twice for that reason is passed
 * over when the spool is stored (chain.h). It names credentials and holds none.
 */
#ifndef COLLECTOR_REGISTER_COPY_H
#define COLLECTOR_REGISTER_COPY_H

#include "binding.h"

#include <limits.h>

enum { REGISTER_COPY_VERSION = 3 }; /* of the file */

struct register_copy {
    char path[PATH_MAX]; /* "": none is kept */
    uint64_t hash;       /* of the register in it, without positions */
    int64_t due_ms;
    bool has_failed; /* to be written; told once */
};

/* In this folder; NULL: none is kept. ERR_CONFIG: its name is too long. */
MUST_USE bool register_copy_open(struct register_copy *c, const char *dir, struct err *err);
/* Writes what was just read from the database, when sources or bindings changed or the copy is some minutes
 * old. A copy that cannot be written is logged. */
void register_copy_keep(struct register_copy *c, const struct bindings *b, int64_t now_ms);
/* The copy is some minutes old. */
bool register_copy_is_due(const struct register_copy *c, int64_t now_ms);
/* ERR_INPUT: there is none, or it is damaged or of another version. */
MUST_USE bool register_copy_read(const struct register_copy *c, struct arena *mem, struct bindings *out,
                                 struct err *err);

/* The copy as bytes and back. */
const uint8_t *register_copy_encode(const struct bindings *b, struct arena *mem, size_t *size);
MUST_USE bool register_copy_decode(const uint8_t *bytes, size_t size, struct arena *mem, struct bindings *out,
                                   struct err *err);

#endif
