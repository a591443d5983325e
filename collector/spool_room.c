#include "spool_room.h"

#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <sys/stat.h>

static const char RESERVE[] = "reserve";

static uint64_t bytes_of_disk(const struct spool *s)
{
    struct statvfs v;
    return s->folder.disk->statvfs(s->folder.fd, &v) == 0 ? (uint64_t)v.f_blocks * v.f_frsize : 0;
}

/* Readings go by the segment: there are to be several on a small disk, too. The reserve is a small part. */
void room_fit(struct spool *s)
{
    enum { SEGMENTS = 16, SMALLEST = 4096, RESERVES = 16, SMALLEST_RESERVE = 1 << 16 };
    uint64_t disk = bytes_of_disk(s), room = s->limits.max_bytes;
    if (disk && disk < room)
        room = disk;
    room = room / SEGMENTS > SMALLEST ? room / SEGMENTS : SMALLEST;
    if (s->limits.segment_bytes > room)
        s->limits.segment_bytes = room;
    if (s->limits.reserve_bytes > disk / RESERVES)
        s->limits.reserve_bytes = disk / RESERVES;
    if (s->limits.reserve_bytes < SMALLEST_RESERVE)
        s->limits.reserve_bytes = 0;
}

static double free_share(const struct statvfs *v)
{
    return v->f_blocks ? (double)v->f_bavail / (double)v->f_blocks : 1;
}

static struct spool_disk judge(const struct statvfs *v, const struct spool_limits *limits)
{
    double share = free_share(v);
    return (struct spool_disk){.level = share < limits->min_free   ? DISK_SHORT
                                        : share < limits->low_free ? DISK_LOW
                                                                   : DISK_WELL,
                               .free = share,
                               .is_read_only = v->f_flag & ST_RDONLY};
}

bool spool_disk(const struct spool *s, struct spool_disk *out)
{
    struct statvfs v;
    *out = (struct spool_disk){.level = DISK_WELL, .free = 1};
    if (s->folder.disk->statvfs(s->folder.fd, &v) != 0)
        return false;
    *out = judge(&v, &s->limits);
    return true;
}

double spool_free_below(const struct spool *s, int level)
{
    return level == DISK_SHORT ? s->limits.min_free : level == DISK_LOW ? s->limits.low_free : 1;
}

bool spool_look_at_disk(const char *dir, struct spool_disk *out, uint64_t *reserve_bytes)
{
    struct statvfs v;
    struct stat st;
    char path[PATH_MAX];
    snprintf(path, sizeof path, "%s/%s", dir, RESERVE);
    *reserve_bytes = stat(path, &st) == 0 ? (uint64_t)st.st_size : 0;
    if (statvfs(dir, &v) != 0)
        return false;
    *out = judge(&v, &spool_usual_limits);
    return true;
}

static bool is_short(const struct spool *s)
{
    struct spool_disk disk;
    return spool_disk(s, &disk) && disk.level == DISK_SHORT;
}

/* Not on a disk that cannot be written: there, the loss would be for nothing. */
static bool drop_oldest_readings(struct spool *s)
{
    if (s->series[READINGS].count == 0)
        return false;
    uint64_t segment = s->series[READINGS].segments[0].number;
    if (!index_remove_segment(s, READINGS, 0))
        return false;
    for (size_t k = s->first; k < s->count; k++)
        if (s->entries[k].segment[READINGS] == segment) {
            s->entries[k].segment[READINGS] = 0;
            s->state.readings_dropped++;
        }
    return true;
}

bool room_make(struct spool *s, uint64_t bytes)
{
    while (s->state.bytes + bytes > s->limits.max_bytes || is_short(s))
        if (!drop_oldest_readings(s))
            return false;
    return true;
}

/* Only the name counts: what an earlier run kept goes as well. */
static bool give_reserve(struct spool *s)
{
    s->state.reserve_bytes = 0;
    return s->folder.disk->unlink(s->folder.fd, RESERVE) == 0;
}

bool room_give(struct spool *s)
{
    return give_reserve(s) || drop_oldest_readings(s);
}

/* Room that others than us must not miss: readings could still be kept beside it. */
static bool has_room_for_reserve(const struct spool *s)
{
    struct statvfs v;
    return s->folder.disk->statvfs(s->folder.fd, &v) == 0 &&
           (double)v.f_bavail * (double)v.f_frsize - (double)s->limits.reserve_bytes >
               s->limits.min_free * (double)v.f_blocks * (double)v.f_frsize;
}

void room_keep_reserve(struct spool *s)
{
    const struct disk *disk = s->folder.disk;
    if (s->state.reserve_bytes || !s->limits.reserve_bytes || !spool_empty(s) || !has_room_for_reserve(s))
        return;
    int fd = disk->open(s->folder.fd, RESERVE, O_RDWR | O_CREAT);
    if (fd < 0)
        return;
    bool is_kept = disk->allocate(fd, (off_t)s->limits.reserve_bytes) == 0;
    disk->close(fd);
    s->state.reserve_bytes = is_kept ? s->limits.reserve_bytes : 0;
    if (!is_kept)
        disk->unlink(s->folder.fd, RESERVE);
}
