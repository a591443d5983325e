#include "batch_bytes.h"
#include "segment.h"
#include "spool.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>

static bool note_receipt(void *context, const struct record *r, const uint8_t *payload, size_t bytes)
{
    (void)r;
    int64_t *oldest_us = context;
    struct arena *mem = arena_new((size_t)1 << 31);
    struct batch b;
    struct err why = {0};
    bool sound = batch_step_decode(payload, bytes, mem, &b, &why);
    if (sound && (*oldest_us == TIME_UNKNOWN || b.received_us < *oldest_us))
        *oldest_us = b.received_us;
    arena_free(mem);
    return sound;
}

/* Sums the segments; *steps is the number of the oldest one with steps, UINT64_MAX when there is none. */
static void sum_up(DIR *d, uint64_t *bytes, uint64_t *steps)
{
    *steps = UINT64_MAX;
    for (const struct dirent *e; (e = readdir(d));) {
        uint64_t number;
        struct stat st;
        bool is_step = segment_parse(e->d_name, "steps", &number);
        if (!is_step && !segment_parse(e->d_name, "readings", &number))
            continue;
        if (fstatat(dirfd(d), e->d_name, &st, AT_SYMLINK_NOFOLLOW) == 0)
            *bytes += (uint64_t)st.st_size;
        if (is_step && number < *steps)
            *steps = number;
    }
}

bool spool_look(const char *dir, uint64_t *bytes, int64_t *oldest_us, struct err *err)
{
    *bytes = 0;
    *oldest_us = TIME_UNKNOWN;
    DIR *d = opendir(dir);
    if (!d)
        return errno == ENOENT ||
               err_set(err, ERR_SYSTEM, "cannot read spool folder '%s': %s", dir, strerror(errno));
    uint64_t steps, damaged = 0, size;
    sum_up(d, bytes, &steps);
    struct err gone = {0}; /* stored while we looked */
    const struct folder folder = {&disk_real, dirfd(d)};
    char name[SEGMENT_NAME];
    segment_name(name, "steps", steps);
    if (steps != UINT64_MAX && !segment_scan(&folder, name, note_receipt, oldest_us, &damaged, &size, &gone))
        *oldest_us = TIME_UNKNOWN;
    closedir(d);
    return true;
}
