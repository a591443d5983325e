#!/usr/bin/env bash
# The program's concordance against R. Usage: score.sh SCORE_SAMPLES [SEED]. Exit status 77: skipped.
set -u
if ! command -v Rscript >/dev/null; then
    echo "skipped: Rscript is not installed (Debian: r-base-core and r-cran-survival)"
    exit 77
fi
exec Rscript --vanilla "$(dirname "$0")/score.R" "$@"
