#include "whole_file.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static bool fill(int fd, const char *bytes, size_t size)
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

static bool write_file(const char *path, enum whole_file how, const void *bytes, size_t size)
{
    bool is_kept = how == WHOLE_FILE_KEPT;
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, is_kept ? 0600 : 0644);
    if (fd < 0)
        return false;
    bool ok = fill(fd, bytes, size) && (!is_kept || fsync(fd) == 0);
    return close(fd) == 0 && ok;
}

bool whole_file_write(const char *path, enum whole_file how, const void *bytes, size_t size, struct err *err)
{
    char beside[PATH_MAX];
    if (snprintf(beside, sizeof beside, "%s.new", path) >= (int)sizeof beside)
        return err_set(err, ERR_OUTPUT, "cannot write '%s': %s", path, strerror(ENAMETOOLONG));
    if (write_file(beside, how, bytes, size) && rename(beside, path) == 0)
        return true;
    err_set(err, ERR_OUTPUT, "cannot write '%s': %s", path, strerror(errno));
    unlink(beside);
    return false;
}
