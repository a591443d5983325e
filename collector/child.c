#include "child.h"

#include "base/clock.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

/* A file in memory: reading it can block neither side. */
static int input_file(const char *input)
{
    int fd = memfd_create("input", MFD_CLOEXEC);
    size_t size = strlen(input);
    if (fd < 0)
        return -1;
    if (write(fd, input, size) != (ssize_t)size || write(fd, "\n", 1) != 1 || lseek(fd, 0, SEEK_SET) != 0) {
        close(fd);
        return -1;
    }
    return fd;
}

/* Settings that serve any program; none of ours, which may hold secrets. */
static char **small_environment(void)
{
    static const char *const names[] = {"PATH", "HOME", "LANG", "LC_ALL", "TZ", "TMPDIR"};
    enum { NAMES = sizeof names / sizeof *names };
    char **small = calloc(NAMES + 1, sizeof *small);
    if (!small)
        err_no_memory();
    size_t n = 0;
    for (size_t k = 0; k < NAMES; k++) {
        const char *value = getenv(names[k]);
        if (value && asprintf(&small[n++], "%s=%s", names[k], value) < 0)
            err_no_memory();
    }
    return small;
}

static void free_environment(char **small)
{
    for (char **at = small; *at; at++)
        free(*at);
    free(small);
}

static int spawn(struct child *c, const char *program, int input)
{
    posix_spawn_file_actions_t files;
    posix_spawnattr_t manner;
    sigset_t usual, none;
    char *path = strdup(program);
    if (!path)
        err_no_memory();
    char *args[] = {path, NULL}, **environment = small_environment();
    posix_spawn_file_actions_init(&files);
    posix_spawn_file_actions_adddup2(&files, input, STDIN_FILENO);
    posix_spawn_file_actions_addopen(&files, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
    posix_spawn_file_actions_addclosefrom_np(&files, STDERR_FILENO + 1);
    posix_spawnattr_init(&manner);
    sigemptyset(&none);
    sigfillset(&usual);
    posix_spawnattr_setsigmask(&manner, &none);
    posix_spawnattr_setsigdefault(&manner, &usual);
    posix_spawnattr_setpgroup(&manner, 0);
    posix_spawnattr_setflags(&manner, POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
    int result = posix_spawn(&c->pid, program, &files, &manner, args, environment);
    posix_spawnattr_destroy(&manner);
    posix_spawn_file_actions_destroy(&files);
    free_environment(environment);
    free(path);
    return result;
}

bool child_start(struct child *c, const char *program, const char *input, int64_t limit_ms, struct err *err)
{
    int fd = input_file(input);
    if (fd < 0)
        return err_set(err, ERR_SYSTEM, "cannot run '%s': no room for its input: %s", program,
                       strerror(errno));
    *c = (struct child){.deadline_ms = clock_mono_ms() + limit_ms};
    int result = spawn(c, program, fd);
    close(fd);
    return result == 0 || err_set(err, ERR_SYSTEM, "cannot run '%s': %s", program, strerror(result));
}

bool child_ended(struct child *c, char *why, size_t size)
{
    int status;
    if (!c->is_late && clock_mono_ms() >= c->deadline_ms) {
        c->is_late = true;
        kill(-c->pid, SIGKILL);
    }
    if (waitpid(c->pid, &status, WNOHANG) != c->pid)
        return false;
    if (c->is_late)
        snprintf(why, size, "it took too long and was ended");
    else if (WIFSIGNALED(status))
        snprintf(why, size, "ended by signal %d", WTERMSIG(status));
    else if (WEXITSTATUS(status))
        snprintf(why, size, "exit status %d", WEXITSTATUS(status));
    else
        why[0] = '\0';
    return true;
}

void child_kill(struct child *c)
{
    kill(-c->pid, SIGKILL);
    waitpid(c->pid, NULL, 0);
}
