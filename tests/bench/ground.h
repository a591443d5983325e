/*
 * A private, durable PostgreSQL for a benchmark: the project's session on the project's schema, and a bare
 * one of libpq beside it, which knows nothing of the project, for the limits.
 */
#ifndef BENCH_GROUND_H
#define BENCH_GROUND_H

#include "block.h"
#include "db.h"

#include <libpq-fe.h>

struct ground {
    struct db *db;
    const char *conninfo;
    PGconn *bare;
    int db_pid, bare_pid; /* of the server's processes */
};

void ground_open(struct ground *g); /* of a server that ends with this program */

/* So that the write-ahead log is written into files of before, as on a server that has run for a while: to
 * make and fill a new one of 16 MB would count as a commit. */
void ground_age_log(struct ground *g);

void ground_do(struct ground *g, const char *sql);
PRINTF_LIKE(2, 3) double ground_number(struct ground *g, const char *fmt, ...);
/* Bytes of write-ahead log from the beginning until now. */
double ground_wal(struct ground *g);
/* CPU seconds of this program and of the server's process for a session. */
double ground_cpu_s(int pid);
/* Site s with sources 1 to N, and their cursors at instance 1, sequence 1. */
void ground_sources(struct ground *g, int sources);

/* Readings by binary COPY of table r (fan_no, read_at, rpm), which the bare session has. */
void ground_copy(struct ground *g, const struct reading *readings, size_t count);

/* Reads what a COPY ... TO STDOUT gives, and drops it; returns the bytes. */
double ground_copy_out(struct ground *g, const char *sql);

#endif
