#include "webhook_key.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static bool is_plain_name(const char *name)
{
    return name[0] && name[0] != '.' && !strchr(name, '/');
}

static bool read_file(struct webhook_key *key, int fd, const char *path, struct err *err)
{
    struct stat file;
    if (fstat(fd, &file) != 0 || !S_ISREG(file.st_mode))
        return err_set(err, ERR_CONFIG, "credential '%s' is not a plain file", path);
    if (file.st_mode & (S_IRWXG | S_IRWXO)) {
        err_set(err, ERR_CONFIG, "credential '%s' is open to others", path);
        return err_hint(err, "chmod 600 '%s'", path);
    }
    ssize_t n = read(fd, key->bytes, sizeof key->bytes);
    if (n < 0)
        return err_set(err, ERR_CONFIG, "cannot read credential '%s': %s", path, strerror(errno));
    if (n == sizeof key->bytes)
        return err_set(err, ERR_CONFIG, "credential '%s' is longer than %zu bytes", path,
                       sizeof key->bytes - 1);
    while (n && (key->bytes[n - 1] == '\n' || key->bytes[n - 1] == '\r'))
        n--;
    key->size = (size_t)n;
    return n || err_set(err, ERR_CONFIG, "credential '%s' is empty", path);
}

bool webhook_key_read(struct webhook_key *key, const char *name, struct err *err)
{
    const char *folder = getenv("CREDENTIALS_DIRECTORY");
    char path[4096];
    if (!is_plain_name(name))
        return err_set(err, ERR_CONFIG, "'%s' is no name of a credential", name);
    if (!folder || !*folder) {
        err_set(err, ERR_CONFIG, "no folder of credentials for '%s'", name);
        return err_hint(err,
                        "LoadCredential= of the service, or CREDENTIALS_DIRECTORY=/etc/vaneward/credentials");
    }
    snprintf(path, sizeof path, "%s/%s", folder, name);
    int fd = open(path, O_RDONLY | O_NOFOLLOW | O_CLOEXEC);
    if (fd < 0)
        return err_set(err, ERR_CONFIG, "cannot open credential '%s': %s", path, strerror(errno));
    bool ok = read_file(key, fd, path, err);
    close(fd);
    return ok;
}

void webhook_key_wipe(struct webhook_key *key)
{
    explicit_bzero(key, sizeof *key);
}
