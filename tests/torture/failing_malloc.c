/*
 * A preload library that lets the N-th allocation of a program fail, counted from the beginning of main.
 *
 * TORTURE_AT=N (0: none), TORTURE_FOR_EVER=1: all from the N-th on. TORTURE_COUNT=FILE: how many there were
 * is written there at the end. TORTURE_FROM_COPY=1: counted from where the first COPY was sent. A program
 * that dies by a signal says on standard error where it stood.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <execinfo.h>
#include <fcntl.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* The C library's own, beneath what this file replaces. */
void *__libc_malloc(size_t size);
void *__libc_calloc(size_t count, size_t size);
void *__libc_realloc(void *p, size_t size);

typedef int main_fn(int, char **, char **);
int __libc_start_main(main_fn *program, int argc, char **argv, main_fn *init, void (*fini)(void),
                      void (*rtld_fini)(void), void *stack_end);
int PQsendQuery(void *conn, const char *text);

static atomic_ulong count;
static atomic_bool armed;
static unsigned long fail_at;
static bool for_ever;
static main_fn *program_main;

static bool fails(void)
{
    if (!atomic_load(&armed))
        return false;
    unsigned long n = atomic_fetch_add(&count, 1) + 1;
    bool now = fail_at && (n == fail_at || (for_ever && n > fail_at));
    if (now)
        errno = ENOMEM;
    return now;
}

void *malloc(size_t size)
{
    return fails() ? NULL : __libc_malloc(size);
}

void *calloc(size_t n, size_t size)
{
    return fails() ? NULL : __libc_calloc(n, size);
}

void *realloc(void *p, size_t size)
{
    return fails() ? NULL : __libc_realloc(p, size);
}

static void say_count(void)
{
    const char *path = getenv("TORTURE_COUNT");
    char text[32];
    if (!path)
        return;
    int length = snprintf(text, sizeof text, "%lu\n", atomic_load(&count));
    int file = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
    if (file >= 0) {
        (void)!write(file, text, (size_t)length);
        close(file);
    }
}

static void on_death(int signal)
{
    enum { FRAMES = 40 };
    static const char head[] = "died here:\n";
    void *frames[FRAMES];
    atomic_store(&armed, false);
    (void)!write(STDERR_FILENO, head, sizeof head - 1);
    backtrace_symbols_fd(frames, backtrace(frames, FRAMES), STDERR_FILENO);
    raise(signal); /* its own action is the usual one again */
}

static void tell_deaths(void)
{
    static const int signals[] = {SIGSEGV, SIGABRT, SIGBUS, SIGFPE, SIGILL};
    struct sigaction action = {.sa_handler = on_death, .sa_flags = (int)SA_RESETHAND | SA_NODEFER};
    void *frame;
    backtrace(&frame, 1); /* the first call loads a library, which needs memory */
    for (size_t k = 0; k < sizeof signals / sizeof *signals; k++)
        sigaction(signals[k], &action, NULL);
}

/* Stands before libpq's. */
int PQsendQuery(void *conn, const char *text)
{
    int (*send)(void *, const char *);
    *(void **)&send = dlsym(RTLD_NEXT, "PQsendQuery");
    int sent = send(conn, text);
    if (strstr(text, "COPY "))
        atomic_store(&armed, true);
    return sent;
}

static int counted_main(int argc, char **argv, char **environment)
{
    const char *at = getenv("TORTURE_AT"), *ever = getenv("TORTURE_FOR_EVER");
    fail_at = at ? strtoul(at, NULL, 10) : 0;
    for_ever = ever && *ever == '1';
    tell_deaths();
    atexit(say_count);
    atomic_store(&armed, !getenv("TORTURE_FROM_COPY"));
    return program_main(argc, argv, environment);
}

int __libc_start_main(main_fn *program, int argc, char **argv, main_fn *init, void (*fini)(void),
                      void (*rtld_fini)(void), void *stack_end)
{
    int (*start)(main_fn *, int, char **, main_fn *, void (*)(void), void (*)(void), void *);
    *(void **)&start = dlsym(RTLD_NEXT, "__libc_start_main");
    program_main = program;
    return start(counted_main, argc, argv, init, fini, rtld_fini, stack_end);
}
