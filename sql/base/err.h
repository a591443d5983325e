/*
 * What went wrong, in a sentence fit to print.
 *
 * A function that can fail returns bool and fills the caller's struct err. The first error wins: a later
 * err_set leaves it alone, so clean-up code cannot hide the cause. Callers add the place with err_in.
 * Text is lower case, without a full stop: "cannot open 'x.csv': no such file".
 */
#ifndef BASE_ERR_H
#define BASE_ERR_H

#include <stdbool.h>

#define MUST_USE __attribute__((warn_unused_result))
#define PRINTF_LIKE(fmt, args) __attribute__((format(printf, fmt, args)))

/* A kind says what the caller can do about it; it also decides the exit status. */
enum err_kind {
    ERR_NONE,
    ERR_USAGE,       /* the command line is wrong */
    ERR_INPUT,       /* the data are wrong: a file, an answer */
    ERR_UNAVAILABLE, /* a database or host does not answer: try again later */
    ERR_REJECTED,    /* the database refuses it: trying again would fail for ever */
    ERR_CONFIG,      /* settings, schema version or rights are wrong */
    ERR_OUTPUT,      /* a result cannot be written */
    ERR_SYSTEM,      /* the operating system refused */
};

struct err {
    enum err_kind kind;
    char sqlstate[6]; /* of the database's refusal, else empty */
    char text[2000];
    char hint[400]; /* what the reader can do, else empty */
};

/* All return false, so that a failing function can return them. */
bool err_set(struct err *err, enum err_kind kind, const char *fmt, ...) PRINTF_LIKE(3, 4);
/* Puts "place: " before the text. */
bool err_in(struct err *err, const char *fmt, ...) PRINTF_LIKE(2, 3);
bool err_hint(struct err *err, const char *fmt, ...) PRINTF_LIKE(2, 3);
void err_clear(struct err *err);

/* sysexits(3) number for a kind: 64 usage, 65 input, 69 unavailable or rejected, 71 system, 73 output, 78
 * config. */
int err_exit_status(enum err_kind kind);
/* "program: text" and, when there is one, "hint: ..." on standard error. */
void err_print(const char *program, const struct err *err);

/* A wrong program, not wrong data: says where and aborts. */
#define BUG(...) err_bug(__FILE__, __LINE__, __VA_ARGS__)
_Noreturn void err_bug(const char *file, int line, const char *fmt, ...) PRINTF_LIKE(3, 4);

/* Says so and ends the program with status 71: what was read and not yet stored is still with its source. */
_Noreturn void err_no_memory(void);

#endif
