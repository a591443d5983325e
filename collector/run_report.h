/*
 * What a run tells the person who started it: its progress on a terminal, and a summary at its end.
 */
#ifndef COLLECTOR_RUN_REPORT_H
#define COLLECTOR_RUN_REPORT_H

#include "reader.h"

/* One line that writes over the one before. */
void run_report_progress(const struct reader *reader, int64_t run_ms);
/* As text or JSON, to standard output. False: it cannot be written. */
MUST_USE bool run_report_summary(const struct reader *reader, int64_t run_ms);

#endif
