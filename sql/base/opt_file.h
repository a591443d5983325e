/*
 * Inside the options only: the settings file. The only user of inih.
 */
#ifndef BASE_OPT_FILE_H
#define BASE_OPT_FILE_H

#include "base/arena.h"
#include "base/opts.h"

/*
 * Sets those of 'opts' that section [vaneward] names. Other keys are for other commands, or for the other
 * program, which share the file; one that looks like a slip of an option gets a notice on standard error.
 * Texts lie in mem; 'texts', one an option, keeps them for the next time: NULL at first.
 */
MUST_USE bool opt_file_apply(const char *path, const struct opt *const *opts, size_t count,
                             const char **texts, struct arena *mem, struct err *err);

#endif
