#include "fetch.h"

#include "base/clock.h"
#include "fetch_shards.h"
#include "fetch_transfer.h"

#include <stdlib.h>

const struct fetch_limits fetch_usual_limits = {
    .connect_ms = 3000, .total_ms = 15000, .max_bytes = 16 * 1024 * 1024, .targets = 64};

struct fetch {
    struct fetch_limits limits;
    struct curl_slist *headers, *any_type_headers;
    struct shards *shards;
    struct transfer **all;
    size_t count;
    struct transfer *idle;
    struct transfer *handed_out;
    size_t in_flight;
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

bool fetch_new(struct fetch **out, const struct fetch_limits *limits, struct err *err)
{
    curl_global_init(CURL_GLOBAL_DEFAULT);
    struct fetch *f = calloc(1, sizeof *f);
    if (!f)
        return err_set(err, ERR_SYSTEM, "out of memory");
    f->limits = *limits;
    f->headers = usual_headers(false);
    f->any_type_headers = usual_headers(true);
    *out = f;
    return shards_open(&f->shards, limits->targets, err);
}

void fetch_expect(struct fetch *f, size_t targets)
{
    shards_expect(f->shards, targets);
}

void fetch_free(struct fetch *f)
{
    if (!f)
        return;
    for (size_t k = 0; k < f->count; k++) {
        struct transfer *t = f->all[k];
        shards_drop(t);
        transfer_release(t);
        free(t);
    }
    shards_close(f->shards);
    free(f->all);
    curl_slist_free_all(f->headers);
    curl_slist_free_all(f->any_type_headers);
    free(f);
    curl_global_cleanup();
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
    shards_adopt(f->shards, t);
    f->all = all;
    f->all[f->count++] = t;
    return t;
}

static void start(struct fetch *f, struct transfer *t, const char *url, const struct fetch_access *access,
                  struct curl_slist *headers, void *tag)
{
    t->tag = tag;
    t->code = CURLE_OK;
    f->in_flight++;
    if (transfer_begin(t, url, access, headers))
        shards_start(f->shards, t, url);
    else
        shards_end(f->shards, t);
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

static void hand_out(struct fetch *f, struct transfer *t, struct fetched *out)
{
    *out = (struct fetched){.tag = t->tag,
                            .error = transfer_failure(t, t->code),
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

bool fetch_wait(struct fetch *f, int64_t timeout_ms, struct fetched *out)
{
    take_back(f);
    int64_t end_ms = clock_mono_ms() + timeout_ms, left_ms = timeout_ms;
    for (bool is_over = false;; left_ms = end_ms - clock_mono_ms()) {
        struct transfer *t = shards_ended(f->shards);
        if (t)
            hand_out(f, t, out);
        if (t || is_over)
            return t != NULL;
        bool is_signal = !shards_turn(f->shards, left_ms > 0 ? left_ms : 0);
        is_over = is_signal || clock_mono_ms() >= end_ms;
    }
}
