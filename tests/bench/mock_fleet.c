/*
 * The mock fleet of the benchmarks: thousands of sources of plant.h over HTTP or HTTPS, in one thread with
 * its own epoll loop, so that not one request is lost.
 *
 * It listens on several ports, and answers on every loopback address only. Source N is at /fN (feed) or /mN
 * (MTConnect), on whatever address and port. /ledger tells how many answers were given, how many connections
 * were taken and how far each source was handed out; after /freeze no source says anything new. The first
 * line on standard output tells the first port.
 */
#include "base/clock.h"
#include "bench.h"
#include "plant.h"

#include <openssl/err.h>
#include <openssl/ssl.h>

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <netinet/tcp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <unistd.h>

enum {
    REQUEST_BYTES = 2048,
    EVENTS = 512,
    FIRST_PORT = 21000,
    LAST_PORT = 32000,
    KEEP_BYTES = 16384,
    LATE_MS = 60000
};

struct connection {
    int fd;
    SSL *tls; /* NULL: plain */
    bool is_listener, waits_to_write;
    size_t used, sent;
    struct buffer out;
    char in[REQUEST_BYTES];
};

static struct {
    struct plant plant;
    uint32_t sources;
    uint64_t *handed_out;             /* the next sequence of each source */
    uint64_t answers, connections;    /* given; taken */
    int64_t *asked_us;                /* when each source was last asked by /sample */
    uint64_t late_ms[LATE_MS], lates; /* how much longer than a period after that it was asked again */
    int64_t frozen_us;                /* 0: not frozen */
    SSL_CTX *tls;
    int epoll;
} mock;

static int64_t now_us(void)
{
    return mock.frozen_us ? mock.frozen_us : clock_now_us();
}

static void watch(struct connection *c, int operation, uint32_t events)
{
    struct epoll_event event = {.events = events, .data.ptr = c};
    epoll_ctl(mock.epoll, operation, c->fd, &event);
}

static void end(struct connection *c)
{
    if (c->tls)
        SSL_free(c->tls);
    close(c->fd);
    buffer_free(&c->out);
    free(c);
}

/* A source that is asked once a period, as its readings come, should see a whole period between. */
static void note_lateness(uint32_t source)
{
    int64_t at_us = clock_now_us(), between_us = at_us - mock.asked_us[source];
    int64_t late_ms = (between_us - mock.plant.period_us) / 1000;
    bool is_first = !mock.asked_us[source] || between_us < mock.plant.period_us / 2;
    mock.asked_us[source] = at_us;
    if (is_first)
        return;
    late_ms = late_ms < 0 ? 0 : late_ms;
    mock.late_ms[late_ms < LATE_MS ? late_ms : LATE_MS - 1]++;
    mock.lates++;
}

static double lateness_p99_s(void)
{
    uint64_t until = 0;
    size_t k = 0;
    for (; k < LATE_MS && (double)until < 0.99 * (double)mock.lates; k++)
        until += mock.late_ms[k];
    return (double)k / 1000;
}

/* What is asked of a source. */
static bool write_source(const char *path, struct buffer *body)
{
    bool is_feed = path[1] == 'f';
    char *rest;
    uint32_t source = (uint32_t)strtoul(path + 2, &rest, 10);
    if ((!is_feed && path[1] != 'm') || source >= mock.sources)
        return false;
    if (strncmp(rest, "/probe", 6) == 0) {
        (is_feed ? plant_feed_model : plant_mtconnect_model)(&mock.plant, source, body);
        return true;
    }
    struct plant_page page = {.source = source, .now_us = now_us()};
    page.newest = page.last = plant_newest(&mock.plant, source, page.now_us);
    page.first = page.newest > mock.plant.fans ? page.newest - mock.plant.fans + 1 : 1;
    if (strncmp(rest, "/sample", 7) == 0) {
        note_lateness(source);
        const char *from = strstr(rest, "from="), *count = strstr(rest, "count=");
        uint64_t most = count ? strtoull(count + 6, NULL, 10) : 100;
        page.first = from ? strtoull(from + 5, NULL, 10) : 1;
        if (page.last >= page.first + most)
            page.last = page.first + most - 1;
        if (page.last < page.first)
            page.last = page.first - 1;
        if (page.last + 1 > mock.handed_out[source])
            mock.handed_out[source] = page.last + 1;
    }
    (is_feed ? plant_feed : plant_mtconnect)(&mock.plant, &page, body);
    return true;
}

static PRINTF_LIKE(2, 3) void add_line(struct buffer *out, const char *fmt, ...)
{
    char line[200];
    va_list args;
    va_start(args, fmt);
    int n = vsnprintf(line, sizeof line, fmt, args);
    va_end(args);
    buffer_add(out, line, (size_t)n);
}

static void write_ledger(struct buffer *body)
{
    add_line(body, "answers %" PRIu64 " connections %" PRIu64 " late %.3f\n", mock.answers, mock.connections,
             lateness_p99_s());
    for (uint32_t k = 0; k < mock.sources; k++)
        if (mock.handed_out[k])
            add_line(body, "%" PRIu32 " %" PRIu64 "\n", k, mock.handed_out[k]);
}

static void answer(struct connection *c, const char *request)
{
    static struct buffer body;
    const char *path = strncmp(request, "GET /", 5) == 0 ? request + 4 : "";
    int status = 200;
    body.used = 0;
    mock.answers++;
    if (strncmp(path, "/ledger", 7) == 0)
        write_ledger(&body);
    else if (strncmp(path, "/freeze", 7) == 0)
        mock.frozen_us = now_us();
    else if (!*path || !write_source(path, &body))
        status = 404;
    add_line(&c->out, "HTTP/1.1 %d %s\r\nContent-Type: %s\r\nContent-Length: %zu\r\n\r\n", status,
             status == 200 ? "OK" : "Not Found", path[0] && path[1] == 'm' ? "text/xml" : "application/json",
             body.used);
    buffer_add(&c->out, body.data, body.used);
}

/* As recv(2) and send(2): -1 with EAGAIN when it has to wait. */
static ssize_t transport(const struct connection *c, int n, bool failed)
{
    if (!failed)
        return n;
    int why = SSL_get_error(c->tls, n);
    errno = why == SSL_ERROR_WANT_READ || why == SSL_ERROR_WANT_WRITE ? EAGAIN : EPIPE;
    ERR_clear_error();
    return -1;
}

static ssize_t receive(struct connection *c, char *bytes, size_t room)
{
    if (!c->tls)
        return recv(c->fd, bytes, room, 0);
    int n = SSL_read(c->tls, bytes, (int)room);
    return transport(c, n, n <= 0);
}

static ssize_t transmit(struct connection *c, const char *bytes, size_t count)
{
    if (!c->tls)
        return send(c->fd, bytes, count, MSG_NOSIGNAL);
    int n = SSL_write(c->tls, bytes, (int)(count < INT32_MAX ? count : INT32_MAX));
    return transport(c, n, n <= 0);
}

/* False: the connection is at its end. */
static bool send_out(struct connection *c)
{
    while (c->sent < c->out.used) {
        ssize_t n = transmit(c, c->out.data + c->sent, c->out.used - c->sent);
        if (n < 0 && errno == EAGAIN)
            break;
        if (n <= 0)
            return false;
        c->sent += (size_t)n;
    }
    bool waits = c->sent < c->out.used;
    if (!waits && c->out.room > KEEP_BYTES)
        buffer_free(&c->out);
    if (!waits)
        c->sent = c->out.used = 0;
    if (waits != c->waits_to_write)
        watch(c, EPOLL_CTL_MOD, waits ? EPOLLIN | EPOLLOUT : EPOLLIN);
    c->waits_to_write = waits;
    return true;
}

static bool serve(struct connection *c)
{
    for (;;) {
        ssize_t n = receive(c, c->in + c->used, sizeof c->in - 1 - c->used);
        if (n < 0 && errno == EAGAIN)
            break;
        if (n <= 0)
            return false;
        c->used += (size_t)n;
        c->in[c->used] = '\0';
        for (char *close; (close = strstr(c->in, "\r\n\r\n"));) {
            answer(c, c->in);
            c->used -= (size_t)(close + 4 - c->in);
            memmove(c->in, close + 4, c->used + 1);
        }
        if (c->used == sizeof c->in - 1)
            return false;
    }
    return send_out(c);
}

static struct connection *connection_new(int fd)
{
    struct connection *c = calloc(1, sizeof *c);
    if (!c)
        err_no_memory();
    c->fd = fd;
    return c;
}

static void accept_all(int listener)
{
    for (int fd; (fd = accept4(listener, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC)) >= 0;) {
        struct sockaddr_in own;
        socklen_t size = sizeof own;
        const int on = 1;
        if (getsockname(fd, (struct sockaddr *)&own, &size) != 0 || ntohl(own.sin_addr.s_addr) >> 24 != 127) {
            close(fd);
            continue;
        }
        setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
        mock.connections++;
        struct connection *c = connection_new(fd);
        if (mock.tls) {
            c->tls = SSL_new(mock.tls);
            SSL_set_fd(c->tls, fd);
            SSL_set_accept_state(c->tls);
        }
        watch(c, EPOLL_CTL_ADD, EPOLLIN);
    }
}

static bool listen_on(uint16_t port)
{
    const int on = 1;
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    const struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons(port)};
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    if (bind(fd, (const struct sockaddr *)&at, sizeof at) != 0 || listen(fd, 4096) != 0) {
        close(fd);
        return false;
    }
    struct connection *c = connection_new(fd);
    c->is_listener = true;
    watch(c, EPOLL_CTL_ADD, EPOLLIN);
    return true;
}

/* So many ports in a row that are free; listeners of a row that was cut short do no harm. */
static uint16_t listen_on_ports(int count)
{
    for (int first = FIRST_PORT; first + count < LAST_PORT; first += count) {
        int n = 0;
        while (n < count && listen_on((uint16_t)(first + n)))
            n++;
        if (n == count)
            return (uint16_t)first;
    }
    bench_fail("no %d free ports in a row", count);
}

static void use_tls(const char *certificate)
{
    mock.tls = SSL_CTX_new(TLS_server_method());
    if (SSL_CTX_use_certificate_file(mock.tls, certificate, SSL_FILETYPE_PEM) != 1 ||
        SSL_CTX_use_PrivateKey_file(mock.tls, certificate, SSL_FILETYPE_PEM) != 1)
        bench_fail("cannot use the certificate '%s'", certificate);
    SSL_CTX_set_mode(mock.tls, SSL_MODE_ENABLE_PARTIAL_WRITE | SSL_MODE_ACCEPT_MOVING_WRITE_BUFFER);
}

static void serve_for_ever(void)
{
    struct epoll_event events[EVENTS];
    for (;;) {
        int n = epoll_wait(mock.epoll, events, EVENTS, -1);
        for (int k = 0; k < n; k++) {
            struct connection *c = events[k].data.ptr;
            if (c->is_listener)
                accept_all(c->fd);
            else if (!(c->waits_to_write ? send_out(c) : serve(c)))
                end(c);
        }
    }
}

int main(int argc, char **argv)
{
    if (argc != 6 && argc != 7)
        bench_fail("usage: mock_fleet SOURCES FANS PERIOD_MS HISTORY_S PORTS [CERTIFICATE_AND_KEY]");
    prctl(PR_SET_PDEATHSIG, SIGTERM);
    signal(SIGPIPE, SIG_IGN);
    struct rlimit files;
    getrlimit(RLIMIT_NOFILE, &files);
    files.rlim_cur = files.rlim_max;
    setrlimit(RLIMIT_NOFILE, &files);
    mock.sources = (uint32_t)strtoul(argv[1], NULL, 10);
    mock.plant.fans = (uint32_t)strtoul(argv[2], NULL, 10);
    mock.plant.period_us = strtoll(argv[3], NULL, 10) * 1000;
    mock.plant.begins_us = (clock_now_us() / US_PER_S - strtoll(argv[4], NULL, 10)) * US_PER_S;
    mock.handed_out = calloc(mock.sources, sizeof *mock.handed_out);
    mock.asked_us = calloc(mock.sources, sizeof *mock.asked_us);
    mock.epoll = epoll_create1(EPOLL_CLOEXEC);
    if (argc == 7)
        use_tls(argv[6]);
    uint16_t port = listen_on_ports((int)strtol(argv[5], NULL, 10));
    printf("%u %" PRId64 "\n", port, mock.plant.begins_us);
    fflush(stdout);
    serve_for_ever();
}
