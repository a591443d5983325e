/*
 * The project's own programs, run beside a benchmark.
 */
#ifndef BENCH_PROGRAM_H
#define BENCH_PROGRAM_H

#include <stddef.h>

struct program_use {
    int status; /* of its exit; -1: ended by a signal */
    double cpu_s, memory_mb;
};

/* Starts a program of the folder that this one lies in; args end with NULL, and args[0] is its name. What it
 * says goes to 'out', its messages are dropped unless BENCH_LOUD is set. */
int program_start(const char *const *args, const char *out);
/* Waits for its end; signal 0: without asking for it. */
struct program_use program_end(int pid, int signal);

#endif
