#!/usr/bin/env bash
# The whole job on this machine, from nothing: an invented company's fleet, read over HTTP, ranked and printed.
#
# deploy/demo.sh         install what is missing, build, start a private PostgreSQL and the simulated fleet, read all of
#                        it, print ranking, demand and orders, write the packs to out/
# deploy/demo.sh shell   a shell in which both programs reach the demo's database
# deploy/demo.sh watch   collect live for a few minutes and show a drive going into warning
# deploy/demo.sh stop    stop the servers, keep the data
# deploy/demo.sh clean   stop the servers, remove var/ and out/
set -euo pipefail
cd "$(dirname "$0")/.."
var=$PWD/var out=$PWD/out bin=$PWD/build/bin

say() { printf '\n== %s  [%ss]\n' "$*" "$SECONDS"; }
fleet_runs() { [ -e "$var/fleet.pid" ] && kill -0 "$(cat "$var/fleet.pid")" 2>/dev/null; }

stop_fleet() {
    if fleet_runs; then
        kill "$(cat "$var/fleet.pid")"
        while fleet_runs; do sleep 0.1; done
    fi
    rm -f "$var/fleet.pid"
}

stop_all() {
    stop_fleet
    [ ! -d "$var/postgres" ] || deploy/private-postgres.sh stop "$var/postgres"
}

build() {
    deploy/packages.sh build
    say "building"
    mkdir -p "$var"
    if ! { cmake -S . -B build -DPROFILE="${PROFILE:-dev}" && cmake --build build -j "$(nproc)" --target vaneward-collector vaneward-reporter fleet-simulator; } >"$var/build.log" 2>&1; then
        tail -n 30 "$var/build.log" >&2
        echo "the build failed; all of it is in var/build.log" >&2
        exit 70
    fi
}

use_database() {
    local settings
    settings=$(deploy/private-postgres.sh start "$var/postgres")
    eval "export $settings"
}

# Waits for the simulated fleet's line "ready URL" and sets $fleet.
start_fleet() {
    rm -rf "$var/fleet"
    mkdir -p "$var/fleet"
    : >"$var/fleet.log" # now, not when the background job gets to it: the line "ready" of the last run stands there
    "$bin/fleet-simulator" serve --out "$var/fleet" --until "$(date -u -d '30 days ago' +%Y-%m-%dT%H:00:00Z)" --live \
        >"$var/fleet.log" 2>&1 &
    echo $! >"$var/fleet.pid"
    for _ in $(seq 300); do
        fleet=$(sed -n 's/^ready //p' "$var/fleet.log")
        [ -z "$fleet" ] || { echo "$fleet" >"$var/fleet.url" && return 0; }
        fleet_runs || { cat "$var/fleet.log" >&2 && exit 70; }
        sleep 0.1
    done
    echo "the simulated fleet did not start; see var/fleet.log" >&2
    exit 70
}

demo() {
    build
    say "starting a private PostgreSQL in var/"
    stop_fleet
    deploy/private-postgres.sh remove "$var/postgres" # a second run starts from nothing
    use_database
    "$bin/vaneward-collector" prepare

    say "starting the simulated fleet: an invented company with 400 days of history"
    start_fleet
    say "loading the register from var/fleet/register"
    "$bin/vaneward-collector" register "$var/fleet/register"
    say "reading every source over HTTP until 30 days ago"
    "$bin/vaneward-collector" run --catch-up
    say "30 days go by (one source restarts, one forgets too fast); reading until now"
    curl -sS -X POST "$fleet/control/advance?to=end" >/dev/null
    "$bin/vaneward-collector" run --catch-up

    say "drives at risk, dearest first"
    "$bin/vaneward-reporter" rank --horizon 30
    say "spare fans that the next 90 days will ask for"
    "$bin/vaneward-reporter" demand --horizon 90
    say "what to order now"
    "$bin/vaneward-reporter" stock
    say "writing the packs"
    rm -rf "$out"
    mkdir -p "$out"
    for pack in site procurement fleet; do
        "$bin/vaneward-reporter" pack "$pack" --out "$out"
    done

    say "done"
    ls -l "$out" | awk 'NR > 1 {printf "  out/%s  (%d kB)\n", $NF, $5 / 1024}'
    cat <<'END'
Look first at the site packs (out/*_site_*.pdf): page 1 says what to do this week, a job sheet per drive follows.
Then the procurement pack (what to order, and why) and the fleet pack (sites side by side).
Next: deploy/demo.sh watch   see a drive go into warning, live
      deploy/demo.sh shell   try the commands yourself
      deploy/demo.sh stop | clean
END
}

need_demo() {
    [ -d "$var/postgres" ] && [ -x "$bin/vaneward-reporter" ] || { echo "run deploy/demo.sh first" >&2; exit 64; }
    use_database
}

open_shell() {
    need_demo
    echo "vaneward-collector and vaneward-reporter reach the demo's database; try: vaneward-reporter rank; leave with exit"
    PATH=$bin:$PATH PS1='(vaneward demo) \w\$ ' exec "${SHELL_FOR_DEMO:-bash}" --norc
}

# The simulated fleet goes on in real time after its history; one drive is made to slow down.
watch() {
    need_demo
    fleet_runs || { echo "the simulated fleet is not running: run deploy/demo.sh again" >&2; exit 69; }
    local drive
    drive=$(psql -qAtc "SELECT drive FROM vaneward.binding WHERE role = 'drive_condition' AND drive IN
        (SELECT drive FROM vaneward.binding WHERE role = 'fan_speed') ORDER BY random() LIMIT 1")
    curl -sS -X POST "$(cat "$var/fleet.url")/control/fault?drive=$drive" >/dev/null
    echo "a fan of drive $drive begins to slow down: a warning will come, and the alarm a minute later"
    echo "collecting for 3 minutes; new episodes are shown as they are stored (stop with Ctrl-C)"
    "$bin/vaneward-collector" run >"$var/collector.log" 2>&1 &
    collector=$! # not local: the trap outlives this function
    local shown="" now
    trap 'kill $collector 2>/dev/null || true' EXIT
    for _ in $(seq 90); do
        now=$(psql -qAt -F ' | ' -c "SELECT to_char(began_at, 'HH24:MI:SS'), site, drive, fault, outcome,
            coalesce('alarm at ' || to_char(alarm_at, 'HH24:MI:SS'), '') FROM vaneward.episode
            WHERE known_until IS NULL AND began_at > now() - interval '15 minutes' ORDER BY began_at")
        [ "$now" = "$shown" ] || printf '%s\n%s\n' "$(date -u +%H:%M:%S)  began (UTC) | site | drive | fault | outcome" "$now"
        shown=$now
        sleep 2
    done
}

case ${1:-demo} in
demo) demo ;;
shell) open_shell ;;
watch) watch ;;
stop) stop_all ;;
clean)
    stop_fleet
    deploy/private-postgres.sh remove "$var/postgres"
    rm -rf "$var" "$out"
    ;;
*) sed -n '2,10s/^# \{0,1\}//p' "$0" && exit 64 ;;
esac
