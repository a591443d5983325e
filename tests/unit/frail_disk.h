/*
 * A disk on which calls fail when they are told to, and which loses power: what was written and not synced is
 * then there, torn, or gone, and so are names that were made or removed since their folder was last synced.
 *
 * It stands on a real folder. After a failed sync the pages count as clean, as in a kernel: a later sync of
 * the same file does not bring them to the disk.
 */
#ifndef FRAIL_DISK_H
#define FRAIL_DISK_H

#include "disk.h"

#include <stdbool.h>
#include <stdint.h>

enum frail_call {
    FRAIL_OPEN, /* of what is there */
    FRAIL_CREATE,
    FRAIL_WRITE,
    FRAIL_PREAD,
    FRAIL_ALLOCATE,
    FRAIL_TRUNCATE,
    FRAIL_SYNC,
    FRAIL_SYNC_FOLDER,
    FRAIL_UNLINK,
    FRAIL_CALLS
};

extern const struct disk frail_disk;

/* Empties the disk's memory; what lies in the folder counts as synced. All dice come from this seed. */
void frail_begin(const char *folder, uint64_t seed);
/* The n-th call of this kind from now on fails with this errno (0: a short write); n 0: none does. */
void frail_fail(enum frail_call call, uint64_t n, int why);
/* The same for every call of this kind from the n-th on. */
void frail_fail_on(enum frail_call call, uint64_t n, int why);
/* Every call fails by chance, in one of so many cases; 0: none. */
void frail_fail_by_chance(uint64_t one_in);
/* The power goes at the n-th call that changes something; 0: never. */
void frail_cut_power(uint64_t n);
bool frail_is_dark(void);
uint64_t frail_changes(void); /* calls that changed something */
/* What the disk says of its size and of what is free, in blocks of 4096 bytes; 0: as it is. */
void frail_size(uint64_t blocks, uint64_t free);
/* The folder as it is found after the power went. */
void frail_restart(void);
/* A throw of the dice below n. */
uint64_t frail_dice(uint64_t n);

#endif
