#include "mock.h"

#include "bench.h"

#include <inttypes.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

/* Also when the benchmark fails. */
static char certificate_made[64];

static void remove_certificate(void)
{
    unlink(certificate_made);
}

/* A certificate for all of the addresses, and its key behind it. */
static void make_certificate(struct mock *m)
{
    struct buffer names = {0};
    char part[32];
    strcpy(m->certificate, "/tmp/vaneward-bench-XXXXXX");
    int fd = mkstemp(m->certificate);
    if (fd < 0)
        bench_fail("cannot make a file in /tmp");
    close(fd);
    strcpy(certificate_made, m->certificate);
    atexit(remove_certificate);
    for (int k = 0; k < MOCK_ADDRESSES; k++) {
        int n = snprintf(part, sizeof part, ",IP:127.0.1.%d", k + 1);
        buffer_add(&names, part, (size_t)n);
    }
    buffer_add(&names, "", 1);
    char *command = NULL;
    if (asprintf(
            &command,
            "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=bench "
            "-addext 'subjectAltName=IP:127.0.0.1%s' -keyout %s.key -out %s 2>/dev/null && "
            "cat %s.key >>%s && rm %s.key",
            names.data, m->certificate, m->certificate, m->certificate, m->certificate, m->certificate) < 0)
        err_no_memory();
    if (system(command) != 0)
        bench_fail("cannot make a certificate with openssl");
    free(command);
    buffer_free(&names);
}

static _Noreturn void become_mock(const struct mock *m, int out)
{
    char program[512], numbers[5][24];
    ssize_t n = readlink("/proc/self/exe", program, sizeof program - 20);
    program[n > 0 ? n : 0] = '\0';
    strcpy(strrchr(program, '/') + 1, "mock_fleet");
    const int64_t ports = (m->options.sources + MOCK_ADDRESSES - 1) / MOCK_ADDRESSES;
    const int64_t values[] = {m->options.sources, m->options.fans, m->options.period_ms, m->options.history_s,
                              ports};
    for (int k = 0; k < 5; k++)
        snprintf(numbers[k], sizeof numbers[k], "%" PRId64, values[k]);
    dup2(out, STDOUT_FILENO);
    execl(program, "mock_fleet", numbers[0], numbers[1], numbers[2], numbers[3], numbers[4],
          m->options.tls ? m->certificate : NULL, NULL);
    _exit(127);
}

void mock_start(struct mock *m, const struct mock_options *options)
{
    int out[2];
    *m = (struct mock){.options = *options};
    if (options->tls)
        make_certificate(m);
    if (pipe(out) != 0 || (m->pid = fork()) < 0)
        bench_fail("cannot start the mock fleet");
    if (m->pid == 0)
        become_mock(m, out[1]);
    close(out[1]);
    FILE *said = fdopen(out[0], "r");
    if (!said || fscanf(said, "%u %" SCNd64, &m->port, &m->plant.begins_us) != 2)
        bench_fail("the mock fleet does not begin");
    fclose(said);
    m->plant.fans = options->fans;
    m->plant.period_us = options->period_ms * 1000;
}

void mock_stop(struct mock *m)
{
    kill(m->pid, SIGTERM);
    waitpid(m->pid, NULL, 0);
    if (*m->certificate)
        unlink(m->certificate);
}

/* The system's curl, so that the project's own client is not counted. */
static FILE *ask(const struct mock *m, const char *path)
{
    char command[200];
    snprintf(command, sizeof command, "curl -s -k %s://127.0.0.1:%u/%s", m->options.tls ? "https" : "http",
             m->port, path);
    FILE *in = popen(command, "r");
    if (!in)
        bench_fail("cannot run curl");
    return in;
}

struct mock_ledger mock_ask_ledger(const struct mock *m, bool freeze)
{
    struct mock_ledger out = {.next = calloc(m->options.sources, sizeof *out.next)};
    uint32_t source;
    uint64_t next;
    if (!out.next)
        err_no_memory();
    if (freeze)
        pclose(ask(m, "freeze"));
    FILE *in = ask(m, "ledger");
    if (fscanf(in, "answers %lf connections %lf late %lf", &out.answers, &out.connections, &out.late_p99_s) !=
        3)
        bench_fail("the mock fleet does not tell its ledger");
    while (fscanf(in, "%" SCNu32 " %" SCNu64, &source, &next) == 2) {
        out.next[source] = next;
        out.observations += (double)(next - 1);
    }
    pclose(in);
    return out;
}

void mock_url(const struct mock *m, char format, uint32_t source, char url[static MOCK_URL])
{
    snprintf(url, MOCK_URL, "%s://127.0.1.%u:%u/%c%u", m->options.tls ? "https" : "http",
             1 + source % MOCK_ADDRESSES, m->port + source / MOCK_ADDRESSES, format, source);
}
