#!/usr/bin/env bash
# A private PostgreSQL in a folder: reached by a socket that only its owner (and root) can open, no network port, run by
# an unprivileged user also when root starts it.
# Usage: deploy/private-postgres.sh start|stop|remove FOLDER
# start prints the settings that lead to it: PGHOST=... PGPORT=5432 PGUSER=... PGDATABASE=...
set -euo pipefail

usage() { echo "usage: deploy/private-postgres.sh start|stop|remove FOLDER" >&2; exit 64; }
[ $# -eq 2 ] || usage
verb=$1
mkdir -p "$2"
folder=$(cd "$2" && pwd)
bin=$(ls -d /usr/lib/postgresql/*/bin 2>/dev/null | sort -V | tail -n 1)
[ -x "$bin/initdb" ] || { echo "PostgreSQL's server programs are not installed: run deploy/packages.sh" >&2; exit 69; }

owner=$(id -un)
if [ "$(id -u)" -eq 0 ]; then
    owner=postgres
    id -u postgres >/dev/null 2>&1 || owner=nobody
fi
# Runs as the owner, from a folder that it can stand in.
as_owner() {
    if [ "$(id -u)" -eq 0 ]; then
        (cd / && setpriv --reuid="$owner" --regid="$(id -g "$owner")" --clear-groups env HOME=/ "$@")
    else
        "$@"
    fi
}

# A server cannot run in a folder that its user cannot reach (a checkout in root's home): then the data lie in
# /var/tmp and the folder points there.
place() {
    if [ ! -e "$folder/where" ]; then
        if as_owner test -x "$folder"; then
            echo "$folder" >"$folder/where"
        else
            mktemp -d "/var/tmp/vaneward-XXXXXX" >"$folder/where"
            chmod 755 "$(cat "$folder/where")"
        fi
    fi
    cat "$folder/where"
}

# A socket's path has room for about 100 bytes.
socket_folder() {
    if [ ! -e "$folder/socket" ]; then
        mktemp -d /tmp/vaneward-pg-XXXXXX >"$folder/socket"
        chown "$owner" "$(cat "$folder/socket")"
        chmod 700 "$(cat "$folder/socket")"
    fi
    cat "$folder/socket"
}

running() {
    [ -e "$folder/where" ] && as_owner "$bin/pg_ctl" -D "$(cat "$folder/where")/data" status >/dev/null 2>&1
}

start() {
    local where data sockets
    where=$(place)
    data=$where/data
    sockets=$(socket_folder)
    if ! running; then
        if [ ! -e "$data/PG_VERSION" ]; then
            rm -rf "$data"
            install -d -o "$owner" -m 700 "$data"
            as_owner "$bin/initdb" -D "$data" -U vaneward -A trust -E UTF8 --locale=C.UTF-8 --no-sync >/dev/null
        fi
        install -d -o "$owner" -m 700 "$sockets" # it may have been swept from /tmp
        as_owner "$bin/pg_ctl" -D "$data" -l "$data/server.log" -w -t 60 -o "-c listen_addresses='' \
            -c unix_socket_directories=$sockets ${VANEWARD_PG_OPTIONS:-}" start >/dev/null ||
            { echo "the private PostgreSQL did not start; its log: $data/server.log" >&2; exit 69; }
        as_owner "$bin/psql" -q -h "$sockets" -U vaneward -d postgres \
            -c "CREATE DATABASE vaneward" >/dev/null 2>&1 || true # it is there after the first start
    fi
    echo "PGHOST=$sockets PGPORT=5432 PGUSER=vaneward PGDATABASE=vaneward"
}

# stop MODE. A server that was frozen hears nothing before it is woken.
stop() {
    local data main
    if running; then
        data=$(cat "$folder/where")/data
        main=$(head -n 1 "$data/postmaster.pid")
        # shellcheck disable=SC2046 # a list of numbers
        kill -CONT "$main" $(cat "/proc/$main/task/$main/children") 2>/dev/null || true
        as_owner "$bin/pg_ctl" -D "$data" -m "$1" -w stop >/dev/null
    fi
}

case $verb in
start) start ;;
stop) stop fast ;;
remove)
    stop immediate # what it would still write is thrown away
    [ ! -e "$folder/socket" ] || rm -rf "$(cat "$folder/socket")"
    if [ -e "$folder/where" ]; then
        where=$(cat "$folder/where")
        rm -rf "$where/data"
        [ "$where" = "$folder" ] || rm -rf "$where"
    fi
    rm -rf "$folder"
    ;;
*) usage ;;
esac
