/*
 * Talks to a service manager by the protocol of sd_notify(3): one datagram a message, to the socket that
 * NOTIFY_SOCKET names, a path or an abstract address ("@..."). Without such a manager all calls do nothing.
 */
#ifndef COLLECTOR_NOTIFY_H
#define COLLECTOR_NOTIFY_H

#include "base/err.h"

#include <stdint.h>

struct notify {
    int fd;              /* -1: nobody listens */
    int64_t watchdog_ms; /* half of its period, within which it is to hear from us; 0: no watchdog */
    int64_t watchdog_due_ms;
};

/* Takes the address and the watchdog's period from the environment and removes them there, so that nobody
 * whom we start can speak for us. */
void notify_open(struct notify *n);
void notify_close(struct notify *n);

/* Lines as "READY=1", "STATUS=reading 3 sources". */
void notify_tell(const struct notify *n, const char *fmt, ...) PRINTF_LIKE(2, 3);
/* To be called whenever the main loop has turned: tells the watchdog, in time but not more often. */
void notify_alive(struct notify *n, int64_t now_ms);

#endif
