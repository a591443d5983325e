/*
 * What the tests of the collector on a database share: a small register, ad-hoc statements, readings read
 * back from all the places where they can lie.
 */
#ifndef TESTS_RIG_H
#define TESTS_RIG_H

#include "block.h"
#include "db.h"

/* Runs statements without results; ends the test when they fail. */
void rig_do(struct db *db, const char *text);
/* One whole number from a statement with one row and column. */
int64_t rig_number(struct db *db, const char *text);
/* All rows of a statement as text: cells separated by '|', rows by ';', null as '-'. */
const char *rig_table(struct db *db, struct arena *mem, const char *text);

/* Site 's', machine 'm' with controller 'c', drives d1 .. dN with fans 1 .. N, sources a and b, axes x (of
 * d1) and y (of no drive). */
void rig_register(struct db *db, int drives);

/* Kills this process, as kill -9 does, at a point of its talk with the server from now on: 1 before its first
 * message, 2 after that, 3 before the second one, and so on. */
void rig_die_at(int point);
/* Until no other session is left in this database: what a killed one had sent is done or undone. */
void rig_wait_until_alone(struct db *db);

/* Every reading of a site, from journal, hour and day blocks, in order of fan and time. */
struct reading *rig_readings(struct db *db, struct arena *mem, const char *site, size_t *count);
void rig_sort(struct reading *readings, size_t count);

#endif
