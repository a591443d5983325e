#include "base/err.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

bool err_set(struct err *err, enum err_kind kind, const char *fmt, ...)
{
    if (err->kind != ERR_NONE)
        return false;
    err->kind = kind;

    va_list args;
    va_start(args, fmt);
    vsnprintf(err->text, sizeof err->text, fmt, args);
    va_end(args);
    return false;
}

bool err_in(struct err *err, const char *fmt, ...)
{
    char place[400];
    va_list args;
    va_start(args, fmt);
    vsnprintf(place, sizeof place, fmt, args);
    va_end(args);

    char whole[sizeof err->text];
    snprintf(whole, sizeof whole, "%s: %s", place, err->text);
    memcpy(err->text, whole, sizeof whole);
    return false;
}

bool err_hint(struct err *err, const char *fmt, ...)
{
    if (err->hint[0])
        return false;
    va_list args;
    va_start(args, fmt);
    vsnprintf(err->hint, sizeof err->hint, fmt, args);
    va_end(args);
    return false;
}

void err_clear(struct err *err)
{
    *err = (struct err){0};
}

int err_exit_status(enum err_kind kind)
{
    switch (kind) {
    case ERR_NONE:
        return EX_OK;
    case ERR_USAGE:
        return EX_USAGE;
    case ERR_INPUT:
        return EX_DATAERR;
    case ERR_UNAVAILABLE:
    case ERR_REJECTED:
        return EX_UNAVAILABLE;
    case ERR_CONFIG:
        return EX_CONFIG;
    case ERR_OUTPUT:
        return EX_CANTCREAT;
    case ERR_SYSTEM:
        return EX_OSERR;
    }
    return EX_SOFTWARE;
}

void err_print(const char *program, const struct err *err)
{
    fprintf(stderr, "%s: %s\n", program, err->text);
    if (err->hint[0])
        fprintf(stderr, "hint: %s\n", err->hint);
}

void err_bug(const char *file, int line, const char *fmt, ...)
{
    fprintf(stderr, "bug at %s:%d: ", file, line);
    va_list args;
    va_start(args, fmt);
    vfprintf(stderr, fmt, args);
    va_end(args);
    fputc('\n', stderr);
    abort();
}

void err_no_memory(void)
{
    fputs("out of memory\n", stderr);
    exit(EX_OSERR);
}
