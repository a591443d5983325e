/*
 * What the tests of the sealer share: a database with a small register, and all that was ever stored there.
 */
#ifndef TESTS_SEAL_RIG_H
#define TESTS_SEAL_RIG_H

#include "rig.h"

#include "base/clock.h"
#include "seal.h"

#include <check.h>

#define MIDNIGHT (INT64_C(20000) * US_PER_DAY) /* 2024-10-04 */
#define MINUTE (60 * US_PER_S)

extern struct db *db;
extern struct arena *mem;
extern struct err err;

/* All that was ever stored: what must lie in the database at every moment. */
enum { MOST_STORED = 20000 };
extern struct reading stored[MOST_STORED];
extern size_t stored_count;

/* A test case whose tests have a server together and a database each. */
TCase *seal_case(const char *name);
int seal_run(Suite *suite); /* the exit status */
struct db *open_session(void);

void store_at(int64_t received_us, const struct reading *readings, size_t count);
void store_one(int64_t received_us, uint32_t fan_no, int64_t at_us, int32_t rpm);
/* 16 readings of the closed days and of a closed hour of the open one, late for what was sealed before. */
void store_late(int64_t now_us, int salt);

struct seal_report seal_at(int64_t now_us);
void all_is_there(const char *when);
void all_is_sealed_at(int64_t now_us);
/* The summaries say what the readings say that are there. */
void summaries_are_true(void);
/* Readings in journal, hour blocks, day blocks. */
const char *places(void);

#endif
