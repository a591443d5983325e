#include "ground.h"

#include "base/clock.h"
#include "bench.h"
#include "server.h"

#include <arpa/inet.h>
#include <endian.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int64_t postgres_epoch_us = INT64_C(946684800) * US_PER_S;

static const char *const settings[] = {"shared_buffers=512MB",     "min_wal_size=1GB",   "max_wal_size=4GB",
                                       "checkpoint_timeout=30min", "max_connections=30", NULL};

static int pid_of(struct db *db)
{
    static const struct query q = {"bench_pid", "SELECT pg_backend_pid() AS pid", 0};
    struct err err = {0};
    struct rows *r;
    bench_must(db_query(db, &q, NULL, 0, &r, &err), &err);
    int pid = (int)rows_int(r, 0, 0);
    rows_free(r);
    return pid;
}

void ground_open(struct ground *g)
{
    const struct server_options options = {.durable = true, .settings = settings};
    struct err err = {0};
    struct server *server = server_start(&options);
    g->conninfo = server_prepared_database(server);
    bench_must(db_open(&g->db, g->conninfo, "bench", &err), &err);
    db_set_deadline(g->db, 0);
    g->bare = PQconnectdb(g->conninfo);
    if (PQstatus(g->bare) != CONNECTION_OK)
        bench_fail("%s", PQerrorMessage(g->bare));
    g->db_pid = pid_of(g->db);
    g->bare_pid = PQbackendPID(g->bare);
    ground_do(g, "SET client_min_messages = warning");
}

void ground_age_log(struct ground *g)
{
    enum { FILES = 40 };
    for (int k = 0; k < FILES; k++)
        ground_do(g, "SELECT pg_logical_emit_message(false, '', ''); SELECT pg_switch_wal()");
    ground_do(g, "CHECKPOINT");
}

static PGresult *must(struct ground *g, PGresult *r, const char *sql)
{
    ExecStatusType s = PQresultStatus(r);
    if (s != PGRES_COMMAND_OK && s != PGRES_TUPLES_OK && s != PGRES_COPY_IN && s != PGRES_COPY_OUT)
        bench_fail("%s: %s", sql, PQerrorMessage(g->bare));
    return r;
}

void ground_do(struct ground *g, const char *sql)
{
    PQclear(must(g, PQexec(g->bare, sql), sql));
}

double ground_number(struct ground *g, const char *fmt, ...)
{
    char sql[1000];
    va_list args;
    va_start(args, fmt);
    vsnprintf(sql, sizeof sql, fmt, args);
    va_end(args);
    PGresult *r = must(g, PQexec(g->bare, sql), sql);
    double number = strtod(PQgetvalue(r, 0, 0), NULL);
    PQclear(r);
    return number;
}

double ground_wal(struct ground *g)
{
    return ground_number(g, "SELECT pg_current_wal_insert_lsn() - '0/0'::pg_lsn");
}

double ground_cpu_s(int pid)
{
    return bench_cpu_s() + bench_cpu_of_s(pid);
}

void ground_sources(struct ground *g, int sources)
{
    char sql[1000];
    snprintf(sql, sizeof sql,
             "INSERT INTO vaneward.site (site) VALUES ('s');"
             "INSERT INTO vaneward.source (site, source, url, format)"
             " SELECT 's', n::text, 'http://127.0.0.1/' || n, 'feed' FROM generate_series(1, %d) n;"
             "INSERT INTO vaneward.source_cursor (site, source, instance, next_sequence)"
             " SELECT 's', n::text, '1', 1 FROM generate_series(1, %d) n;"
             "ANALYZE",
             sources, sources);
    ground_do(g, sql);
}

static char *put_16(char *at, int16_t v)
{
    uint16_t n = htons((uint16_t)v);
    return (char *)memcpy(at, &n, sizeof n) + sizeof n;
}

static char *put_32(char *at, int32_t v)
{
    uint32_t n = htonl((uint32_t)v);
    return (char *)memcpy(at, &n, sizeof n) + sizeof n;
}

static char *put_64(char *at, int64_t v)
{
    uint64_t n = htobe64((uint64_t)v);
    return (char *)memcpy(at, &n, sizeof n) + sizeof n;
}

static void send_copy(struct ground *g, const char *bytes, const char *end)
{
    if (end > bytes && PQputCopyData(g->bare, bytes, (int)(end - bytes)) != 1)
        bench_fail("COPY: %s", PQerrorMessage(g->bare));
}

void ground_copy(struct ground *g, const struct reading *readings, size_t count)
{
    static const char head[19] = "PGCOPY\n\377\r\n";
    static char bytes[1 << 16];
    char *at = (char *)memcpy(bytes, head, sizeof head) + sizeof head;
    const char *sql = "COPY r (fan_no, read_at, rpm) FROM STDIN (FORMAT binary)";
    PQclear(must(g, PQexec(g->bare, sql), sql));
    for (size_t k = 0; k < count; k++) {
        at = put_16(at, 3);
        at = put_32(put_32(at, 4), (int32_t)readings[k].fan_no);
        at = put_64(put_32(at, 8), readings[k].at_us - postgres_epoch_us);
        at = put_32(put_32(at, 4), readings[k].milli_rpm / 1000);
        if (at - bytes > (ptrdiff_t)sizeof bytes - 64) {
            send_copy(g, bytes, at);
            at = bytes;
        }
    }
    send_copy(g, bytes, put_16(at, -1));
    if (PQputCopyEnd(g->bare, NULL) != 1)
        bench_fail("COPY: %s", PQerrorMessage(g->bare));
    for (PGresult *r; (r = PQgetResult(g->bare));)
        PQclear(must(g, r, sql));
}

double ground_copy_out(struct ground *g, const char *sql)
{
    char *row;
    double bytes = 0;
    PQclear(must(g, PQexec(g->bare, sql), sql));
    for (int n; (n = PQgetCopyData(g->bare, &row, 0)) > 0; bytes += n)
        PQfreemem(row);
    for (PGresult *r; (r = PQgetResult(g->bare));)
        PQclear(must(g, r, sql));
    return bytes;
}
