#include "fetch.h"

#include "base/clock.h"
#include "base/hash.h"
#include "fetch_transfer.h"

#include <errno.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/resource.h>
#include <unistd.h>

/*
 * libcurl walks all connections of a multi handle at the end of every transfer, so the hosts are dealt out to
 * several handles. Its cache of addresses is walked too, and is switched off.
 */
enum { MOST_SHARDS = 32, DESCRIPTORS_A_SHARD = 16, SPARE_DESCRIPTORS = 256 };

const struct fetch_limits fetch_usual_limits = {
    .connect_ms = 3000, .total_ms = 15000, .max_bytes = 16 * 1024 * 1024, .targets = 64};

struct shard {
    CURLM *multi;
    int64_t timer_ms; /* when libcurl wants to be called; -1: never */
    int epoll;
};

struct fetch {
    struct fetch_limits limits;
    struct curl_slist *headers, *any_type_headers;
    struct shard shards[MOST_SHARDS];
    size_t shard_count;
    struct transfer **all;
    size_t count;
    struct transfer *idle;
    struct transfer *refused; /* not begun: they end with the next wait */
    struct transfer *handed_out;
    size_t in_flight;
    int epoll;
};

static struct curl_slist *usual_headers(bool any_type)
{
    struct curl_slist *headers =
        curl_slist_append(NULL, any_type ? "Accept: text/xml, application/xml, */*"
                                         : "Accept: text/xml, application/xml, application/json");
    if (!headers)
        err_no_memory();
    return headers;
}

bool fetch_once(const char *url, const struct fetch_access *access, const struct fetch_limits *limits,
                struct arena *mem, struct body *out, struct err *err)
{
    curl_global_init(CURL_GLOBAL_DEFAULT);
    struct transfer t = {.easy = NULL};
    struct curl_slist *headers = usual_headers(access && access->any_type);
    if (!transfer_set_up(&t, limits, headers))
        err_no_memory();

    CURLcode code = CURLE_OK;
    if (transfer_begin(&t, url, access, headers))
        code = curl_easy_perform(t.easy);
    const char *failure = transfer_failure(&t, code);
    if (failure) {
        bool is_theirs = code != CURLE_OK && !t.refused && !t.too_large;
        err_set(err, is_theirs ? ERR_UNAVAILABLE : ERR_INPUT, "cannot read '%s': %s", url, failure);
    } else {
        *out = transfer_body(&t);
        out->bytes = arena_strndup(mem, out->bytes, out->size);
    }
    transfer_release(&t);
    curl_slist_free_all(headers);
    curl_global_cleanup();
    return failure == NULL;
}

static int on_socket(CURL *easy, curl_socket_t fd, int what, void *context, void *known)
{
    (void)easy;
    struct shard *s = context;
    if (what == CURL_POLL_REMOVE) {
        epoll_ctl(s->epoll, EPOLL_CTL_DEL, fd, NULL);
        return 0;
    }
    struct epoll_event event = {
        .events = (what & CURL_POLL_IN ? EPOLLIN : 0u) | (what & CURL_POLL_OUT ? EPOLLOUT : 0u),
        .data.fd = fd,
    };
    if (epoll_ctl(s->epoll, known ? EPOLL_CTL_MOD : EPOLL_CTL_ADD, fd, &event) < 0 && errno == EEXIST)
        epoll_ctl(s->epoll, EPOLL_CTL_MOD, fd, &event);
    curl_multi_assign(s->multi, fd, s);
    return 0;
}

static int on_timer(CURLM *multi, long timeout_ms, void *context)
{
    (void)multi;
    struct shard *s = context;
    s->timer_ms = timeout_ms < 0 ? -1 : clock_mono_ms() + timeout_ms;
    return 0;
}

/* Each shard has an epoll set of its own, and that set is one member of the set that is waited for. */
static bool shard_open(struct shard *s, int outer, size_t connections, struct err *err)
{
    s->timer_ms = -1;
    s->epoll = epoll_create1(EPOLL_CLOEXEC);
    s->multi = curl_multi_init();
    struct epoll_event event = {.events = EPOLLIN, .data.ptr = s};
    if (!s->multi || s->epoll < 0 || epoll_ctl(outer, EPOLL_CTL_ADD, s->epoll, &event) < 0)
        return err_set(err, ERR_SYSTEM, "cannot wait for transfers: %s", strerror(errno));
    curl_multi_setopt(s->multi, CURLMOPT_SOCKETFUNCTION, on_socket);
    curl_multi_setopt(s->multi, CURLMOPT_SOCKETDATA, s);
    curl_multi_setopt(s->multi, CURLMOPT_TIMERFUNCTION, on_timer);
    curl_multi_setopt(s->multi, CURLMOPT_TIMERDATA, s);
    curl_multi_setopt(s->multi, CURLMOPT_MAXCONNECTS, (long)connections);
    return true;
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

bool fetch_new(struct fetch **out, const struct fetch_limits *limits, struct err *err)
{
    curl_global_init(CURL_GLOBAL_DEFAULT);
    struct fetch *f = calloc(1, sizeof *f);
    if (!f)
        return err_set(err, ERR_SYSTEM, "out of memory");
    allow_descriptors(limits->targets);
    f->limits = *limits;
    f->headers = usual_headers(false);
    f->any_type_headers = usual_headers(true);
    f->epoll = epoll_create1(EPOLL_CLOEXEC);
    *out = f;
    if (f->epoll < 0)
        return err_set(err, ERR_SYSTEM, "cannot wait for transfers: %s", strerror(errno));
    size_t connections = limits->targets < LONG_MAX ? limits->targets + 1 : LONG_MAX;
    for (size_t most = shards_allowed(); f->shard_count < most; f->shard_count++) {
        if (!shard_open(&f->shards[f->shard_count], f->epoll, connections, err))
            return false;
    }
    return true;
}

void fetch_free(struct fetch *f)
{
    if (!f)
        return;
    for (size_t k = 0; k < f->count; k++) {
        struct transfer *t = f->all[k];
        if (t->shard)
            curl_multi_remove_handle(t->shard->multi, t->easy);
        transfer_release(t);
        free(t);
    }
    for (size_t k = 0; k < MOST_SHARDS; k++) { /* one may be half open */
        curl_multi_cleanup(f->shards[k].multi);
        if (f->shards[k].epoll > 0)
            close(f->shards[k].epoll);
    }
    free(f->all);
    curl_slist_free_all(f->headers);
    curl_slist_free_all(f->any_type_headers);
    close(f->epoll);
    free(f);
    curl_global_cleanup();
}

/* All addresses of one host meet in one shard, so that its connection is found again. */
static struct shard *shard_of(struct fetch *f, const char *url)
{
    const char *host = strstr(url, "://");
    host = host ? host + 3 : url;
    uint64_t hash = hash_bytes(HASH_BEGIN, host, strcspn(host, "/"));
    return &f->shards[(hash >> 32) % f->shard_count];
}

static struct transfer *idle_transfer(struct fetch *f)
{
    if (f->idle) {
        struct transfer *t = f->idle;
        f->idle = t->next;
        return t;
    }
    struct transfer *t = calloc(1, sizeof *t);
    struct transfer **all = realloc(f->all, (f->count + 1) * sizeof(struct transfer *));
    if (!t || !all || !transfer_set_up(t, &f->limits, f->headers))
        err_no_memory();
    f->all = all;
    f->all[f->count++] = t;
    return t;
}

static void start(struct fetch *f, struct transfer *t, const char *url, const struct fetch_access *access,
                  struct curl_slist *headers, void *tag)
{
    t->tag = tag;
    f->in_flight++;
    if (!transfer_begin(t, url, access, headers)) {
        t->next = f->refused;
        f->refused = t;
        return;
    }
    t->shard = shard_of(f, url);
    curl_multi_add_handle(t->shard->multi, t->easy);
}

void fetch_start(struct fetch *f, const char *url, const struct fetch_access *access, void *tag)
{
    struct curl_slist *headers = access && access->any_type ? f->any_type_headers : f->headers;
    start(f, idle_transfer(f), url, access, headers, tag);
}

void fetch_post(struct fetch *f, const char *url, const struct body *body, const char *const *headers,
                size_t header_count, void *tag)
{
    struct transfer *t = idle_transfer(f);
    for (size_t k = 0; k < header_count; k++) {
        struct curl_slist *longer = curl_slist_append(t->own_headers, headers[k]);
        if (!longer)
            err_no_memory();
        t->own_headers = longer;
    }
    curl_easy_setopt(t->easy, CURLOPT_POSTFIELDSIZE_LARGE, (curl_off_t)body->size);
    curl_easy_setopt(t->easy, CURLOPT_COPYPOSTFIELDS, body->bytes);
    start(f, t, url, NULL, t->own_headers, tag);
}

/* The handle asks with GET again. */
static void end_post(struct transfer *t)
{
    if (!t->own_headers)
        return;
    curl_easy_setopt(t->easy, CURLOPT_HTTPHEADER, NULL);
    curl_easy_setopt(t->easy, CURLOPT_HTTPGET, 1L);
    curl_slist_free_all(t->own_headers);
    t->own_headers = NULL;
}

size_t fetch_in_flight(const struct fetch *f)
{
    return f->in_flight;
}

static void take_back(struct fetch *f)
{
    struct transfer *t = f->handed_out;
    if (!t)
        return;
    f->handed_out = NULL;
    end_post(t);
    transfer_end(t);
    t->next = f->idle;
    f->idle = t;
}

static void hand_out(struct fetch *f, struct transfer *t, CURLcode code, struct fetched *out)
{
    *out = (struct fetched){.tag = t->tag,
                            .error = transfer_failure(t, code),
                            .too_large = t->too_large,
                            .refused = t->refused,
                            .certificate_end_us = TIME_UNKNOWN};
    if (!out->error) {
        out->body = transfer_body(t);
        out->certificate_end_us = transfer_certificate_end_us(t);
    }
    f->handed_out = t;
    f->in_flight--;
}

static bool take_ended(struct fetch *f, struct fetched *out)
{
    if (f->refused) {
        struct transfer *t = f->refused;
        f->refused = t->next;
        hand_out(f, t, CURLE_OK, out);
        return true;
    }
    for (size_t k = 0; k < f->shard_count; k++) {
        int left;
        CURLMsg *message = curl_multi_info_read(f->shards[k].multi, &left);
        if (!message || message->msg != CURLMSG_DONE)
            continue;
        CURLcode code = message->data.result;
        struct transfer *t = NULL;
        curl_easy_getinfo(message->easy_handle, CURLINFO_PRIVATE, &t);
        hand_out(f, t, code, out);
        curl_multi_remove_handle(t->shard->multi, t->easy);
        t->shard = NULL;
        return true;
    }
    return false;
}

static void serve_sockets(struct shard *s)
{
    struct epoll_event events[64];
    int running, n = epoll_wait(s->epoll, events, 64, 0);
    for (int k = 0; k < n; k++) {
        uint32_t got = events[k].events;
        int mask = (got & (EPOLLIN | EPOLLHUP) ? CURL_CSELECT_IN : 0) |
                   (got & EPOLLOUT ? CURL_CSELECT_OUT : 0) | (got & EPOLLERR ? CURL_CSELECT_ERR : 0);
        curl_multi_socket_action(s->multi, events[k].data.fd, mask, &running);
    }
}

static void serve_timers(struct fetch *f)
{
    int64_t now = clock_mono_ms();
    for (size_t k = 0; k < f->shard_count; k++) {
        struct shard *s = &f->shards[k];
        if (s->timer_ms < 0 || s->timer_ms > now)
            continue;
        s->timer_ms = -1;
        int running;
        curl_multi_socket_action(s->multi, CURL_SOCKET_TIMEOUT, 0, &running);
    }
}

static int64_t until_timer_ms(const struct fetch *f, int64_t now_ms, int64_t at_most_ms)
{
    int64_t wait = at_most_ms;
    for (size_t k = 0; k < f->shard_count; k++) {
        int64_t timer = f->shards[k].timer_ms;
        if (timer >= 0 && timer - now_ms < wait)
            wait = timer > now_ms ? timer - now_ms : 0;
    }
    return wait;
}

bool fetch_wait(struct fetch *f, int64_t timeout_ms, struct fetched *out)
{
    take_back(f);
    int64_t end_ms = clock_mono_ms() + timeout_ms;
    for (;;) {
        if (take_ended(f, out))
            return true;
        int64_t now = clock_mono_ms();
        struct epoll_event events[MOST_SHARDS];
        int64_t wait = until_timer_ms(f, now, end_ms > now ? end_ms - now : 0);
        int n = epoll_wait(f->epoll, events, MOST_SHARDS, (int)(wait < INT_MAX ? wait : INT_MAX));
        for (int k = 0; k < n; k++)
            serve_sockets(events[k].data.ptr);
        serve_timers(f);
        if (n < 0 || clock_mono_ms() >= end_ms) /* a signal ends the waiting too */
            return take_ended(f, out);
    }
}
