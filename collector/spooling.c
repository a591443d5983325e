#include "spooling.h"

#include "base/log.h"

#include <inttypes.h>
#include <sys/stat.h>

const char *spooling_dir(const struct spooling_settings *settings)
{
    struct stat st;
    if (settings->dir)
        return settings->dir[0] ? settings->dir : NULL;
    return stat(SPOOL_USUAL_DIR, &st) == 0 && S_ISDIR(st.st_mode) ? SPOOL_USUAL_DIR : NULL;
}

bool spooling_open(struct spool **spool, const struct spooling_settings *settings, struct err *err)
{
    const char *dir = spooling_dir(settings);
    *spool = NULL;
    if (!dir) {
        log_warn("spool.none", "while the database is away, sources are not read (--spool DIR)");
        return true;
    }
    struct spool_limits limits = spool_usual_limits;
    limits.max_bytes = (uint64_t)settings->max_mb << 20;
    limits.reserve_bytes = (uint64_t)settings->reserve_mb << 20;
    if (!spool_open(spool, dir, &limits, err))
        return false;
    struct spool_state state = spool_state(*spool);
    if (state.damaged)
        log_error("spool.damaged", "dir=%s records=%" PRIu64, dir, state.damaged);
    return true;
}

static void tell_state(const struct spool_state *now, const struct spool_state *told)
{
    if (now->batches && !told->batches)
        log_warn("spool.fills", "batches=%" PRIu64 " bytes=%" PRIu64, now->batches, now->bytes);
    if (!now->batches && told->batches)
        log_info("spool.empty", "all of it is in the database");
    if (now->damaged != told->damaged)
        log_error("spool.damaged", "records=%" PRIu64, now->damaged);
    if (now->readings_dropped != told->readings_dropped)
        log_error("spool.full", "readings went to make room, of batches=%" PRIu64, now->readings_dropped);
    if (!now->reserve_bytes && told->reserve_bytes)
        log_error("spool.reserve_gone", "the disk is full; bytes=%" PRIu64 " were given up",
                  told->reserve_bytes);
}

/* A disk counts as better only when it is so by a hundredth: at a border it is not told again and again. */
static bool is_still_as_bad(const struct spool *spool, const struct spool_disk *now,
                            const struct spool_disk *told)
{
    double border = spool_free_below(spool, told->level);
    return now->level < told->level && now->free < border + 0.01;
}

static void tell_disk(const struct spool *spool, struct spool_disk *now, const struct spool_disk *told)
{
    int percent = (int)(100 * now->free);
    if (is_still_as_bad(spool, now, told))
        now->level = told->level;
    if (now->is_read_only && !told->is_read_only)
        log_error("spool.read_only",
                  "its disk cannot be written: while the database is away nothing is read");
    if (!now->is_read_only && told->is_read_only)
        log_info("spool.writable", "its disk can be written again");
    if (now->level == told->level)
        return;
    if (now->level == DISK_WELL)
        log_info("spool.disk_well", "free_percent=%d", percent);
    else if (now->level == DISK_LOW)
        log_warn("spool.disk_low", "free_percent=%d", percent);
    else
        log_error("spool.disk_short",
                  "free_percent=%d: while the database is away plain readings are not kept", percent);
}

void spooling_tell(const struct spool *spool, struct spooling_told *told)
{
    struct spooling_told now = {.state = spool_state(spool)};
    tell_state(&now.state, &told->state);
    if (spool_disk(spool, &now.disk))
        tell_disk(spool, &now.disk, &told->disk);
    else
        now.disk = told->disk;
    *told = now;
}
