/*
 * The calls by which the spool reaches its disk, in one table: a test puts a disk there that fails, fills up
 * or loses what was not synced when the power goes. Each is the system call of its name, errno included.
 */
#ifndef COLLECTOR_DISK_H
#define COLLECTOR_DISK_H

#include <sys/statvfs.h>
#include <sys/types.h>

struct disk {
    int (*open)(int folder, const char *name, int flags); /* what it makes only its owner may read */
    int (*close)(int fd);
    ssize_t (*write)(int fd, const void *bytes, size_t size);
    ssize_t (*pread)(int fd, void *bytes, size_t size, off_t at);
    int (*allocate)(int fd, off_t size); /* blocks for so many bytes */
    int (*truncate)(int fd, off_t size);
    int (*sync)(int fd);        /* content of a file (fdatasync) */
    int (*sync_folder)(int fd); /* its names (fsync) */
    int (*unlink)(int folder, const char *name);
    int (*statvfs)(int fd, struct statvfs *v);
};

extern const struct disk disk_real;

/* An open folder on a disk. */
struct folder {
    const struct disk *disk;
    int fd;
};

#endif
