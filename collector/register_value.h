/*
 * One field of the register: may it stand there, and how is it stored. Pure.
 */
#ifndef COLLECTOR_REGISTER_VALUE_H
#define COLLECTOR_REGISTER_VALUE_H

#include "register_tables.h"

#include "base/arena.h"

#include <stdint.h>

/*
 * Checks a field that is not empty. *value becomes the form that is stored. False: *why says what is wrong
 * and what would be right, fit to stand after "column 'value': ".
 */
MUST_USE bool register_value(const struct register_column *c, const char **value, int64_t now_us,
                             struct arena *mem, const char **why);

/* A list for messages: "a, b or c". */
const char *register_word_list(const char *const *words, struct arena *mem);

#endif
