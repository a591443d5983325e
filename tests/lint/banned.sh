#!/usr/bin/env bash
# Calls that have a safer sister, in the programs themselves.
set -u
cd "$(dirname "$0")/../.."
calls='strcpy|strcat|sprintf|vsprintf|gets|strtok|atoi|atol|atof|system|popen|alloca|mktemp|tmpnam|rand|srand|localtime|gmtime|asctime|ctime'
found=$(git ls-files 'collector/*.[ch]' 'reporter/*.[ch]' 'sql/*.[ch]' 'tests/fleet/*.[ch]' | xargs grep -nE "\b($calls)\(")
[ -z "$found" ] || { echo "banned calls:" && echo "$found"; }

# Calls of libpq that wait for the server without a deadline. PQgetResult and PQgetCopyData may wait too: db_link.c alone asks, and
# polls first.
waits='PQ(exec|execParams|execPrepared|prepare|describePrepared|describePortal|connectdb|connectdbParams|setdb|setdbLogin|ping|pingParams|reset|fn|getline|putline|endcopy|requestCancel|cancel)'
waiting=$(git ls-files 'collector/*.[ch]' 'reporter/*.[ch]' 'sql/*.[ch]' | xargs grep -nE "\\b$waits\(")
waiting+=$(git ls-files 'collector/*.[ch]' 'reporter/*.[ch]' 'sql/*.[ch]' | grep -v '^sql/db_link\.c$' | xargs grep -nE '\bPQget(Result|CopyData)\(')
[ -z "$waiting" ] || { echo "calls that wait for the database without end:" && echo "$waiting"; }
[ -z "$found$waiting" ]
