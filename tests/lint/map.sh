#!/usr/bin/env bash
# Each file of the two programs stands in the map of DEVELOPERS.md, and each entry of the map stands for a file.
set -u
cd "$(dirname "$0")/../.."
status=0

# The entries of a folder's table: all that stands in back quotes below its head.
entries_of() {
    sed -n "/^| \`$1\/\` | files |/,/^\$/p" DEVELOPERS.md | tail -n +3 | grep -o '`[^`]*`' | tr -d '`'
}

for folder in collector reporter; do
    mapfile -t entries < <(entries_of "$folder")
    mapfile -t files < <(git ls-files "$folder/*.c" "$folder/*.h" | grep -v /fonts/ | sed 's,.*/,,; s,\.[ch]$,,' | sort -u)
    for file in "${files[@]}"; do
        for entry in "${entries[@]}"; do
            # shellcheck disable=SC2053 # the entry is a pattern
            [[ $file == $entry ]] && continue 2
        done
        echo "$folder/$file is in no row of the map in DEVELOPERS.md" && status=1
    done
    for entry in "${entries[@]}"; do
        compgen -G "$folder/$entry*" >/dev/null || { echo "$folder/$entry of the map in DEVELOPERS.md is no file" && status=1; }
    done
done
exit "$status"
