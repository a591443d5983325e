#include "credentials.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

enum { FILE_BYTES = 2048, SECRET_BYTES = 1024, NAME_BYTES = 100 };

const char credentials_usual_folder[] = "/etc/vaneward/credentials";

const char *credential_name_why_not(const char *name)
{
    static const char allowed[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-";
    size_t length = strlen(name);
    if (length == 0 || length > NAME_BYTES)
        return "is not a name of 1 to 100 characters";
    if (name[0] == '.' || strspn(name, allowed) != length)
        return "is not the name of a file; only letters, digits, '.', '_' and '-' may stand in it, no '.' "
               "first";
    return NULL;
}

/* Whoever else may read or change the file knows the secret. The service manager gives its own files to us by
 * an access list, which shows as rights of the group to read. */
static const char *why_not_private(const struct stat *s, bool from_manager)
{
    if (!S_ISREG(s->st_mode))
        return "it is not a plain file";
    if (s->st_uid != 0 && s->st_uid != geteuid())
        return "it belongs to another user";
    if (s->st_mode & (from_manager ? 0037u : 0077u))
        return "others may use it too; its mode must be 0600 or less";
    if (s->st_size > FILE_BYTES)
        return "it is too long";
    return NULL;
}

/* What a file holds, with an end as of text. */
struct secret {
    size_t size;
    char bytes[FILE_BYTES + 1];
};

enum found { FOUND, NOT_THERE, NOT_USABLE };

static enum found read_file(const char *folder, const char *name, bool from_manager, struct secret *secret,
                            struct err *err)
{
    int dir = open(folder, O_PATH | O_DIRECTORY | O_CLOEXEC);
    int fd = dir < 0 ? -1 : openat(dir, name, O_RDONLY | O_NOFOLLOW | O_CLOEXEC | O_NONBLOCK);
    int why = errno;
    if (dir >= 0)
        close(dir);
    if (fd < 0 && (why == ENOENT || why == ENOTDIR))
        return NOT_THERE;
    if (fd < 0) {
        err_set(err, ERR_CONFIG, "cannot open credential '%s' in '%s': %s", name, folder,
                why == ELOOP ? "it is a symbolic link" : strerror(why));
        return NOT_USABLE;
    }
    struct stat s;
    const char *not_private = fstat(fd, &s) < 0 ? strerror(errno) : why_not_private(&s, from_manager);
    ssize_t n = not_private ? 0 : read(fd, secret->bytes, FILE_BYTES);
    if (n < 0)
        not_private = strerror(errno);
    close(fd);
    secret->size = n < 0 ? 0 : (size_t)n;
    secret->bytes[secret->size] = '\0';
    if (!not_private)
        return FOUND;
    err_set(err, ERR_CONFIG, "cannot use credential '%s' in '%s': %s", name, folder, not_private);
    return NOT_USABLE;
}

static bool find(const char *name, const char *folder, struct secret *secret, struct err *err)
{
    const char *why = credential_name_why_not(name), *manager = getenv("CREDENTIALS_DIRECTORY");
    secret->size = 0;
    if (why)
        return err_set(err, ERR_CONFIG, "credential '%s' %s", name, why);
    setrlimit(RLIMIT_CORE, &(struct rlimit){0, 0});
    folder = folder ? folder : credentials_usual_folder;
    enum found found = manager ? read_file(manager, name, true, secret, err) : NOT_THERE;
    if (found == NOT_THERE)
        found = read_file(folder, name, false, secret, err);
    if (found == NOT_THERE)
        err_set(err, ERR_CONFIG,
                "credential '%s' is missing: it is neither in $CREDENTIALS_DIRECTORY (%s) nor in '%s'", name,
                manager ? manager : "not set", folder);
    return found == FOUND;
}

/* RFC 4648 */
static void base64(const char *from, size_t size, char *to)
{
    static const char letters[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    const unsigned char *bytes = (const unsigned char *)from;
    for (size_t k = 0; k < size; k += 3) {
        size_t left = size - k;
        unsigned group = (unsigned)bytes[k] << 16 | (left > 1 ? (unsigned)bytes[k + 1] << 8 : 0) |
                         (left > 2 ? (unsigned)bytes[k + 2] : 0);
        *to++ = letters[group >> 18];
        *to++ = letters[group >> 12 & 63];
        *to++ = left > 1 ? letters[group >> 6 & 63] : '=';
        *to++ = left > 2 ? letters[group & 63] : '=';
    }
    *to = '\0';
}

/* Ends the line at its end; returns where the next one begins. */
static char *cut_line(char *line)
{
    char *end = line + strcspn(line, "\n");
    char *next = *end ? end + 1 : end;
    if (end > line && end[-1] == '\r')
        end--;
    *end = '\0';
    return next;
}

static const char *why_not_secret(const char *secret)
{
    size_t length = strlen(secret);
    if (length == 0)
        return "its first line is empty";
    if (length > SECRET_BYTES)
        return "its first line is too long";
    for (const char *c = secret; *c; c++)
        if ((unsigned char)*c < ' ' || *c == 0x7f)
            return "its first line has a control character in it";
    return NULL;
}

static bool header_of(const char *name, char *bytes, bool is_https, char header[static CREDENTIAL_HEADER],
                      struct err *err)
{
    static const char bearer[] = "bearer ";
    char *second = cut_line(bytes);
    cut_line(second);
    const char *why = why_not_secret(bytes);
    bool is_bearer = strncasecmp(bytes, bearer, sizeof bearer - 1) == 0;
    const char *token = bytes + sizeof bearer - 1;
    if (!why && !is_bearer && !strchr(bytes, ':'))
        why = "its first line is neither 'user:password' nor 'bearer TOKEN'";
    if (!why && is_bearer && (!*token || strchr(token, ' ')))
        why = "the token after 'bearer' is empty or has a blank in it";
    if (!why && *second && strcmp(second, "allow-http") != 0)
        why = "its second line is not 'allow-http'";
    if (!why && !is_https && !*second)
        why = "it is sent over https only (a second line 'allow-http' in its file would permit http)";
    if (why)
        return err_set(err, ERR_CONFIG, "cannot use credential '%s': %s", name, why);
    if (is_bearer) {
        snprintf(header, CREDENTIAL_HEADER, "Authorization: Bearer %s", token);
    } else {
        int start = snprintf(header, CREDENTIAL_HEADER, "Authorization: Basic ");
        base64(bytes, strlen(bytes), header + start);
    }
    return true;
}

bool credential_header(const char *name, const char *folder, bool is_https,
                       char header[static CREDENTIAL_HEADER], struct err *err)
{
    struct secret secret;
    header[0] = '\0';
    bool ok = find(name, folder, &secret, err) && header_of(name, secret.bytes, is_https, header, err);
    explicit_bzero(&secret, sizeof secret);
    return ok;
}

bool credential_key(const char *name, const char *folder, struct credential_key *key, struct err *err)
{
    struct secret secret;
    *key = (struct credential_key){0};
    bool ok = find(name, folder, &secret, err);
    while (ok && secret.size &&
           (secret.bytes[secret.size - 1] == '\n' || secret.bytes[secret.size - 1] == '\r'))
        secret.size--;
    if (ok && (!secret.size || secret.size > sizeof key->bytes))
        ok = err_set(err, ERR_CONFIG, "cannot use credential '%s': it is %s", name,
                     secret.size ? "too long" : "empty");
    if (ok) {
        key->size = secret.size;
        memcpy(key->bytes, secret.bytes, secret.size);
    }
    explicit_bzero(&secret, sizeof secret);
    return ok;
}
