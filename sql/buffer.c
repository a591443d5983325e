#include "buffer.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

enum { FIRST_ROOM = 4096 };

void *buffer_room(struct buffer *b, size_t bytes)
{
    if (b->room - b->used < bytes) {
        size_t room = b->room ? b->room : FIRST_ROOM;
        while (room - b->used < bytes)
            room *= 2;
        char *data = realloc(b->data, room);
        if (!data) {
            fprintf(stderr, "out of memory: %zu more bytes are not to be had\n", room);
            exit(EX_OSERR);
        }
        b->data = data;
        b->room = room;
    }
    return b->data + b->used;
}

void buffer_add(struct buffer *b, const void *data, size_t bytes)
{
    memcpy(buffer_room(b, bytes), data, bytes);
    b->used += bytes;
}

void buffer_free(struct buffer *b)
{
    free(b->data);
    *b = (struct buffer){0};
}
