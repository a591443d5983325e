#!/usr/bin/env bash
# The program's regressions and shares of causes against R. Usage: regression.sh REGRESS_LIVES [SEED]. Exit status 77: skipped.
set -u
if ! command -v Rscript >/dev/null; then
    echo "skipped: Rscript is not installed (Debian: r-base-core and r-cran-survival)"
    exit 77
fi
exec Rscript --vanilla "$(dirname "$0")/regression.R" "$@"
