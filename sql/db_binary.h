/*
 * Inside the database layer only: cells in the server's binary form, which is that of COPY, too.
 */
#ifndef SQL_DB_BINARY_H
#define SQL_DB_BINARY_H

#include "base/clock.h"

#include <endian.h>
#include <string.h>

static inline int64_t binary_64(const char *bytes)
{
    uint64_t v;
    memcpy(&v, bytes, sizeof v);
    return (int64_t)be64toh(v);
}

static inline int32_t binary_32(const char *bytes)
{
    uint32_t v;
    memcpy(&v, bytes, sizeof v);
    return (int32_t)be32toh(v);
}

static inline int16_t binary_16(const char *bytes)
{
    uint16_t v;
    memcpy(&v, bytes, sizeof v);
    return (int16_t)be16toh(v);
}

static inline double binary_double(const char *bytes)
{
    int64_t bits = binary_64(bytes);
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

/* The server counts from 2000-01-01; its largest and smallest number are infinity. */
enum { BINARY_EPOCH_DAY = 10957 };

static inline int32_t binary_day(const char *bytes)
{
    int32_t day = binary_32(bytes);
    return day == INT32_MIN || day > INT32_MAX - BINARY_EPOCH_DAY ? DAY_UNKNOWN : day + BINARY_EPOCH_DAY;
}

static inline int64_t binary_moment(const char *bytes)
{
    const int64_t us = binary_64(bytes), epoch_us = BINARY_EPOCH_DAY * US_PER_DAY;
    return us == INT64_MIN || us > INT64_MAX - epoch_us ? TIME_UNKNOWN : us + epoch_us;
}

#endif
