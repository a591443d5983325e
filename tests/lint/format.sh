#!/usr/bin/env bash
# Layout is clang-format's business.
set -u
cd "$(dirname "$0")/../.."
git ls-files '*.c' '*.h' | xargs clang-format --dry-run --Werror 2>&1 | grep -E 'error|warning' | sort -u | head -n 20
exit "${PIPESTATUS[1]}"
