#include "signals.h"

#include <errno.h>
#include <signal.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

/* A little less than the whole time: the end takes some too. */
enum { CUT_MS = 3000, END_MS = SIGNALS_STOP_S * 1000 - 200 };

static volatile sig_atomic_t stop_asked, reload_asked, abandon_status;
static volatile sig_atomic_t link_socket = -1;

/* As alarm(), which counts in whole seconds. */
static void alarm_in(int ms)
{
    struct itimerval timer = {.it_value = {.tv_sec = ms / 1000, .tv_usec = ms % 1000 * 1000}};
    setitimer(ITIMER_REAL, &timer, NULL);
}

static void on_stop(int signal)
{
    if (stop_asked)
        _exit(128 + signal);
    stop_asked = 1;
    alarm_in(link_socket >= 0 ? CUT_MS : END_MS);
}

static void on_reload(int signal)
{
    (void)signal;
    reload_asked = 1;
}

/* What hangs is abandoned: no cursor has moved for what is not stored, so it will be read again. */
static void on_alarm(int signal)
{
    static const char words[] =
        "stop.abandoned: the database did not answer in time; what it has not stored will be "
        "read again\n";
    (void)signal;
    if (link_socket >= 0) {
        int kept = errno;
        shutdown(link_socket, SHUT_RDWR);
        link_socket = -1;
        alarm_in(END_MS - CUT_MS);
        errno = kept;
        return;
    }
    ssize_t written = write(STDERR_FILENO, words, sizeof words - 1);
    (void)written;
    _exit(abandon_status);
}

static void handle(int signal, void (*handler)(int))
{
    struct sigaction action = {.sa_handler = handler};
    sigemptyset(&action.sa_mask);
    sigaction(signal, &action, NULL);
}

void signals_catch(int status)
{
    abandon_status = status;
    handle(SIGTERM, on_stop);
    handle(SIGINT, on_stop);
    handle(SIGHUP, on_reload);
    handle(SIGALRM, on_alarm);
    handle(SIGPIPE, SIG_IGN);
}

void signals_usual(void)
{
    handle(SIGTERM, SIG_DFL);
    handle(SIGINT, SIG_DFL);
    handle(SIGHUP, SIG_IGN);
    handle(SIGALRM, SIG_DFL);
}

bool signals_stop(void)
{
    return stop_asked;
}

bool signals_reload(void)
{
    bool asked = reload_asked;
    reload_asked = 0;
    return asked;
}

void signals_cut(int socket)
{
    link_socket = socket;
}
