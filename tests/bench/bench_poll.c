/*
 * Polls of fetch in one thread against wrk, in requests of a CPU second of the client; connections are kept
 * and counted; and the memory that 10,000 sources need.
 */
#include "bench.h"
#include "fetch.h"
#include "mock.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
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

struct state {
    double answers, connections;
};

static struct state look(const struct mock *m)
{
    struct mock_ledger ledger = mock_ask_ledger(m, false);
    free(ledger.next);
    return (struct state){ledger.answers, ledger.connections};
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
    struct state before = look(m);
    double began = bench_cpu_s();
    struct measured out = {.requests = take_answers(&c, 0, bench_size(2, 8))};
    out.cpu_s = bench_cpu_s() - began;
    out.connects = look(m).connections - before.connections - 1; /* the look itself */
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

static int start_wrk(const struct mock *m, const struct shape *s)
{
    char connections[20], url[MOCK_URL];
    snprintf(connections, sizeof connections, "-c%u", s->targets);
    mock_url(m, 'f', 0, url);
    strcat(url, "/current");
    pid_t pid = fork();
    if (pid < 0)
        bench_fail("cannot start wrk: %s", strerror(errno));
    if (pid > 0)
        return pid;
    dup2(open("/dev/null", O_WRONLY), STDOUT_FILENO);
    execlp("wrk", "wrk", "-t1", connections, "-d600s", "--timeout", "60s", url, NULL);
    _exit(127);
}

/* Requests of a CPU second, once all its connections have been served: as ours are measured. */
static double measure_wrk(const struct mock *m, const struct shape *s)
{
    struct state at_start = look(m), before = at_start;
    int pid = start_wrk(m, s);
    for (int k = 0; before.answers - at_start.answers < 3.0 * s->targets; k++) {
        if (k == 300 || waitpid(pid, NULL, WNOHANG) != 0)
            bench_fail("wrk does not get on; is it installed?");
        usleep(500000);
        before = look(m);
    }
    double cpu_s = bench_cpu_of_s(pid);
    usleep((useconds_t)(bench_size(2, 8) * 1e6));
    double answers = look(m).answers - before.answers;
    cpu_s = bench_cpu_of_s(pid) - cpu_s;
    kill(pid, SIGKILL);
    waitpid(pid, NULL, 0);
    return answers / cpu_s;
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
                                          .unit = "connects/poll",
                                          .aim = AIM_AT_MOST,
                                          .target = 0};
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
        bench_is_full() ? (struct shape){"https.10000", 10000, 256, true, 450}
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
