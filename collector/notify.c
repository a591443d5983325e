#include "notify.h"

#include "base/text.h"

#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

enum { MESSAGE_BYTES = 1000 };

/* False: no address that a socket can have. */
static bool address_of(const char *name, struct sockaddr_un *address, socklen_t *size)
{
    size_t length = strlen(name);
    *address = (struct sockaddr_un){.sun_family = AF_UNIX};
    if ((name[0] != '/' && name[0] != '@') || length < 2 || length >= sizeof address->sun_path)
        return false;
    memcpy(address->sun_path, name, length);
    *size = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + length);
    if (name[0] == '@')
        address->sun_path[0] = '\0'; /* an abstract address ends with its last byte */
    else
        *size += 1;
    return true;
}

static int64_t watchdog_half_ms(void)
{
    const char *period = getenv("WATCHDOG_USEC"), *whose = getenv("WATCHDOG_PID");
    int64_t us, pid;
    if (!period || !text_int64(period, &us) || us < 2)
        return 0;
    if (whose && (!text_int64(whose, &pid) || pid != getpid()))
        return 0;
    return us < 2000 ? 1 : us / 2000;
}

void notify_open(struct notify *n)
{
    const char *name = getenv("NOTIFY_SOCKET");
    struct sockaddr_un address;
    socklen_t size;
    *n = (struct notify){.fd = -1, .watchdog_ms = watchdog_half_ms()};
    if (name && address_of(name, &address, &size)) {
        n->fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
        if (n->fd >= 0 && connect(n->fd, (struct sockaddr *)&address, size) < 0)
            notify_close(n);
    }
    unsetenv("NOTIFY_SOCKET");
    unsetenv("WATCHDOG_USEC");
    unsetenv("WATCHDOG_PID");
}

void notify_close(struct notify *n)
{
    if (n->fd >= 0)
        close(n->fd);
    n->fd = -1;
}

void notify_tell(const struct notify *n, const char *fmt, ...)
{
    char message[MESSAGE_BYTES];
    va_list args;
    if (n->fd < 0)
        return;
    va_start(args, fmt);
    vsnprintf(message, sizeof message, fmt, args);
    va_end(args);
    /* A manager that does not listen is no reason to stop collecting. */
    ssize_t sent = send(n->fd, message, strlen(message), MSG_NOSIGNAL);
    (void)sent;
}

void notify_alive(struct notify *n, int64_t now_ms)
{
    if (!n->watchdog_ms || now_ms < n->watchdog_due_ms)
        return;
    n->watchdog_due_ms = now_ms + n->watchdog_ms / 2;
    notify_tell(n, "WATCHDOG=1");
}
