/*
 * Text that grows: the only way by which the simulated fleet writes XML, JSON and CSV, to memory or to a
 * file. A failure to write or to get memory ends the program with a message.
 */
#ifndef FLEET_OUT_H
#define FLEET_OUT_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

struct out {
    char *data;
    size_t size, room;
    FILE *file; /* NULL: kept in memory */
    const char *name;
};

/* Prints a message on standard error and exits with status 70. */
_Noreturn void die(const char *format, ...) __attribute__((format(printf, 1, 2)));
/* Room for one more element of 'size' bytes in an array that holds 'count'; use only this on such an array.
 */
void *grown(void *array, size_t count, size_t size);

/* Writes to DIR/FOLDER/NAME; the folder is made when missing. */
struct out out_to_file(const char *dir, const char *folder, const char *name);
void out_close(struct out *o);

void out_bytes(struct out *o, const char *bytes, size_t size);
void out_text(struct out *o, const char *text);
void out_int(struct out *o, int64_t value);
void out_format(struct out *o, const char *format, ...) __attribute__((format(printf, 2, 3)));
void out_xml(struct out *o, const char *text);  /* with the five characters of XML escaped */
void out_json(struct out *o, const char *text); /* quoted */
/* One CSV field and the separator that follows it; NULL is an empty field. */
void out_field(struct out *o, const char *text, char separator);

#endif
