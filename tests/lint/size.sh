#!/usr/bin/env bash
# Files over 700 lines and functions over 80 are to be split.
set -u
cd "$(dirname "$0")/../.."
bad=0
for file in $(git ls-files '*.c' '*.h'); do
    lines=$(wc -l <"$file")
    [ "$lines" -le 700 ] || { echo "$file has $lines lines" && bad=1; }
    awk -v file="$file" '/^[a-zA-Z].*[^;]$/ && !/^(struct|enum|static const|#)/ {name = $0} /^{/ {start = NR} \
        /^}/ && start {if (NR - start > 80) {print file ": " NR - start " lines: " name; bad = 1} start = 0} END {exit bad}' "$file" || bad=1
done
exit $bad
