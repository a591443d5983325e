#!/usr/bin/env bash
# Runs a command with a private, empty PostgreSQL behind the PG* environment, then stops and deletes the server.
# Usage: tests/with_postgres.sh COMMAND [ARGUMENT ...]; the exit status is the command's.
set -euo pipefail
[ $# -gt 0 ] || { echo "usage: tests/with_postgres.sh COMMAND [ARGUMENT ...]" >&2; exit 64; }

private=$(cd "$(dirname "$0")/.." && pwd)/deploy/private-postgres.sh
folder=$(mktemp -d /tmp/vaneward-test-XXXXXX)
chmod 755 "$folder" # the server may run as another user
trap '"$private" remove "$folder"' EXIT
settings=$(VANEWARD_PG_OPTIONS="-c fsync=off" "$private" start "$folder")
for setting in $settings; do
    export "${setting?}"
done
"$@"
