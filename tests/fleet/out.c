#include "out.h"

#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

enum { CHUNK = 1 << 20 };

void die(const char *format, ...)
{
    va_list args;

    fputs("fleet-simulator: ", stderr);
    va_start(args, format);
    vfprintf(stderr, format, args);
    va_end(args);
    fputc('\n', stderr);
    exit(70);
}

/* The room is the next power of two, so it doubles whenever the count reaches one. */
void *grown(void *array, size_t count, size_t size)
{
    void *bigger;

    if (count && (count & (count - 1)))
        return array;
    bigger = realloc(array, (count ? 2 * count : 1) * size);
    if (!bigger)
        die("out of memory");
    return bigger;
}

static void make_folder(const char *path)
{
    if (mkdir(path, 0777) && errno != EEXIST)
        die("cannot make the folder '%s': %s", path, strerror(errno));
}

struct out out_to_file(const char *dir, const char *folder, const char *name)
{
    char path[4096];
    struct out o = {.name = name};

    make_folder(dir);
    snprintf(path, sizeof path, "%s/%s", dir, folder);
    make_folder(path);
    snprintf(path, sizeof path, "%s/%s/%s", dir, folder, name);
    o.file = fopen(path, "wb");
    if (!o.file)
        die("cannot write '%s': %s", path, strerror(errno));
    return o;
}

static void flush(struct out *o)
{
    if (fwrite(o->data, 1, o->size, o->file) != o->size)
        die("cannot write '%s': %s", o->name, strerror(errno));
    o->size = 0;
}

void out_close(struct out *o)
{
    if (o->file) {
        flush(o);
        if (fclose(o->file))
            die("cannot write '%s': %s", o->name, strerror(errno));
    }
    free(o->data);
    *o = (struct out){0};
}

static char *room_for(struct out *o, size_t more)
{
    if (o->file && o->size >= CHUNK)
        flush(o);
    if (o->room - o->size < more) {
        o->room = 2 * (o->size + more) + 4096;
        o->data = realloc(o->data, o->room);
        if (!o->data)
            die("out of memory");
    }
    return o->data + o->size;
}

void out_bytes(struct out *o, const char *bytes, size_t size)
{
    memcpy(room_for(o, size), bytes, size);
    o->size += size;
}

void out_text(struct out *o, const char *text)
{
    out_bytes(o, text, strlen(text));
}

void out_int(struct out *o, int64_t value)
{
    char digits[24];
    char *p = digits + sizeof digits;
    uint64_t rest = value < 0 ? 0 - (uint64_t)value : (uint64_t)value;

    do
        *--p = (char)('0' + rest % 10);
    while (rest /= 10);
    if (value < 0)
        *--p = '-';
    out_bytes(o, p, (size_t)(digits + sizeof digits - p));
}

void out_format(struct out *o, const char *format, ...)
{
    va_list args, again;
    int size;

    va_start(args, format);
    va_copy(again, args);
    size = vsnprintf(NULL, 0, format, args);
    va_end(args);
    if (size < 0)
        die("cannot format text");
    vsnprintf(room_for(o, (size_t)size + 1), (size_t)size + 1, format, again);
    va_end(again);
    o->size += (size_t)size;
}

void out_xml(struct out *o, const char *text)
{
    static const struct {
        char plain;
        const char *escaped;
    } marks[] = {{'&', "&amp;"}, {'<', "&lt;"}, {'>', "&gt;"}, {'"', "&quot;"}, {'\'', "&apos;"}};

    for (; *text; text++) {
        size_t i = 0;

        while (i < 5 && marks[i].plain != *text)
            i++;
        if (i < 5)
            out_text(o, marks[i].escaped);
        else
            out_bytes(o, text, 1);
    }
}

void out_json(struct out *o, const char *text)
{
    out_text(o, "\"");
    for (; *text; text++) {
        if (*text == '"' || *text == '\\')
            out_text(o, "\\");
        if ((unsigned char)*text < ' ')
            out_format(o, "\\u%04x", (unsigned)*text);
        else
            out_bytes(o, text, 1);
    }
    out_text(o, "\"");
}

void out_field(struct out *o, const char *text, char separator)
{
    if (text && strpbrk(text, ",\"\r\n")) {
        out_text(o, "\"");
        for (; *text; text++) {
            if (*text == '"')
                out_text(o, "\"");
            out_bytes(o, text, 1);
        }
        out_text(o, "\"");
    } else if (text) {
        out_text(o, text);
    }
    out_bytes(o, &separator, 1);
}
