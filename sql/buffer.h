/*
 * Bytes that grow, for what is put together before it is sent or stored. Like an arena it never fails:
 * without memory the program ends.
 */
#ifndef SQL_BUFFER_H
#define SQL_BUFFER_H

#include <stddef.h>

struct buffer {
    char *data;
    size_t used, room;
};

/* Makes room for so many bytes more, and returns where they begin; the caller adds to 'used' what it wrote.
 */
void *buffer_room(struct buffer *b, size_t bytes);
void buffer_add(struct buffer *b, const void *data, size_t bytes);
void buffer_free(struct buffer *b);

#endif
