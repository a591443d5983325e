#include "signals.h"

#include <errno.h>
#include <signal.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { CUT_S = 3 };

static volatile sig_atomic_t stop_asked, reload_asked, abandon_status;
static volatile sig_atomic_t link_socket = -1;

static void on_stop(int signal)
{
    if (stop_asked)
        _exit(128 + signal);
    stop_asked = 1;
    alarm(link_socket >= 0 ? CUT_S : SIGNALS_STOP_S);
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
        alarm(SIGNALS_STOP_S - CUT_S);
        errno = kept;
        return;
    }
    ssize_t written = write(STDERR_FILENO, words, sizeof words - 1);
    (void)written;
    _exit(abandon_status);
}

void signals_catch(int status)
{
    static const struct {
        int signal;
        void (*handler)(int);
    } all[] = {
        {SIGTERM, on_stop}, {SIGINT, on_stop}, {SIGHUP, on_reload}, {SIGALRM, on_alarm}, {SIGPIPE, SIG_IGN}};
    abandon_status = status;
    for (size_t k = 0; k < sizeof all / sizeof *all; k++) {
        struct sigaction action = {.sa_handler = all[k].handler};
        sigemptyset(&action.sa_mask);
        sigaction(all[k].signal, &action, NULL);
    }
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
