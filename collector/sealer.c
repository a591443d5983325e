#include "sealer.h"

#include "base/clock.h"
#include "base/log.h"
#include "seal.h"
#include "settings.h"
#include "signals.h"
#include "upkeep.h"

#include <errno.h>
#include <inttypes.h>
#include <signal.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

/* Its exit status. */
enum { SEALED, AGAIN, FAILED };
enum {
    WAIT_FIRST_MS = 1000,
    WAIT_LAST_MS = 5 * 60 * 1000,
    STALL_S = 3600, /* a step that takes longer hangs */
};
#define AGAIN_US (60 * US_PER_S) /* when something was in use */

static void alive(void *context)
{
    (void)context;
    alarm(STALL_S);
}

static int seal_now(const struct primary *known, const struct seal_keep *keep)
{
    struct primary primary = *known;
    struct db *db;
    struct err err = {0};
    bool again = false;
    primary.path[0] = '\0'; /* the run keeps it */
    bool ok = settings_open_where(&db, primary_accept, &primary, &err) &&
              upkeep_seal(db, keep, alive, NULL, &again, &err);
    if (!ok)
        log_error("seal.failed", "why='%s'", err.text);
    return !ok ? FAILED : again ? AGAIN : SEALED;
}

/* Nothing that the run has open is touched, and nothing of it is ended in order. */
static _Noreturn void be_sealer(pid_t run, const struct primary *known, const struct seal_keep *keep)
{
    signals_usual();
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (getppid() != run)
        _exit(FAILED);
    close_range(STDERR_FILENO + 1, ~0U, 0);
    alive(NULL);
    _exit(seal_now(known, keep));
}

static void try_later(struct sealer *s, const char *why, int detail)
{
    int64_t doubled_ms = s->wait_ms ? 2 * s->wait_ms : WAIT_FIRST_MS;
    s->wait_ms = doubled_ms < WAIT_LAST_MS ? doubled_ms : WAIT_LAST_MS;
    s->due_ms = clock_mono_ms() + s->wait_ms;
    if (!signals_stop())
        log_error("seal.failed", "why='the sealer %s %d' again_in_s=%" PRId64, why, detail,
                  s->wait_ms / 1000);
}

static void start(struct sealer *s, const struct primary *known, const struct seal_keep *keep)
{
    pid_t run = getpid(), pid = fork();
    if (pid == 0)
        be_sealer(run, known, keep);
    if (pid > 0)
        s->pid = pid;
    else
        try_later(s, "was not started, error", errno);
}

static void look_after(struct sealer *s)
{
    int status;
    if (waitpid(s->pid, &status, WNOHANG) != s->pid)
        return;
    s->pid = 0;
    if (WIFSIGNALED(status)) {
        try_later(s, "was ended by signal", WTERMSIG(status));
    } else if (WEXITSTATUS(status) != SEALED && WEXITSTATUS(status) != AGAIN) {
        try_later(s, "ended with status", WEXITSTATUS(status));
    } else {
        int64_t now_us = clock_now_us();
        s->due_us = WEXITSTATUS(status) == AGAIN ? now_us + AGAIN_US : s->next_us;
        s->wait_ms = 0;
    }
}

void sealer_turn(struct sealer *s, const struct primary *known, const struct seal_keep *keep)
{
    int64_t now_us = clock_now_us();
    if (s->pid) {
        look_after(s);
    } else if (now_us >= s->due_us && clock_mono_ms() >= s->due_ms) {
        s->next_us = upkeep_seal_due(now_us);
        start(s, known, keep);
    }
}

void sealer_stop(struct sealer *s)
{
    if (!s->pid)
        return;
    kill(s->pid, SIGKILL);
    waitpid(s->pid, NULL, 0);
    s->pid = 0;
}
