#!/usr/bin/env bash
# Installs what the project needs on Debian 12 and is not there yet. Usage: deploy/packages.sh [build|test|bench ...]
# build: compile and run, demo included. test: what the tests need on top. bench: what the benchmarks do.
set -euo pipefail

build=(build-essential cmake pkg-config libcurl4-openssl-dev libpq-dev libssl-dev libjansson-dev libhpdf-dev libxml2-dev
    libgsl-dev libcsv-dev libinih-dev zlib1g-dev libzstd-dev libqrencode-dev libutf8proc-dev libmicrohttpd-dev check
    postgresql postgresql-client fonts-dejavu-core python3-fonttools python3 curl tzdata)
test=(clang clang-format libclang-rt-14-dev r-base-core r-cran-survival poppler-utils qpdf imagemagick zbar-tools
    libxml2-utils jq git faketime iptables iproute2 openssl strace python3-jsonschema)
bench=(wrk python3 openssl r-base-core r-cran-survival)
long=(clang-tidy gcovr valgrind)

wanted=()
for set in "${@:-build}"; do
    case $set in
    build) wanted+=("${build[@]}") ;;
    test) wanted+=("${test[@]}") ;;
    bench) wanted+=("${bench[@]}") ;;
    long) wanted+=("${long[@]}") ;;
    *) echo "usage: deploy/packages.sh [build|test|bench|long ...]" >&2 && exit 64 ;;
    esac
done

missing=()
for package in "${wanted[@]}"; do
    dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing+=("$package")
done
[ ${#missing[@]} -gt 0 ] || exit 0

echo "installing ${#missing[@]} packages: ${missing[*]}" >&2
as_root=()
if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null || { echo "cannot install: become root, or install sudo; wanted: ${missing[*]}" >&2; exit 69; }
    as_root=(sudo)
fi
log=$(mktemp)
trap 'rm -f "$log"' EXIT
# The package's own cluster is not wanted: demo and tests start private servers.
install() {
    "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "$@"
}
if ! { "${as_root[@]}" apt-get update && install postgresql-common &&
    "${as_root[@]}" sed -i 's/^#\?create_main_cluster.*/create_main_cluster = false/' /etc/postgresql-common/createcluster.conf &&
    install "${missing[@]}"; } >"$log" 2>&1; then
    tail -n 20 "$log" >&2
    echo "cannot install the packages (see above)" >&2
    exit 69
fi
