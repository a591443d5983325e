/* Each statement's head lines against the server's own description of it: this test alone asks libpq
 * directly. */
#include "server.h"

#include "db.h"
#include "queries.h"

#include <check.h>
#include <libpq-fe.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

static struct server *server;
static const char *conninfo;
static PGconn *conn;
static struct arena *mem;

static void start_server(void)
{
    server = server_start(NULL);
    conninfo = server_prepared_database(server);
}

static void open_session(void)
{
    mem = arena_new(SIZE_MAX);
    conn = PQconnectdb(conninfo);
    ck_assert_msg(PQstatus(conn) == CONNECTION_OK, "%s", PQerrorMessage(conn));
}

static void close_session(void)
{
    PQfinish(conn);
    arena_free(mem);
}

/* The server's own name of a type that a head line gives in any spelling; the spelling itself when it knows
 * none. */
static const char *type_name(const char *spelling)
{
    PGresult *r =
        PQexecParams(conn, "SELECT format_type($1::regtype, NULL)", 1, NULL, &spelling, NULL, NULL, 0);
    const char *name = arena_printf(mem, "'%s' (%s)", spelling, PQresultErrorMessage(r));
    if (PQresultStatus(r) == PGRES_TUPLES_OK)
        name = arena_strdup(mem, PQgetvalue(r, 0, 0));
    PQclear(r);
    return name;
}

static const char *type_of_oid(Oid oid)
{
    char number[16];
    snprintf(number, sizeof number, "%u", oid);
    const char *const params[] = {number};
    PGresult *r = PQexecParams(conn, "SELECT format_type($1::oid, NULL)", 1, NULL, params, NULL, NULL, 0);
    const char *name = arena_strdup(mem, PQgetvalue(r, 0, 0));
    PQclear(r);
    return name;
}

/* The type in the rest of a head line: up to its meaning in brackets, blanks cut. */
static const char *type_in(const char *rest)
{
    const char *end = strstr(rest, " (");
    size_t n = end ? (size_t)(end - rest) : strlen(rest);
    while (n && rest[n - 1] == ' ')
        n--;
    return type_name(arena_strndup(mem, rest, n));
}

/* "1 text\n2 integer\n-> drive text\n": what is promised, and what the server says, in the same form. */
static const char *promised(const char *head)
{
    char *lines = arena_strdup(mem, head), *state;
    const char *out = "";
    for (char *line = strtok_r(lines, "\n", &state); line; line = strtok_r(NULL, "\n", &state)) {
        char *word = line + strlen("-- "), *rest = strchr(word, ' ');
        ck_assert_msg(rest, "no type in '%s'", line);
        *rest++ = '\0';
        rest += strspn(rest, " ");
        if (strcmp(word, "->") == 0) {
            char *type = strchr(rest, ' ');
            ck_assert_msg(type, "no type in '%s'", rest);
            *type++ = '\0';
            type += strspn(type, " ");
            out = arena_printf(mem, "%s-> %s %s\n", out, rest, type_in(type));
        } else {
            out = arena_printf(mem, "%s%s %s\n", out, word, type_in(rest));
        }
    }
    return out;
}

static const char *described(const PGresult *r)
{
    const char *out = "";
    for (int k = 0; k < PQnparams(r); k++)
        out = arena_printf(mem, "%s$%d %s\n", out, k + 1, type_of_oid(PQparamtype(r, k)));
    for (int k = 0; k < PQnfields(r); k++)
        if (strcmp(type_of_oid(PQftype(r, k)), "void") != 0)
            out = arena_printf(mem, "%s-> %s %s\n", out, PQfname(r, k), type_of_oid(PQftype(r, k)));
    return out;
}

/* COPY cannot be prepared: it must begin. */
static void check_copy(const struct query *q)
{
    PGresult *r = PQexec(conn, q->text);
    ck_assert_msg(PQresultStatus(r) == PGRES_COPY_IN, "%s.sql: %s", q->name, PQresultErrorMessage(r));
    PQclear(r);
}

START_TEST(a_statement_keeps_the_promise_of_its_head_lines)
{
    const struct query *q = query_promises[_i].query;
    if (strncasecmp(q->text, "COPY ", 5) == 0) {
        check_copy(q);
        return;
    }
    PGresult *r = PQprepare(conn, "", q->text, 0, NULL);
    ck_assert_msg(PQresultStatus(r) == PGRES_COMMAND_OK, "%s.sql: %s", q->name, PQresultErrorMessage(r));
    PQclear(r);
    r = PQdescribePrepared(conn, "");
    ck_assert_msg(PQresultStatus(r) == PGRES_COMMAND_OK, "%s.sql: %s", q->name, PQresultErrorMessage(r));
    const char *promise = promised(query_promises[_i].text), *server_says = described(r);
    int params = PQnparams(r);
    PQclear(r);
    ck_assert_msg(strcmp(promise, server_says) == 0, "%s.sql promises\n%sthe server says\n%s", q->name,
                  promise, server_says);
    ck_assert_int_eq(q->params, params);
}
END_TEST

static Suite *suite(void)
{
    int count = 0;
    while (query_promises[count].query)
        count++;
    Suite *s = suite_create("contract");
    TCase *t = tcase_create("contract");
    tcase_set_timeout(t, 60);
    tcase_add_unchecked_fixture(t, start_server, NULL);
    tcase_add_checked_fixture(t, open_session, close_session);
    tcase_add_loop_test(t, a_statement_keeps_the_promise_of_its_head_lines, 0, count);
    suite_add_tcase(s, t);
    return s;
}

int main(void)
{
    SRunner *runner = srunner_create(suite());
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
