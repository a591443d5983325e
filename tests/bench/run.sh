#!/usr/bin/env bash
# Runs the benchmarks. Usage: tests/bench/run.sh [--quick|--full] [--write] [--list] [name ...]
# Each prints its figure, the bare limit measured in the same run, their ratio and the target, as text and as a line of
# JSON; a table of all follows. --full takes larger work and longer times; --write puts the table into README.md.
# Needs root (or sudo) only to install what is missing. Build folder: $VANEWARD_BENCH_BUILD, else build/bench.
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
build=${VANEWARD_BENCH_BUILD:-$root/build/bench}
all=(decode store seal beside read_back poll collect catch_up summaries rank life)
long=(full_size forecast) # on request only

size=--quick write=no names=()
for word in "$@"; do
    case $word in
    --quick | --full) size=$word ;;
    --write) write=yes ;;
    --list) printf '%s\n' "${all[@]}" "${long[@]}" && exit 0 ;;
    -*) sed -n '2s/^# //p' "$0" >&2 && exit 64 ;;
    *) names+=("$word") ;;
    esac
done
[ ${#names[@]} -gt 0 ] || names=("${all[@]}")
for name in "${names[@]}"; do
    [[ " ${all[*]} ${long[*]} " == *" $name "* ]] || { echo "no benchmark '$name'; there are: ${all[*]} ${long[*]}" >&2; exit 64; }
done

"$root/deploy/packages.sh" build bench
cmake -S "$root" -B "$build" -DPROFILE=release >/dev/null
cmake --build "$build" --target bench -j "$(nproc)" | grep -E 'warning|error' >&2 || true

lines=$(mktemp)
trap 'rm -f "$lines"' EXIT
failed=()
for name in "${names[@]}"; do
    echo "== $name"
    table=()
    [[ $name$write != forecastyes ]] || table=(--table "$root/tests/bench/README.md")
    VANEWARD_ROOT=$root "$build/bin/bench_$name" "$size" "${table[@]}" | tee -a "$lines" || failed+=("$name")
done

echo
write_option=()
[ $write = no ] || write_option=(--write "$root/tests/bench/README.md")
grep '^{' "$lines" | python3 "$root/tests/bench/table.py" "${write_option[@]}"
[ ${#failed[@]} -eq 0 ] || { echo "failed: ${failed[*]}" >&2; exit 1; }
