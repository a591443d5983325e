#!/usr/bin/env bash
# Installs what is missing, builds, runs every test. Usage: tests/run.sh [--long] [--only STAGE ...]
#
# Stages: lint; dev (gcc: every test but the soak); asan (gcc with address and undefined-behaviour sanitizers: unit, database, fuzz
# seeds); clang (a second compiler; fuzzers beside the stages that follow, for FUZZ_SECONDS each, 60 unless set). --long adds: the
# soak, tidy, coverage, valgrind, all points of the fault and torture tests. The last line counts all: "N passed, N failed, N skipped".
set -uo pipefail
cd "$(dirname "$0")/.."

long=false
stages=()
while [ $# -gt 0 ]; do
    case $1 in
    --long) long=true ;;
    --only) shift && stages+=("$1") ;;
    *) echo "usage: tests/run.sh [--long] [--only STAGE ...]" >&2 && exit 64 ;;
    esac
    shift
done
if [ ${#stages[@]} -eq 0 ]; then
    stages=(lint clang dev asan)
    $long && stages+=(tidy coverage valgrind)
fi
fuzz_seconds=${FUZZ_SECONDS:-60}
fuzzers= # process that runs them, one after the other
jobs=$(nproc)
! $long || export VANEWARD_LONG=1 # all kill points, all failing calls, the hour of soak

sets=(build test)
$long && sets+=(long)
deploy/packages.sh "${sets[@]}" || exit 69

passed=0 failed=0 skipped=0
ok() { passed=$((passed + 1)); }
bad() { failed=$((failed + 1)) && echo "FAILED: $*"; }

# build PROFILE FOLDER [cmake options]
build() {
    local profile=$1 folder=$2 log
    shift 2
    log=$(mktemp)
    if cmake -S . -B "$folder" -DPROFILE="$profile" "$@" >"$log" 2>&1 &&
        cmake --build "$folder" -j "$jobs" >>"$log" 2>&1; then
        rm -f "$log"
        ok
    else
        tail -n 40 "$log"
        rm -f "$log"
        bad "build of profile $profile in $folder"
        return 1
    fi
}

# run_ctest FOLDER [ctest options]: adds ctest's own counts to ours
run_ctest() {
    local folder=$1 report
    shift
    report=$(mktemp)
    # Most tests wait more than they work.
    ctest --test-dir "$folder" -j "$((2 * jobs))" --output-on-failure --no-tests=error --output-junit "$report" "$@" || true
    read -r p f s < <(python3 - "$report" <<'PY'
import sys, xml.etree.ElementTree as tree
cases = list(tree.parse(sys.argv[1]).iter("testcase"))
state = [c.get("status") for c in cases]
skipped = sum(s in ("notrun", "disabled") for s in state)
good = sum(s == "run" for s in state)
print(good, len(state) - good - skipped, skipped)
PY
    ) || { p=0 f=1 s=0; }
    rm -f "$report"
    passed=$((passed + p)) failed=$((failed + f)) skipped=$((skipped + s))
}

stage_lint() {
    local check
    for check in tests/lint/*.sh; do
        if "$check"; then ok; else bad "$check"; fi
    done
}

stage_dev() {
    build dev build || return
    if $long; then run_ctest build; else run_ctest build -LE soak; fi
}

stage_asan() { build asan build/asan && run_ctest build/asan -L 'unit|db|fuzz'; }

stage_clang() {
    build fuzz build/fuzz -DCMAKE_C_COMPILER=clang || return
    run_ctest build/fuzz -L 'fuzz'
    # What the other stages leave idle is enough for the fuzzers.
    for target in build/fuzz/bin/fuzz_*; do run_fuzzer "$target"; done >build/fuzz/fuzzers.log 2>&1 &
    fuzzers=$!
}

# run_fuzzer PROGRAM: one line of result, after the log of a find.
run_fuzzer() {
    local name=${1##*/fuzz_} seeds log
    # libFuzzer reads seeds from flat folders and writes what it finds to the first one.
    seeds=$(mktemp -d)
    log=$(mktemp)
    find "tests/data/$name" -type f | while read -r seed; do cp "$seed" "$seeds/$(sha1sum "$seed" | cut -c1-16)"; done
    if (cd build/fuzz && nice -n 19 "bin/fuzz_$name" -max_total_time="$fuzz_seconds" -timeout=10 -rss_limit_mb=2048 \
        "$seeds" >"$log" 2>&1); then
        echo "fuzz $name: $fuzz_seconds s, $(grep -c . <(ls "$seeds")) inputs kept, no find"
    else
        tail -n 30 "$log"
        echo "FAILED: fuzz $name"
    fi
    rm -rf "$seeds" "$log"
}

end_fuzzers() {
    [ -n "$fuzzers" ] || return 0
    wait "$fuzzers"
    cat build/fuzz/fuzzers.log
    passed=$((passed + $(grep -c 'no find$' build/fuzz/fuzzers.log)))
    failed=$((failed + $(grep -c '^FAILED' build/fuzz/fuzzers.log)))
}

stage_tidy() {
    build dev build/tidy -DCMAKE_C_COMPILER=clang || return
    local file log
    log=$(mktemp)
    for file in $(git ls-files 'collector/*.c' 'reporter/*.c' 'sql/*.c'); do
        if clang-tidy --quiet -p build/tidy "$file" >"$log" 2>/dev/null; then ok; else cat "$log" && bad "clang-tidy $file"; fi
    done
    rm -f "$log"
}

stage_coverage() {
    build coverage build/coverage || return
    run_ctest build/coverage -L 'unit|db|fuzz|e2e'
    gcovr --root . --object-directory build/coverage --filter 'collector/|reporter/|sql/' --branches --sort-percentage \
        --exclude-throw-branches | tail -n 60
}

stage_valgrind() {
    local test
    [ -x build/bin/vaneward-collector ] || build dev build || return
    for test in build/bin/test_* build/bin/db_test_*; do
        [ -f "$test" ] && [ -x "$test" ] || continue
        if CK_TIMEOUT_MULTIPLIER=30 valgrind -q --error-exitcode=9 --leak-check=full "$test" >/tmp/valgrind.$$ 2>&1; then ok; else
            tail -n 30 /tmp/valgrind.$$ && bad "valgrind $test"
        fi
    done
    rm -f /tmp/valgrind.$$
}

for stage in "${stages[@]}"; do
    echo "== $stage"
    "stage_$stage"
done
end_fuzzers
echo
echo "$passed passed, $failed failed, $skipped skipped"
[ "$failed" -eq 0 ] && [ "$passed" -gt 0 ]
