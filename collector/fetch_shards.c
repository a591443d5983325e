#include "fetch_shards.h"

#include "base/clock.h"
#include "base/hash.h"

#include <errno.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/resource.h>
#include <unistd.h>

enum {
    MOST_SHARDS = 64,
    DESCRIPTORS_A_SHARD = 16,
    SPARE_DESCRIPTORS = 256,
    EVENTS = 256,
    FIRST_WATCHED = 64,
    FIRST_HOSTS = 64
};

struct shard {
    CURLM *multi; /* NULL: not made yet */
    struct shards *all;
};

/*
 * A descriptor in the epoll set. That of a connection stays there between its transfers, which saves two
 * system calls each time; it leaves when it is closed, or when the other end closes it meanwhile.
 */
struct watched {
    uint32_t events; /* 0: not in the set */
    uint32_t shard;
    bool is_connection, is_resting;
};

/* Where a host was dealt to. */
struct host {
    uint64_t hash; /* two hosts with the same one share a shard */
    uint32_t shard;
    bool is_there;
};

struct shards {
    struct shard items[MOST_SHARDS];
    int64_t timers_ms[MOST_SHARDS]; /* when libcurl wants to be called; INT64_MAX: never */
    size_t count;
    struct watched *watched; /* by descriptor */
    size_t watched_count;
    struct host *hosts; /* a table that is at most half full */
    size_t host_slots, host_count;
    size_t hosts_a_shard, dealing; /* the newest hosts go to this shard */
    struct transfer *first_ended, *last_ended;
    long connections; /* kept by each */
    int epoll;
};

static struct watched *watched_at(struct shards *s, int fd)
{
    size_t need = (size_t)fd + 1, count = s->watched_count ? s->watched_count : FIRST_WATCHED;
    if (need > s->watched_count) {
        while (count < need)
            count *= 2;
        s->watched = realloc(s->watched, count * sizeof *s->watched);
        if (!s->watched)
            err_no_memory();
        memset(s->watched + s->watched_count, 0, (count - s->watched_count) * sizeof *s->watched);
        s->watched_count = count;
    }
    return &s->watched[fd];
}

static void unwatch(struct shards *s, int fd, struct watched *w)
{
    if (w->events)
        epoll_ctl(s->epoll, EPOLL_CTL_DEL, fd, NULL);
    w->events = 0;
}

static void watch(struct shards *s, int fd, struct watched *w, uint32_t shard, uint32_t events)
{
    w->is_resting = false;
    if (w->events == events && w->shard == shard)
        return;
    struct epoll_event event = {.events = events, .data.u64 = (uint64_t)shard << 32 | (uint32_t)fd};
    if (epoll_ctl(s->epoll, w->events ? EPOLL_CTL_MOD : EPOLL_CTL_ADD, fd, &event) < 0)
        epoll_ctl(s->epoll, errno == EEXIST ? EPOLL_CTL_MOD : EPOLL_CTL_ADD, fd, &event);
    w->events = events;
    w->shard = shard;
}

static int on_socket(CURL *easy, curl_socket_t fd, int what, void *context, void *known)
{
    (void)easy;
    (void)known;
    struct shard *shard = context;
    struct watched *w = watched_at(shard->all, fd);
    if (what != CURL_POLL_REMOVE)
        watch(shard->all, fd, w, (uint32_t)(shard - shard->all->items),
              (what & CURL_POLL_IN ? EPOLLIN : 0u) | (what & CURL_POLL_OUT ? EPOLLOUT : 0u));
    else if (w->is_connection)
        w->is_resting = true;
    else
        unwatch(shard->all, fd, w);
    return 0;
}

/* Other descriptors than these (of looking up names) are closed without a word. */
static int on_connection_opened(void *context, curl_socket_t fd, curlsocktype purpose)
{
    (void)purpose;
    *watched_at(context, fd) = (struct watched){.is_connection = true};
    return CURL_SOCKOPT_OK;
}

static int on_connection_closed(void *context, curl_socket_t fd)
{
    struct watched *w = watched_at(context, fd);
    unwatch(context, fd, w);
    *w = (struct watched){.events = 0};
    return close(fd);
}

/* Late rather than early: libcurl would only ask for another millisecond. */
static int on_timer(CURLM *multi, long timeout_ms, void *context)
{
    (void)multi;
    const struct shard *shard = context;
    shard->all->timers_ms[shard - shard->all->items] =
        timeout_ms < 0 ? INT64_MAX : clock_mono_ms() + timeout_ms + (timeout_ms > 0);
    return 0;
}

/* A kept connection is a descriptor; the usual limit of 1024 is meant for programs that select(2). */
static void allow_descriptors(size_t targets)
{
    struct rlimit limit;
    if (getrlimit(RLIMIT_NOFILE, &limit) < 0 || limit.rlim_cur >= targets + SPARE_DESCRIPTORS)
        return;
    limit.rlim_cur =
        limit.rlim_max < targets + SPARE_DESCRIPTORS ? limit.rlim_max : targets + SPARE_DESCRIPTORS;
    setrlimit(RLIMIT_NOFILE, &limit);
}

/* A shard takes descriptors of its own: where they are few, most are left to connections. */
static size_t shards_allowed(void)
{
    struct rlimit limit;
    if (getrlimit(RLIMIT_NOFILE, &limit) < 0 || limit.rlim_cur >= MOST_SHARDS * DESCRIPTORS_A_SHARD)
        return MOST_SHARDS;
    return limit.rlim_cur < DESCRIPTORS_A_SHARD ? 1 : limit.rlim_cur / DESCRIPTORS_A_SHARD;
}

void shards_expect(struct shards *s, size_t targets)
{
    allow_descriptors(targets);
    s->hosts_a_shard = targets / MOST_SHARDS + 1;
    s->connections = targets < LONG_MAX ? (long)targets + 1 : LONG_MAX;
    for (size_t k = 0; k < s->count; k++)
        if (s->items[k].multi)
            curl_multi_setopt(s->items[k].multi, CURLMOPT_MAXCONNECTS, s->connections);
}

bool shards_open(struct shards **out, size_t targets, struct err *err)
{
    struct shards *s = calloc(1, sizeof *s);
    if (!s)
        err_no_memory();
    *out = s;
    shards_expect(s, targets);
    s->count = shards_allowed();
    for (size_t k = 0; k < s->count; k++) {
        s->items[k].all = s;
        s->timers_ms[k] = INT64_MAX;
    }
    s->epoll = epoll_create1(EPOLL_CLOEXEC);
    return s->epoll >= 0 || err_set(err, ERR_SYSTEM, "cannot wait for transfers: %s", strerror(errno));
}

void shards_close(struct shards *s)
{
    if (!s)
        return;
    for (size_t k = 0; k < s->count; k++)
        curl_multi_cleanup(s->items[k].multi);
    if (s->epoll >= 0)
        close(s->epoll);
    free(s->watched);
    free(s->hosts);
    free(s);
}

void shards_adopt(struct shards *s, struct transfer *t)
{
    curl_easy_setopt(t->easy, CURLOPT_SOCKOPTFUNCTION, on_connection_opened);
    curl_easy_setopt(t->easy, CURLOPT_SOCKOPTDATA, s);
    curl_easy_setopt(t->easy, CURLOPT_CLOSESOCKETFUNCTION, on_connection_closed);
    curl_easy_setopt(t->easy, CURLOPT_CLOSESOCKETDATA, s);
}

/* NULL: there is no memory or descriptor for it. */
static CURLM *multi_of(struct shards *s, size_t at)
{
    struct shard *shard = &s->items[at];
    if (shard->multi || !(shard->multi = curl_multi_init()))
        return shard->multi;
    curl_multi_setopt(shard->multi, CURLMOPT_SOCKETFUNCTION, on_socket);
    curl_multi_setopt(shard->multi, CURLMOPT_SOCKETDATA, shard);
    curl_multi_setopt(shard->multi, CURLMOPT_TIMERFUNCTION, on_timer);
    curl_multi_setopt(shard->multi, CURLMOPT_TIMERDATA, shard);
    curl_multi_setopt(shard->multi, CURLMOPT_MAXCONNECTS, s->connections);
    return shard->multi;
}

void shards_end(struct shards *s, struct transfer *t)
{
    t->next = NULL;
    if (s->first_ended)
        s->last_ended->next = t;
    else
        s->first_ended = t;
    s->last_ended = t;
}

static struct host *find_host(struct host *hosts, size_t slots, uint64_t hash)
{
    size_t at = (hash >> 32) & (slots - 1);
    while (hosts[at].is_there && hosts[at].hash != hash)
        at = (at + 1) & (slots - 1);
    return &hosts[at];
}

static void make_room_for_host(struct shards *s)
{
    if (s->host_count * 2 < s->host_slots)
        return;
    size_t slots = s->host_slots ? s->host_slots * 2 : FIRST_HOSTS;
    struct host *hosts = calloc(slots, sizeof *hosts);
    if (!hosts)
        err_no_memory();
    for (size_t k = 0; k < s->host_slots; k++)
        if (s->hosts[k].is_there)
            *find_host(hosts, slots, s->hosts[k].hash) = s->hosts[k];
    free(s->hosts);
    s->hosts = hosts;
    s->host_slots = slots;
}

/*
 * All addresses of one host meet in one shard, so that its connection is found again. Hosts that are first
 * asked one after the other are asked so again and again, each at its moment of the period: together in a
 * shard they let the others rest.
 */
static size_t shard_of(struct shards *s, const char *url)
{
    const char *host = strstr(url, "://");
    host = host ? host + 3 : url;
    make_room_for_host(s);
    uint64_t hash = hash_bytes(HASH_BEGIN, host, strcspn(host, "/"));
    struct host *h = find_host(s->hosts, s->host_slots, hash);
    if (!h->is_there) {
        *h = (struct host){hash, (uint32_t)s->dealing, true};
        if (++s->host_count % s->hosts_a_shard == 0)
            s->dealing = (s->dealing + 1) % s->count;
    }
    return h->shard;
}

void shards_start(struct shards *s, struct transfer *t, const char *url)
{
    t->multi = multi_of(s, shard_of(s, url));
    t->code = CURLE_OUT_OF_MEMORY; /* unless it comes to an end of its own */
    if (!t->multi || curl_multi_add_handle(t->multi, t->easy) != CURLM_OK)
        shards_end(s, t);
}

void shards_drop(struct transfer *t)
{
    if (t->multi)
        curl_multi_remove_handle(t->multi, t->easy);
    t->multi = NULL;
}

struct transfer *shards_ended(struct shards *s)
{
    struct transfer *t = s->first_ended;
    if (t)
        s->first_ended = t->next;
    return t;
}

static void act(struct shards *s, CURLM *multi, curl_socket_t fd, int mask)
{
    int left;
    curl_multi_socket_action(multi, fd, mask, &left);
    for (CURLMsg *message; (message = curl_multi_info_read(multi, &left));) {
        struct transfer *t = NULL;
        curl_easy_getinfo(message->easy_handle, CURLINFO_PRIVATE, &t);
        t->code = message->data.result;
        shards_drop(t);
        shards_end(s, t);
    }
}

static void serve_socket(struct shards *s, const struct epoll_event *event)
{
    int fd = (int)(event->data.u64 & UINT32_MAX);
    struct watched *w = watched_at(s, fd);
    int mask = (event->events & (EPOLLIN | EPOLLHUP) ? CURL_CSELECT_IN : 0) |
               (event->events & EPOLLOUT ? CURL_CSELECT_OUT : 0) |
               (event->events & EPOLLERR ? CURL_CSELECT_ERR : 0);
    if (w->is_resting) /* libcurl finds it closed when it wants it again */
        unwatch(s, fd, w);
    else if (w->events)
        act(s, s->items[w->shard].multi, fd, mask);
}

static void serve_timers(struct shards *s)
{
    int64_t now_ms = clock_mono_ms();
    for (size_t k = 0; k < s->count; k++) {
        if (s->timers_ms[k] > now_ms)
            continue;
        s->timers_ms[k] = INT64_MAX;
        act(s, s->items[k].multi, CURL_SOCKET_TIMEOUT, 0);
    }
}

static int until_timer_ms(const struct shards *s, int64_t at_most_ms)
{
    int64_t least = INT64_MAX, now_ms = clock_mono_ms();
    for (size_t k = 0; k < s->count; k++)
        least = s->timers_ms[k] < least ? s->timers_ms[k] : least;
    if (least - now_ms < at_most_ms)
        at_most_ms = least > now_ms ? least - now_ms : 0;
    return (int)(at_most_ms < INT_MAX ? at_most_ms : INT_MAX);
}

bool shards_turn(struct shards *s, int64_t at_most_ms)
{
    struct epoll_event events[EVENTS];
    serve_timers(s);
    int n = epoll_wait(s->epoll, events, EVENTS, s->first_ended ? 0 : until_timer_ms(s, at_most_ms));
    for (int k = 0; k < n; k++)
        serve_socket(s, &events[k]);
    return n >= 0;
}
