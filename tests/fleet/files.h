/*
 * The files that the simulated fleet writes: the register that a plant would load, the ledger of what its
 * sources published, and the truth behind it.
 */
#ifndef FLEET_FILES_H
#define FLEET_FILES_H

#include "record.h"

/* register/: every register file, with 'base_url' in front of each source's path. */
void register_write(const struct fleet *f, const char *dir, const char *base_url);
/* ledger/readings.csv, conditions.csv, events.csv, gaps.csv */
void ledger_write(const struct world *w, const char *dir);
/* truth/fans.csv, episodes.csv */
void truth_write(const struct world *w, const char *dir);
/* truth/oracle.csv: at dates a week apart before a moment, what a client that knew all laws and the state
 * could say. */
void oracle_write(const struct world *w, const char *dir, int64_t before_ms);
/* The item as the register binds it: drive (NULL: not known), axis (NULL), role (NULL: not bound). */
struct bound {
    const char *role, *drive, *axis, *position;
};
struct bound binding_of(const struct fleet *f, const struct item *item);

#endif
