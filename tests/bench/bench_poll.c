/*
 * Polls of fetch in one thread against wrk, in requests of a CPU second of the client; connections are kept
 * and counted; and the memory that 10,000 sources need.
 */
#include "bench.h"
#include "fetch.h"
#include "mock.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

struct shape {
    const char *what;
    uint32_t targets, in_flight;
    bool tls;
    double most_mb; /* 0: not judged */
};

/* What a child measured of the project's client. */
struct measured {
    double requests, cpu_s, memory_mb, connects;
};

/* Loopback connections that were opened since the system started; other programs' too. */
static double active_opens(void)
{
    char names[2000], values[2000];
    double opens = 0;
    FILE *in = fopen("/proc/net/snmp", "r");
    while (in && fgets(names, sizeof names, in) && fgets(values, sizeof values, in))
        if (strncmp(values, "Tcp:", 4) == 0)
            sscanf(values, "Tcp: %*s %*s %*s %*s %lf", &opens);
    if (in)
        fclose(in);
    return opens;
}

struct client {
    struct fetch *fetch;
    struct networks networks;
    struct fetch_access access;
    char (*urls)[MOCK_URL];
    uint32_t targets, next;
};

static void ask_next(struct client *c)
{
    fetch_start(c->fetch, c->urls[c->next], &c->access, NULL);
    c->next = (c->next + 1) % c->targets;
}

/* Answers taken, each followed by the next question, until so many have come and the time is over. */
static double take_answers(struct client *c, double at_least, double seconds)
{
    struct fetched came;
    double n = 0, began = bench_now_s();
    while (n < at_least || bench_now_s() - began < seconds) {
        if (!fetch_wait(c->fetch, 60000, &came))
            bench_fail("no answer came within a minute");
        if (came.error || came.body.status != 200)
            bench_fail("a poll failed: %s", came.error ? came.error : "not status 200");
        n++;
        ask_next(c);
    }
    return n;
}

static void client_open(struct client *c, const struct mock *m, const struct shape *s)
{
    struct err err = {0};
    struct fetch_limits limits = fetch_usual_limits;
    limits.targets = s->targets;
    limits.connect_ms = limits.total_ms =
        60000; /* thousands shake hands at once, perhaps on a busy machine */
    *c = (struct client){.targets = s->targets, .urls = calloc(s->targets, MOCK_URL)};
    if (!c->urls)
        err_no_memory();
    bench_must(networks_parse("127.0.0.0/8", &c->networks, &err), &err);
    c->access = (struct fetch_access){.networks = &c->networks, .ca_file = s->tls ? m->certificate : NULL};
    bench_must(fetch_new(&c->fetch, &limits, &err), &err);
    for (uint32_t k = 0; k < s->targets; k++) {
        mock_url(m, 'f', k, c->urls[k]);
        strcat(c->urls[k], "/current");
    }
    for (uint32_t k = 0; k < s->in_flight; k++)
        ask_next(c);
}

static struct measured poll_for_a_while(const struct mock *m, const struct shape *s)
{
    struct client c;
    client_open(&c, m, s);
    take_answers(&c, s->targets + s->in_flight, 0);
    double opens = active_opens(), began = bench_cpu_s();
    struct measured out = {.requests = take_answers(&c, 0, bench_size(2, 8))};
    out.cpu_s = bench_cpu_s() - began;
    out.connects = active_opens() - opens;
    out.memory_mb = bench_most_memory_mb();
    return out;
}

/* In a child, so that its memory is its own. */
static struct measured measure(const struct mock *m, const struct shape *s)
{
    struct measured out;
    int pipes[2];
    pid_t child = pipe(pipes) == 0 ? fork() : -1;
    if (child < 0)
        bench_fail("cannot start a child: %s", strerror(errno));
    if (child == 0) {
        out = poll_for_a_while(m, s);
        _exit(write(pipes[1], &out, sizeof out) == sizeof out ? 0 : 1);
    }
    close(pipes[1]);
    if (read(pipes[0], &out, sizeof out) != sizeof out)
        bench_fail("%s: the client failed", s->what);
    close(pipes[0]);
    waitpid(child, NULL, 0);
    return out;
}

/* Requests of a CPU second. */
static double measure_wrk(const struct mock *m, const struct shape *s)
{
    char command[200], line[300];
    double requests = 0, took_s = 0;
    snprintf(command, sizeof command, "exec wrk -t1 -c%u -d%.0fs --timeout 10s %s://127.0.1.1:%u/f0/current",
             s->targets, bench_size(2, 8) + s->targets / 1000.0, s->tls ? "https" : "http", m->port);
    struct rusage before, after;
    getrusage(RUSAGE_CHILDREN, &before);
    FILE *wrk = popen(command, "r");
    while (wrk && fgets(line, sizeof line, wrk))
        sscanf(line, " %lf requests in %lf", &requests, &took_s);
    if (!wrk || pclose(wrk) != 0 || requests == 0)
        bench_fail("wrk failed; is it installed?");
    getrusage(RUSAGE_CHILDREN, &after);
    double cpu_s = (double)(after.ru_utime.tv_sec + after.ru_stime.tv_sec) -
                   (double)(before.ru_utime.tv_sec + before.ru_stime.tv_sec) +
                   (double)(after.ru_utime.tv_usec + after.ru_stime.tv_usec) / 1e6 -
                   (double)(before.ru_utime.tv_usec + before.ru_stime.tv_usec) / 1e6;
    return requests / cpu_s;
}

static void tell(const struct shape *s, const struct measured *ours, double wrk)
{
    char name[60];
    snprintf(name, sizeof name, "poll.%s", s->what);
    const struct bench_figure rate = {.what = name,
                                      .figure = ours->requests / ours->cpu_s,
                                      .unit = "polls/CPU-s",
                                      .limit = "wrk",
                                      .limit_figure = wrk,
                                      .aim = AIM_AT_LEAST,
                                      .target = 0.25};
    bench_tell(&rate);
    snprintf(name, sizeof name, "poll.%s.connects", s->what);
    const struct bench_figure connects = {.what = name,
                                          .figure = ours->connects / ours->requests,
                                          .unit = "connects/poll (other programs' included)",
                                          .aim = AIM_AT_MOST,
                                          .target = 0.01};
    bench_tell(&connects);
    snprintf(name, sizeof name, "poll.%s.memory", s->what);
    const struct bench_figure memory = {.what = name,
                                        .figure = ours->memory_mb,
                                        .unit = "MB",
                                        .aim = s->most_mb > 0 ? AIM_AT_MOST : AIM_NONE,
                                        .target = s->most_mb};
    bench_tell(&memory);
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    const struct shape shapes[] = {
        {"100", 100, 16, false, 0},
        {"1000", 1000, 64, false, 0},
        {"10000", 10000, 256, false, 64},
        bench_is_full() ? (struct shape){"https.9000", 9000, 256, true, 450}
                        : (struct shape){"https.1000", 1000, 64, true, 0}, /* handshakes take their time */
    };
    double seconds[4];
    for (size_t k = 0; k < sizeof shapes / sizeof *shapes; k++) {
        const struct shape *s = &shapes[k];
        const struct mock_options options = {
            .sources = s->targets, .fans = 4, .period_ms = 10000, .history_s = 3600, .tls = s->tls};
        struct mock m;
        mock_start(&m, &options);
        struct measured ours = measure(&m, s);
        tell(s, &ours, measure_wrk(&m, s));
        mock_stop(&m);
        seconds[k] = ours.cpu_s / ours.requests * s->targets;
    }
    bench_tell_growth("poll.targets", seconds[1], seconds[2]);
}
