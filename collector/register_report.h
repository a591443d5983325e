/*
 * What a load of the register says to people: issues on standard error, results on standard output.
 */
#ifndef COLLECTOR_REGISTER_REPORT_H
#define COLLECTOR_REGISTER_REPORT_H

#include "register_store.h"

/* The first hundred, then how many more. */
void register_print_issues(const struct register_load *r);
/* One line a file, or JSON. */
MUST_USE bool register_print_outcomes(const struct register_load *r, const struct register_outcome *outcomes,
                                      bool json, struct err *err);

#endif
