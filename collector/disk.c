#include "disk.h"

#include <errno.h>
#include <fcntl.h>
#include <unistd.h>

static int real_open(int folder, const char *name, int flags)
{
    return openat(folder, name, flags | O_CLOEXEC | O_NOFOLLOW, 0600);
}

static int real_allocate(int fd, off_t size)
{
    errno = posix_fallocate(fd, 0, size);
    return errno ? -1 : 0;
}

static int real_unlink(int folder, const char *name)
{
    return unlinkat(folder, name, 0);
}

const struct disk disk_real = {
    .open = real_open,
    .close = close,
    .write = write,
    .pread = pread,
    .allocate = real_allocate,
    .truncate = ftruncate,
    .sync = fdatasync,
    .sync_folder = fsync,
    .unlink = real_unlink,
    .statvfs = fstatvfs,
};
