#include "serve.h"

#include "answer.h"
#include "files.h"
#include "live.h"
#include "trouble.h"

#include <arpa/inet.h>
#include <microhttpd.h>
#include <netinet/in.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>

enum { THREADS = 4, CONNECTIONS = 8192 };

struct server {
    struct world *w;
    struct live *live; /* NULL: it stops at the end */
};

static enum MHD_Result send_text(struct MHD_Connection *c, struct out *o, unsigned status, const char *type)
{
    struct MHD_Response *response = MHD_create_response_from_buffer(o->size, o->data, MHD_RESPMEM_MUST_FREE);
    enum MHD_Result sent;

    MHD_add_response_header(response, MHD_HTTP_HEADER_CONTENT_TYPE, type);
    sent = MHD_queue_response(c, status, response);
    MHD_destroy_response(response);
    return sent;
}

static enum MHD_Result send_word(struct MHD_Connection *c, unsigned status, const char *text)
{
    struct out o = {0};

    out_text(&o, text);
    out_text(&o, "\n");
    return send_text(c, &o, status, "text/plain; charset=utf-8");
}

static const char *argument(struct MHD_Connection *c, const char *name)
{
    return MHD_lookup_connection_value(c, MHD_GET_ARGUMENT_KIND, name);
}

/* --- controls --- */

static int drive_named(const struct fleet *f, const char *name)
{
    for (size_t i = 0; name && i < f->drive_count; i++)
        if (strcmp(f->drives[i].drive, name) == 0)
            return (int)i;
    return NONE;
}

static enum MHD_Result advance(struct server *s, struct MHD_Connection *c)
{
    const char *to = argument(c, "to");
    int64_t to_ms = s->w->fleet->end_ms;
    bool back, ended;

    if (!to || (strcmp(to, "end") != 0 && !moment_parse(to, &to_ms)))
        return send_word(c, 400, "to must be a moment or 'end'");
    pthread_rwlock_wrlock(&s->w->lock);
    back = to_ms < s->w->now_ms && strcmp(to, "end") != 0;
    if (!back && s->w->now_ms < s->w->fleet->end_ms)
        s->w->now_ms = to_ms < s->w->fleet->end_ms ? to_ms : s->w->fleet->end_ms;
    ended = s->w->now_ms >= s->w->fleet->end_ms;
    pthread_rwlock_unlock(&s->w->lock);
    if (back)
        return send_word(c, 400, "time does not go back");
    if (ended && s->live)
        live_begin(s->live);
    return send_word(c, 200, "ok");
}

static enum MHD_Result disturb(struct server *s, struct MHD_Connection *c, bool (*act)(struct live *, int))
{
    int drive = drive_named(s->w->fleet, argument(c, "drive"));

    if (drive == NONE)
        return send_word(c, 404, "no such drive");
    if (!s->live || !act(s->live, drive))
        return send_word(c, 409, "not live, or nothing to change");
    return send_word(c, 200, "ok");
}

static enum MHD_Result state(struct server *s, struct MHD_Connection *c)
{
    struct out o = {0};

    pthread_rwlock_rdlock(&s->w->lock);
    out_text(&o, "{\"now\":\"");
    moment_out(&o, s->w->now_ms, MOMENT_MILLI);
    out_text(&o, "\",\"end\":\"");
    moment_out(&o, s->w->fleet->end_ms, MOMENT_MILLI);
    out_format(&o, "\",\"live\":%s,\"sources\":[", live_runs(s->live) ? "true" : "false");
    for (size_t i = 0; i < s->w->fleet->source_count; i++) {
        struct view v = record_view(s->w, (int)i, s->w->now_ms);

        out_format(&o, "%s\n{\"source\":\"%s\",\"instance\":\"%s\",\"first\":%llu,\"last\":%llu}",
                   i ? "," : "", v.source->source, v.instance->id, (unsigned long long)v.first,
                   (unsigned long long)v.last);
    }
    out_text(&o, "]}\n");
    pthread_rwlock_unlock(&s->w->lock);
    return send_text(c, &o, 200, "application/json");
}

static enum MHD_Result control(struct server *s, struct MHD_Connection *c, const char *method,
                               const char *what)
{
    bool post = strcmp(method, "POST") == 0;

    if (strcmp(what, "state") == 0)
        return state(s, c);
    if (strcmp(what, "advance") == 0)
        return post ? advance(s, c) : send_word(c, 405, "POST");
    if (strcmp(what, "fault") == 0)
        return post ? disturb(s, c, live_fault) : send_word(c, 405, "POST");
    if (strcmp(what, "clear") == 0)
        return post ? disturb(s, c, live_clear) : send_word(c, 405, "POST");
    return send_word(c, 404, "no such control");
}

/* --- sources --- */

static const char *feed_code(const char *code)
{
    static const char *const words[][2] = {{"OUT_OF_RANGE", "out_of_range"}, {"NO_DEVICE", "no_device"}};

    for (size_t i = 0; i < 2; i++)
        if (strcmp(code, words[i][0]) == 0)
            return words[i][1];
    return "invalid_request";
}

static void write_error(struct out *o, const struct view *v, const char *code, const char *text)
{
    if (v->source->style == STYLE_FEED)
        feed_error(o, v, feed_code(code), text);
    else
        mtconnect_error(o, v, code, text);
}

static unsigned write_answer(struct out *o, const struct fleet *f, const struct view *v,
                             const struct request *r)
{
    bool feed = v->source->style == STYLE_FEED;
    struct page page;

    if (r->kind == REQUEST_PROBE) {
        if (feed)
            feed_probe(o, v);
        else
            mtconnect_probe(o, f, v, r->device);
        return 200;
    }
    page = trouble_page_of(f->options.troubles, v, r);
    if (page.error_code)
        write_error(o, v, page.error_code, page.error_text);
    else if (feed)
        feed_observations(o, v, &page);
    else
        mtconnect_streams(o, v, &page);
    free(page.numbers);
    return page.status;
}

/* "probe" or "DEVICE/probe"; the device by name or uuid. Returns the code of what is wrong, else NULL. */
static const char *parse_path(const struct source *s, const char *path, struct request *r)
{
    static const char *const kinds[] = {"probe", "current", "sample"};
    const char *slash = strchr(path, '/');

    if (slash) {
        size_t length = (size_t)(slash - path);

        for (size_t i = 0; i < s->device_count && r->device == NONE; i++)
            if ((strlen(s->devices[i].name) == length && strncmp(s->devices[i].name, path, length) == 0) ||
                (strlen(s->devices[i].uuid) == length && strncmp(s->devices[i].uuid, path, length) == 0))
                r->device = (int)i;
        if (r->device == NONE)
            return "NO_DEVICE";
        path = slash + 1;
    }
    for (int i = 0; i < 3; i++)
        if (strcmp(path, kinds[i]) == 0) {
            r->kind = (enum request_kind)i;
            return NULL;
        }
    return "INVALID_URI";
}

static enum MHD_Result answer_source(struct server *s, struct MHD_Connection *c, int source, const char *path)
{
    struct request r = {.device = NONE,
                        .from = argument(c, "from"),
                        .count = argument(c, "count"),
                        .to = argument(c, "to"),
                        .at = argument(c, "at"),
                        .path = argument(c, "path")};
    const char *wrong = parse_path(s->w->fleet->sources + source, path, &r);
    unsigned status = 404;
    struct out o = {0};
    struct view v;

    pthread_rwlock_rdlock(&s->w->lock);
    v = record_view(s->w, source, s->w->now_ms);
    if (wrong)
        write_error(&o, &v, wrong, "no such device or request");
    else
        status = write_answer(&o, s->w->fleet, &v, &r);
    pthread_rwlock_unlock(&s->w->lock);
    return send_text(c, &o, status, v.source->style == STYLE_FEED ? "application/json" : "text/xml");
}

static enum MHD_Result answer(void *data, struct MHD_Connection *c, const char *url, const char *method,
                              const char *version, const char *body, size_t *body_size, void **seen)
{
    static int begun;
    struct server *s = data;

    (void)version;
    (void)body;
    if (!*seen) { /* answering at once would close the connection */
        *seen = &begun;
        return MHD_YES;
    }
    if (*body_size) {
        *body_size = 0;
        return MHD_YES;
    }
    if (strncmp(url, "/control/", 9) == 0)
        return control(s, c, method, url + 9);
    for (size_t i = 0; i < s->w->fleet->source_count; i++) {
        size_t length = strlen(s->w->fleet->sources[i].source);

        if (strncmp(url + 1, s->w->fleet->sources[i].source, length) == 0 && url[1 + length] == '/')
            return strcmp(method, "GET") == 0 ? answer_source(s, c, (int)i, url + length + 2)
                                              : send_word(c, 405, "GET");
    }
    return send_word(c, 404, "no such source");
}

static void write_files(const struct world *w, const char *dir, const char *url, unsigned port)
{
    struct out o;

    register_write(w->fleet, dir, url);
    ledger_write(w, dir);
    truth_write(w, dir);
    o = out_to_file(dir, ".", "port");
    out_format(&o, "%u\n", port);
    out_close(&o);
}

void serve(struct world *w, const struct serving *how, const char *dir)
{
    struct server s = {w, how->live ? live_new(w, how->wall_clock) : NULL};
    struct sockaddr_in address = {
        .sin_family = AF_INET, .sin_port = htons(how->port), .sin_addr = {htonl(INADDR_LOOPBACK)}};
    struct MHD_Daemon *daemon;
    sigset_t ends;
    char url[64];
    unsigned port;
    int signal_number;

    sigemptyset(&ends);
    sigaddset(&ends, SIGTERM);
    sigaddset(&ends, SIGINT);
    pthread_sigmask(SIG_BLOCK, &ends, NULL); /* the threads to come inherit it */
    if (how->until_ms < w->now_ms)
        w->now_ms = how->until_ms;
    daemon = MHD_start_daemon(MHD_USE_EPOLL_INTERNAL_THREAD | MHD_USE_ERROR_LOG, 0, NULL, NULL, answer, &s,
                              MHD_OPTION_SOCK_ADDR, (struct sockaddr *)&address, MHD_OPTION_THREAD_POOL_SIZE,
                              (unsigned)THREADS, MHD_OPTION_CONNECTION_LIMIT, (unsigned)CONNECTIONS,
                              MHD_OPTION_END);
    if (!daemon)
        die("cannot listen on port %u", how->port);
    port = MHD_get_daemon_info(daemon, MHD_DAEMON_INFO_BIND_PORT)->port;
    snprintf(url, sizeof url, "http://127.0.0.1:%u", port);
    write_files(w, dir, url, port);
    if (s.live && w->now_ms >= w->fleet->end_ms)
        live_begin(s.live);
    printf("ready %s\n", url);
    fflush(stdout);
    sigwait(&ends, &signal_number);
    MHD_stop_daemon(daemon);
    if (s.live)
        live_free(s.live);
}
