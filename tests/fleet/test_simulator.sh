#!/usr/bin/env bash
# The simulated fleet against itself: same seed, same bytes; what its servers show is what its ledger says.
set -euo pipefail
simulator=$1
here=$(dirname "$0")
work=$(mktemp -d)
server=
stop() {
    [ -z "$server" ] || kill "$server" 2>/dev/null || true
    rm -rf "$work"
}
trap stop EXIT
end=2026-11-25T16:00:00Z

fail() { echo "FAILED: $*" && exit 1; }

# serve NAME OPTIONS...: sets $server and $url
serve() {
    local name=$1
    shift
    "$simulator" serve --out "$work/$name" --small --end "$end" "$@" >"$work/$name.log" 2>&1 &
    server=$!
    for _ in $(seq 200); do
        url=$(sed -n 's/^ready //p' "$work/$name.log")
        [ -z "$url" ] || return 0
        sleep 0.1
    done
    cat "$work/$name.log"
    fail "the fleet did not start"
}

for run in one two; do
    "$simulator" write --out "$work/$run" --small --seed 7 --end "$end"
done
diff -r "$work/one" "$work/two" >/dev/null || fail "the same seed gave other bytes"
"$simulator" write --out "$work/two" --small --seed 8 --end "$end"
! cmp -s "$work/one/ledger/readings.csv" "$work/two/ledger/readings.csv" || fail "another seed gave the same readings"
echo "same seed, same bytes"

first_read=2026-11-20T16:00:00Z
serve history --until "$first_read" --first-read "$first_read"
python3 "$here/read_back.py" "$url" "$work/history" "$first_read"
kill "$server" && wait "$server"
server=

# Live: a fault on demand becomes a warning within seconds, and clearing it is told too.
serve live --live
drive=$(awk -F, 'NR > 1 && $3 == "OS-520" {print $1; exit}' "$work/live/register/drives.csv")
curl -sf -X POST "$url/control/fault?drive=$drive" >/dev/null || fail "no fault on $drive"
for _ in $(seq 40); do
    curl -sf "$url/pen-a/current" >"$work/current.xml"
    ! grep -q '<Warning' "$work/current.xml" || break
    sleep 0.5
done
grep -q 'nativeCode="osk.fan.lo"' "$work/current.xml" || fail "no warning came"
curl -sf -X POST "$url/control/clear?drive=$drive" >/dev/null || fail "the fault was not cleared"
sleep 3
! curl -sf "$url/pen-a/current" | grep -q '<Warning' || fail "the warning did not go"
echo "live: a warning came and went"
