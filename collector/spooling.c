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
    if (!spool_open(spool, dir, &limits, err))
        return false;
    struct spool_state state = spool_state(*spool);
    if (state.damaged)
        log_error("spool.damaged", "dir=%s records=%" PRIu64, dir, state.damaged);
    return true;
}

void spooling_tell(const struct spool *spool, struct spool_state *told)
{
    struct spool_state now = spool_state(spool);
    if (now.batches && !told->batches)
        log_warn("spool.fills", "batches=%" PRIu64 " bytes=%" PRIu64, now.batches, now.bytes);
    if (!now.batches && told->batches)
        log_info("spool.empty", "all of it is in the database");
    if (now.damaged != told->damaged)
        log_error("spool.damaged", "records=%" PRIu64, now.damaged);
    if (now.readings_dropped != told->readings_dropped)
        log_error("spool.full", "readings went to make room, of batches=%" PRIu64, now.readings_dropped);
    *told = now;
}
