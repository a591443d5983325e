/*
 * The command "import FILE.csv ...": readings and conditions from files, each file once.
 *
 * A file is read twice: first all of it is checked, then it is stored in one transaction together with its
 * fingerprint. Memory does not grow with the file.
 */
#ifndef COLLECTOR_IMPORT_H
#define COLLECTOR_IMPORT_H

#include "base/err.h"

int import_command(const char *const *args, int count, struct err *err);

#endif
