/*
 * A private PostgreSQL for tests and benches: its own folder, its own socket, gone when the process that
 * started it ends.
 *
 * check runs each test in a child process. Start the server in an unchecked fixture, so that it belongs to
 * the parent; a child that ends leaves it alone. A test that must stop or kill a server starts one of its
 * own. When root runs the tests the server runs as the user postgres, else nobody. Whatever fails in here
 * ends the process with a message.
 */
#ifndef TESTS_SERVER_H
#define TESTS_SERVER_H

#include <stdbool.h>
#include <sys/types.h>

struct server;

struct server_options {
    bool loopback;               /* also on 127.0.0.1, at a free port */
    bool durable;                /* fsync as in real use; off by default, tests need no disk */
    const char *const *settings; /* further "name=value" of postgresql.conf, NULL at the end; may be NULL */
};

struct server *server_start(const struct server_options *options); /* NULL: none */
/* Ends it with a signal: SIGTERM waits for sessions, SIGINT breaks them off, SIGQUIT as in a crash. */
void server_stop(struct server *s, int with_signal);
void server_start_again(struct server *s);
/* Stops it and deletes its folder; happens by itself at exit. */
void server_remove(struct server *s);

/* Connection strings; they live as long as the server. */
const char *server_conninfo(const struct server *s);
const char *server_loopback_conninfo(const struct server *s);
int server_port(const struct server *s);  /* on the loopback */
pid_t server_pid(const struct server *s); /* to stop and continue, or to kill from elsewhere */
/* Of a new database: empty, or with the schema as migrate() makes it. */
const char *server_empty_database(struct server *s);
const char *server_prepared_database(struct server *s);

#endif
