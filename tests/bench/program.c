#include "program.h"

#include "bench.h"

#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

enum { MOST_ARGS = 30 };

static _Noreturn void become(const char *const *args, const char *out)
{
    char program[600];
    char *own[MOST_ARGS + 1] = {NULL};
    ssize_t n = readlink("/proc/self/exe", program, sizeof program - 40);
    program[n > 0 ? n : 0] = '\0';
    strcpy(strrchr(program, '/') + 1, args[0]);
    for (size_t k = 0; k < MOST_ARGS && args[k]; k++)
        own[k] = strdup(args[k]);
    int to = open(out, O_WRONLY | O_CREAT | O_TRUNC, 0600), nowhere = open("/dev/null", O_WRONLY);
    dup2(to, STDOUT_FILENO);
    if (!getenv("BENCH_LOUD"))
        dup2(nowhere, STDERR_FILENO);
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    execv(program, own);
    _exit(127);
}

int program_start(const char *const *args, const char *out)
{
    fflush(stdout);
    pid_t pid = fork();
    if (pid < 0)
        bench_fail("cannot start '%s'", args[0]);
    if (pid == 0)
        become(args, out);
    return pid;
}

struct program_use program_end(int pid, int signal)
{
    struct rusage used;
    int status;
    if (signal)
        kill(pid, signal);
    if (wait4(pid, &status, 0, &used) != pid)
        bench_fail("cannot wait for a program");
    return (struct program_use){
        .status = WIFEXITED(status) ? WEXITSTATUS(status) : -1,
        .cpu_s = (double)(used.ru_utime.tv_sec + used.ru_stime.tv_sec) +
                 (double)(used.ru_utime.tv_usec + used.ru_stime.tv_usec) / 1e6,
        .memory_mb = (double)used.ru_maxrss / 1024,
    };
}
