#!/usr/bin/env bash
# Measuring is pure: nm reads what the room's library needs from outside, and nothing of it may allocate, read a clock, or do input or output.
# Planted defect that it must catch: a call of malloc, printf or clock_gettime in daemon/measure, declared by hand.
set -u
library=${1:?usage: pure_measure.sh LIBRARY}
needed=$(nm --undefined-only "$library" | awk 'NF == 2 {print $2}' | sort -u)
grep -q '^point_get$' <<<"$needed" || { echo "the library needs nothing of base: this test would prove nothing"; exit 1; }
impure=$(grep -E '^(_*(malloc|calloc|realloc|free|aligned_alloc|[vsf]*n?printf(_chk)?|puts|putchar|fopen|fwrite|fread|open|read|write|close|socket|send|recv|clock_gettime|time|gettimeofday|getenv|rand|random|pthread_.*|syscall|say|stamp_take|clock_of_system))$' <<<"$needed")
[ -z "$impure" ] || { echo "measure is not pure: $impure"; exit 1; }
echo "what measure needs from outside: $(tr '\n' ' ' <<<"$needed")"
