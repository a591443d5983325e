#include "metrics_port.h"

#include "base/clock.h"
#include "metrics.h"
#include "openmetrics.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { CALLERS = 4, REQUEST_BYTES = 4096, CALL_MS = 5000, BACKLOG = 8 };

struct caller {
    int fd; /* -1: the place is free */
    int64_t deadline_ms;
    char request[REQUEST_BYTES];
    size_t got;
    struct arena *mem; /* of the answer; NULL: the request is not complete yet */
    const char *answer;
    size_t size, sent;
};

struct metrics_port {
    int fd;
    struct caller callers[CALLERS];
};

static bool listen_at(struct metrics_port *p, int port)
{
    struct sockaddr_in address = {
        .sin_family = AF_INET, .sin_port = htons((uint16_t)port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int on = 1;
    p->fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    return p->fd >= 0 && setsockopt(p->fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on) == 0 &&
           bind(p->fd, (struct sockaddr *)&address, sizeof address) == 0 && listen(p->fd, BACKLOG) == 0;
}

bool metrics_port_open(struct metrics_port **out, int port, struct err *err)
{
    struct metrics_port *p = calloc(1, sizeof *p);
    *out = NULL;
    if (!p)
        err_no_memory();
    for (int k = 0; k < CALLERS; k++)
        p->callers[k].fd = -1;
    if (!listen_at(p, port)) {
        err_set(err, ERR_CONFIG, "cannot serve metrics on port %d of the loopback interface: %s", port,
                strerror(errno));
        metrics_port_close(p);
        return false;
    }
    *out = p;
    return true;
}

static void hang_up(struct caller *c)
{
    close(c->fd);
    arena_free(c->mem);
    *c = (struct caller){.fd = -1};
}

void metrics_port_close(struct metrics_port *p)
{
    if (!p)
        return;
    for (int k = 0; k < CALLERS; k++) {
        if (p->callers[k].fd >= 0)
            hang_up(&p->callers[k]);
    }
    if (p->fd >= 0)
        close(p->fd);
    free(p);
}

bool metrics_port_busy(const struct metrics_port *p)
{
    for (int k = 0; k < CALLERS; k++) {
        if (p->callers[k].fd >= 0)
            return true;
    }
    return false;
}

/* Who finds no free place waits in the queue of the kernel. */
static void take_callers(struct metrics_port *p)
{
    for (int k = 0; k < CALLERS; k++) {
        struct caller *c = &p->callers[k];
        if (c->fd >= 0)
            continue;
        c->fd = accept4(p->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
        if (c->fd < 0)
            return;
        c->deadline_ms = clock_mono_ms() + CALL_MS;
    }
}

static const char *status_of(const char *request)
{
    if (strncmp(request, "GET ", 4) != 0)
        return "405 Method Not Allowed\r\nAllow: GET";
    return strncmp(request + 4, "/metrics ", 9) == 0 ? "200 OK" : "404 Not Found";
}

static void answer(struct caller *c, metrics_port_text_fn *text, void *context)
{
    const char *status = status_of(c->request), *body = "";
    c->mem = arena_new(METRICS_BYTES);
    if (status[0] == '2')
        body = text(context, c->mem);
    c->answer = arena_printf(c->mem,
                             "HTTP/1.1 %s\r\nContent-Type: " OPENMETRICS_CONTENT_TYPE
                             "\r\nContent-Length: %zu\r\nConnection: close\r\n\r\n%s",
                             status, strlen(body), body);
    c->size = strlen(c->answer);
}

/* False: there is nothing more to be had from the caller. */
static bool read_request(struct caller *c, metrics_port_text_fn *text, void *context)
{
    ssize_t n = recv(c->fd, c->request + c->got, REQUEST_BYTES - 1 - c->got, 0);
    if (n < 0)
        return errno == EAGAIN || errno == EINTR;
    c->got += (size_t)n;
    c->request[c->got] = '\0';
    if (strstr(c->request, "\r\n\r\n"))
        answer(c, text, context);
    return n > 0;
}

/* False: it is over. */
static bool write_answer(struct caller *c)
{
    ssize_t n = send(c->fd, c->answer + c->sent, c->size - c->sent, MSG_NOSIGNAL);
    if (n < 0)
        return errno == EAGAIN || errno == EINTR;
    c->sent += (size_t)n;
    return c->sent < c->size;
}

static bool serve(struct caller *c, metrics_port_text_fn *text, void *context)
{
    if (clock_mono_ms() >= c->deadline_ms)
        return false;
    if (!c->answer && !read_request(c, text, context))
        return false;
    return !c->answer || write_answer(c);
}

void metrics_port_turn(struct metrics_port *p, metrics_port_text_fn *text, void *context)
{
    take_callers(p);
    for (int k = 0; k < CALLERS; k++) {
        struct caller *c = &p->callers[k];
        if (c->fd >= 0 && !serve(c, text, context))
            hang_up(c);
    }
}
