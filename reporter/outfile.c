#include "outfile.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static bool write_all(int fd, const char *bytes, size_t size)
{
    while (size) {
        ssize_t n = write(fd, bytes, size);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            return false;
        bytes += n;
        size -= (size_t)n;
    }
    return true;
}

/* mkostemp makes files for the owner alone; packs are for others to read, as far as the umask lets. */
static bool open_to_readers(int fd)
{
    mode_t mask = umask(0);
    umask(mask);
    return fchmod(fd, 0666 & ~mask) == 0;
}

/* So that the new name is on the disk too. */
static bool sync_directory(const char *path)
{
    int fd = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return false;
    bool done = fsync(fd) == 0;
    int why = errno;
    close(fd);
    errno = why;
    return done;
}

static bool fill(int fd, const void *bytes, size_t size)
{
    bool done = write_all(fd, bytes, size) && open_to_readers(fd) && fsync(fd) == 0;
    int why = errno;

    if (close(fd) != 0 && done)
        return false;
    errno = why;
    return done;
}

bool outfile_write(const char *path, const void *bytes, size_t size, struct err *err)
{
    const char *slash = strrchr(path, '/');
    int directory_length = slash ? (int)(slash - path) : 0;
    const char *name = slash ? slash + 1 : path;
    char directory[PATH_MAX], hidden[PATH_MAX];

    if (snprintf(directory, sizeof directory, "%.*s%s", directory_length, path,
                 directory_length ? ""
                 : slash          ? "/"
                                  : ".") >= (int)sizeof directory ||
        snprintf(hidden, sizeof hidden, "%s/.%s.XXXXXX", directory, name) >= (int)sizeof hidden)
        return err_set(err, ERR_OUTPUT, "cannot write '%s': the name is too long", path);

    int fd = mkostemp(hidden, O_CLOEXEC);
    if (fd < 0)
        return err_set(err, ERR_OUTPUT, "cannot write '%s': %s", path, strerror(errno));
    if (!fill(fd, bytes, size) || rename(hidden, path) != 0) {
        err_set(err, ERR_OUTPUT, "cannot write '%s': %s", path, strerror(errno));
        unlink(hidden);
        return false;
    }
    if (!sync_directory(directory))
        return err_set(err, ERR_OUTPUT, "cannot flush '%s': %s", directory, strerror(errno));
    return true;
}
