#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
#
# no_write_functions.sh BUILD_DIRECTORY COMPILER - no object of the daemon refers to a function of libmodbus that writes.
#
# Planted defect: an object that does is made here each time, and must be found; so the search is known to be able to fail.
set -eu
build=$1
compiler=$2
pattern=' U modbus_(write_|mask_write_|report_slave_id)'
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

search() { # standard input: names of files; prints those that refer to a write function
    xargs -d '\n' sh -c 'nm -A "$@" 2>/dev/null || true' search | grep -E "$pattern" | cut -d: -f1 | sort -u
}

cat >"$work/planted.c" <<'C'
int modbus_write_register(void *line, int address, unsigned short value);
int planted(void *line);
int planted(void *line)
{
    return modbus_write_register(line, 0, 1);
}
C
"$compiler" -c "$work/planted.c" -o "$work/planted.o"
find "$build/daemon" -type f \( -name '*.a' -o -name '*.o' -o -name uphole \) >"$work/objects"
if ! grep -q 'libuphole_gather\.a$' "$work/objects"; then
    echo "libuphole_gather.a is not in $build/daemon: nothing was checked" >&2
    exit 1
fi
if ! nm "$build/daemon/gather/libuphole_gather.a" 2>/dev/null | grep -q ' U modbus_send_raw_request'; then
    echo "libuphole_gather.a does not refer to libmodbus at all: the search looks at the wrong thing" >&2
    exit 1
fi
found=$({ cat "$work/objects"; echo "$work/planted.o"; } | search)
if ! echo "$found" | grep -qFx "$work/planted.o"; then
    echo "the search does not find a planted write function: nm or its output is not as expected" >&2
    exit 1
fi
found=$(echo "$found" | grep -vFx "$work/planted.o" || true)
if [ -n "$found" ]; then
    echo "these objects refer to a function that writes to a unit:" >&2
    echo "$found" >&2
    exit 1
fi
echo "$(wc -l <"$work/objects") objects, none refers to a function that writes"
