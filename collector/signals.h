/*
 * What a running collector is told by signals: SIGTERM and SIGINT to end (twice: at once), SIGHUP to read its
 * settings and the register again.
 *
 * From the first signal to the end it takes 5 s at most, whatever hangs.
 */
#ifndef COLLECTOR_SIGNALS_H
#define COLLECTOR_SIGNALS_H

#include <stdbool.h>

enum { SIGNALS_STOP_S = 5 }; /* from the first signal to the end */

/* abandon_status: exit status of a run whose end hangs. */
void signals_catch(int abandon_status);
/* In a child: SIGTERM, SIGINT and SIGALRM end it at once, SIGHUP does nothing. */
void signals_usual(void);
bool signals_stop(void);
/* True once for each SIGHUP. */
bool signals_reload(void);
/* A socket that is shut down 3 s after the first signal, so that what hangs there goes to the spool; -1:
 * none. */
void signals_cut(int socket);

#endif
