#include "fetch.h"

#include "base/clock.h"

#include <curl/curl.h>

#include <errno.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <unistd.h>

/*
 * libcurl walks all connections of a multi handle at the end of every transfer, so the hosts are dealt out to
 * several handles. Its cache of addresses is walked too, and is switched off.
 */
enum { SHARDS = 32, KEPT_BUFFER_BYTES = 4 * 1024 * 1024, LOW_SPEED_BYTES_S = 10, LOW_SPEED_S = 5 };

const struct fetch_limits fetch_usual_limits = {
    .connect_ms = 3000, .total_ms = 15000, .max_bytes = 16 * 1024 * 1024, .targets = 64};

struct transfer {
    CURL *easy;
    struct transfer *next; /* in the list of idle ones */
    struct shard *shard;
    struct curl_slist *own_headers; /* of a request that carries a body; else NULL */
    void *tag;
    char *bytes;
    size_t size, capacity, max_bytes;
    bool too_large;
    char error[CURL_ERROR_SIZE];
};

struct shard {
    CURLM *multi;
    int64_t timer_ms; /* when libcurl wants to be called; -1: never */
    int epoll;
};

struct fetch {
    struct fetch_limits limits;
    struct curl_slist *headers;
    struct shard shards[SHARDS];
    struct transfer **all;
    size_t count;
    struct transfer *idle;
    struct transfer *handed_out;
    size_t in_flight;
    int epoll;
};

static size_t on_bytes(char *bytes, size_t size, size_t count, void *context)
{
    struct transfer *t = context;
    size_t more = size * count;
    if (more > t->max_bytes - t->size) {
        t->too_large = true;
        return 0;
    }
    if (more > t->capacity - t->size) {
        size_t capacity = t->capacity ? t->capacity * 2 : 16 * 1024;
        while (capacity < t->size + more)
            capacity *= 2;
        char *grown = realloc(t->bytes, capacity);
        if (!grown)
            return 0;
        t->bytes = grown;
        t->capacity = capacity;
    }
    memcpy(t->bytes + t->size, bytes, more);
    t->size += more;
    return more;
}

static void set_up_easy(CURL *easy, const struct fetch_limits *limits, struct curl_slist *headers)
{
    curl_easy_setopt(easy, CURLOPT_NOSIGNAL, 1L);
    curl_easy_setopt(easy, CURLOPT_HTTP_VERSION, (long)CURL_HTTP_VERSION_1_1);
    curl_easy_setopt(easy, CURLOPT_PROTOCOLS_STR, "http,https");
    curl_easy_setopt(easy, CURLOPT_FOLLOWLOCATION, 0L);
    curl_easy_setopt(easy, CURLOPT_DISALLOW_USERNAME_IN_URL, 1L);
    curl_easy_setopt(easy, CURLOPT_NETRC, (long)CURL_NETRC_IGNORED);
    curl_easy_setopt(easy, CURLOPT_PROXY, "");
    curl_easy_setopt(easy, CURLOPT_SSL_VERIFYPEER, 1L);
    curl_easy_setopt(easy, CURLOPT_SSL_VERIFYHOST, 2L);
    curl_easy_setopt(easy, CURLOPT_DNS_CACHE_TIMEOUT, 0L);
    curl_easy_setopt(easy, CURLOPT_TCP_KEEPALIVE, 1L);
    curl_easy_setopt(easy, CURLOPT_CONNECTTIMEOUT_MS, (long)limits->connect_ms);
    curl_easy_setopt(easy, CURLOPT_TIMEOUT_MS, (long)limits->total_ms);
    curl_easy_setopt(easy, CURLOPT_LOW_SPEED_LIMIT, (long)LOW_SPEED_BYTES_S);
    curl_easy_setopt(easy, CURLOPT_LOW_SPEED_TIME, (long)LOW_SPEED_S);
    curl_easy_setopt(easy, CURLOPT_ACCEPT_ENCODING, "gzip, deflate");
    curl_easy_setopt(easy, CURLOPT_USERAGENT, "vaneward-collector/" VANEWARD_VERSION);
    curl_easy_setopt(easy, CURLOPT_HTTPHEADER, headers);
    curl_easy_setopt(easy, CURLOPT_WRITEFUNCTION, on_bytes);
}

static struct curl_slist *usual_headers(void)
{
    return curl_slist_append(NULL, "Accept: text/xml, application/xml, application/json");
}

static void begin(struct transfer *t, const char *url)
{
    t->size = 0;
    t->too_large = false;
    t->error[0] = '\0';
    curl_easy_setopt(t->easy, CURLOPT_URL, url);
    curl_easy_setopt(t->easy, CURLOPT_WRITEDATA, t);
    curl_easy_setopt(t->easy, CURLOPT_ERRORBUFFER, t->error);
}

/* NULL when the transfer brought an answer. */
static const char *failure_of(struct transfer *t, CURLcode code)
{
    if (code == CURLE_OK)
        return NULL;
    if (t->too_large) {
        snprintf(t->error, sizeof t->error, "the answer is larger than %zu bytes", t->max_bytes);
    } else if (code == CURLE_LOGIN_DENIED) {
        snprintf(t->error, sizeof t->error, "an address must not hold a user name or password");
    } else if (!t->error[0]) {
        snprintf(t->error, sizeof t->error, "%s", curl_easy_strerror(code));
    }
    return t->error;
}

static struct body body_of(const struct transfer *t)
{
    struct body body = {.bytes = t->size ? t->bytes : "", .size = t->size};
    curl_easy_getinfo(t->easy, CURLINFO_RESPONSE_CODE, &body.status);
    return body;
}

static bool is_our_fault(CURLcode code)
{
    return code == CURLE_URL_MALFORMAT || code == CURLE_UNSUPPORTED_PROTOCOL || code == CURLE_LOGIN_DENIED ||
           code == CURLE_WRITE_ERROR;
}

bool fetch_once(const char *url, const struct fetch_limits *limits, struct arena *mem, struct body *out,
                struct err *err)
{
    curl_global_init(CURL_GLOBAL_DEFAULT);
    struct transfer t = {.easy = curl_easy_init(), .max_bytes = limits->max_bytes};
    struct curl_slist *headers = usual_headers();
    if (!t.easy || !headers)
        return err_set(err, ERR_SYSTEM, "cannot begin a transfer");

    set_up_easy(t.easy, limits, headers);
    begin(&t, url);
    CURLcode code = curl_easy_perform(t.easy);
    const char *failure = failure_of(&t, code);
    if (failure) {
        err_set(err, is_our_fault(code) ? ERR_INPUT : ERR_UNAVAILABLE, "cannot read '%s': %s", url, failure);
    } else {
        *out = body_of(&t);
        out->bytes = arena_strndup(mem, out->bytes, out->size);
    }
    curl_easy_cleanup(t.easy);
    curl_slist_free_all(headers);
    free(t.bytes);
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

bool fetch_new(struct fetch **out, const struct fetch_limits *limits, struct err *err)
{
    curl_global_init(CURL_GLOBAL_DEFAULT);
    struct fetch *f = calloc(1, sizeof *f);
    if (!f)
        return err_set(err, ERR_SYSTEM, "out of memory");
    f->limits = *limits;
    f->headers = usual_headers();
    f->epoll = epoll_create1(EPOLL_CLOEXEC);
    *out = f;
    if (f->epoll < 0)
        return err_set(err, ERR_SYSTEM, "cannot wait for transfers: %s", strerror(errno));
    size_t connections = limits->targets < LONG_MAX ? limits->targets + 1 : LONG_MAX;
    for (int k = 0; k < SHARDS; k++) {
        if (!shard_open(&f->shards[k], f->epoll, connections, err))
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
        curl_easy_cleanup(t->easy);
        curl_slist_free_all(t->own_headers);
        free(t->bytes);
        free(t);
    }
    for (int k = 0; k < SHARDS; k++) {
        curl_multi_cleanup(f->shards[k].multi);
        if (f->shards[k].epoll > 0)
            close(f->shards[k].epoll);
    }
    free(f->all);
    curl_slist_free_all(f->headers);
    close(f->epoll);
    free(f);
    curl_global_cleanup();
}

/* All addresses of one host meet in one shard, so that its connection is found again. */
static struct shard *shard_of(struct fetch *f, const char *url)
{
    const char *host = strstr(url, "://");
    host = host ? host + 3 : url;
    uint64_t hash = UINT64_C(14695981039346656037); /* FNV-1a */
    for (const char *p = host; *p && *p != '/'; p++)
        hash = (hash ^ (unsigned char)*p) * UINT64_C(1099511628211);
    return &f->shards[(hash >> 32) % SHARDS];
}

static struct transfer *idle_transfer(struct fetch *f)
{
    if (f->idle) {
        struct transfer *t = f->idle;
        f->idle = t->next;
        return t;
    }
    struct transfer *t = calloc(1, sizeof *t);
    struct transfer **all = realloc(f->all, (f->count + 1) * sizeof *all);
    CURL *easy = curl_easy_init();
    if (!t || !all || !easy)
        BUG("out of memory for a transfer");
    f->all = all;
    f->all[f->count++] = t;
    t->easy = easy;
    t->max_bytes = f->limits.max_bytes;
    set_up_easy(easy, &f->limits, f->headers);
    curl_easy_setopt(easy, CURLOPT_PRIVATE, t);
    return t;
}

static void start(struct fetch *f, struct transfer *t, const char *url, void *tag)
{
    t->tag = tag;
    t->shard = shard_of(f, url);
    begin(t, url);
    curl_multi_add_handle(t->shard->multi, t->easy);
    f->in_flight++;
}

void fetch_start(struct fetch *f, const char *url, void *tag)
{
    start(f, idle_transfer(f), url, tag);
}

void fetch_post(struct fetch *f, const char *url, const struct body *body, const char *const *headers,
                size_t header_count, void *tag)
{
    struct transfer *t = idle_transfer(f);
    for (size_t k = 0; k < header_count; k++) {
        struct curl_slist *longer = curl_slist_append(t->own_headers, headers[k]);
        if (!longer)
            BUG("out of memory for a header");
        t->own_headers = longer;
    }
    curl_easy_setopt(t->easy, CURLOPT_HTTPHEADER, t->own_headers);
    curl_easy_setopt(t->easy, CURLOPT_POSTFIELDSIZE_LARGE, (curl_off_t)body->size);
    curl_easy_setopt(t->easy, CURLOPT_COPYPOSTFIELDS, body->bytes);
    start(f, t, url, tag);
}

/* The handle asks with GET again. */
static void end_post(const struct fetch *f, struct transfer *t)
{
    if (!t->own_headers)
        return;
    curl_easy_setopt(t->easy, CURLOPT_HTTPHEADER, f->headers);
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
    end_post(f, t);
    if (t->capacity > KEPT_BUFFER_BYTES) {
        free(t->bytes);
        t->bytes = NULL;
        t->capacity = 0;
    }
    t->next = f->idle;
    f->idle = t;
}

static bool take_ended(struct fetch *f, struct fetched *out)
{
    for (int k = 0; k < SHARDS; k++) {
        int left;
        CURLMsg *message = curl_multi_info_read(f->shards[k].multi, &left);
        if (!message || message->msg != CURLMSG_DONE)
            continue;
        CURLcode code = message->data.result;
        struct transfer *t = NULL;
        curl_easy_getinfo(message->easy_handle, CURLINFO_PRIVATE, &t);
        *out = (struct fetched){.tag = t->tag, .error = failure_of(t, code), .too_large = t->too_large};
        if (!out->error)
            out->body = body_of(t);
        curl_multi_remove_handle(t->shard->multi, t->easy);
        t->shard = NULL;
        f->handed_out = t;
        f->in_flight--;
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
    for (int k = 0; k < SHARDS; k++) {
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
    for (int k = 0; k < SHARDS; k++) {
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
        struct epoll_event events[SHARDS];
        int64_t wait = until_timer_ms(f, now, end_ms > now ? end_ms - now : 0);
        int n = epoll_wait(f->epoll, events, SHARDS, (int)(wait < INT_MAX ? wait : INT_MAX));
        for (int k = 0; k < n; k++)
            serve_sockets(events[k].data.ptr);
        serve_timers(f);
        if (n < 0 || clock_mono_ms() >= end_ms) /* a signal ends the waiting too */
            return take_ended(f, out);
    }
}
