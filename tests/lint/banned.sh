#!/usr/bin/env bash
# Calls that have a safer sister, in the programs themselves.
set -u
cd "$(dirname "$0")/../.."
calls='strcpy|strcat|sprintf|vsprintf|gets|strtok|atoi|atol|atof|system|popen|alloca|mktemp|tmpnam|rand|srand|localtime|gmtime|asctime|ctime'
found=$(git ls-files 'collector/*.[ch]' 'reporter/*.[ch]' 'sql/*.[ch]' 'tests/fleet/*.[ch]' | xargs grep -nE "\b($calls)\(")
[ -z "$found" ] || { echo "banned calls:" && echo "$found"; }
[ -z "$found" ]
