#!/bin/bash
# SPDX-License-Identifier: Apache-2.0
#
# kill_loop.sh WRITER [CYCLES] - kill -9 at random moments; no acknowledged scan is lost, no seq used twice, no file damaged.
# Planted defect: an acknowledgement before the commit. (A kill proves nothing about the disk: see power_cut.sh for that.)
set -u
writer=$1 cycles=${2:-40}
scratch=$(mktemp -d) || exit 1
trap 'rm -rf "$scratch"' EXIT
last=0
for ((i = 1; i <= cycles; i++)); do
    : >"$scratch/said" # the process in the background may open it after it is read
    "$writer" "$scratch/journal" >>"$scratch/said" 2>/dev/null &
    pid=$!
    # Each fourth kill strikes while scans are acknowledged, however long a busy machine takes to start a process.
    for ((wait = 0; i % 4 == 0 && wait < 6000; wait++)); do
        grep -aq '^ack ' "$scratch/said" && break
        sleep 0.01
    done
    sleep "0.0$((RANDOM % 9 + 1))"
    kill -9 "$pid"
    wait "$pid" 2>/dev/null
    acked=$(grep -a '^ack [0-9]*$' "$scratch/said" | tail -n 1 | cut -d' ' -f2)
    last=${acked:-$last}
    newest=$("$writer" "$scratch/journal" --verify) || { echo "cycle $i: $newest"; exit 1; }
    set -- $newest
    if [ "$2" -lt "$last" ] || [ "$8" != 0 ]; then
        echo "cycle $i: acknowledged up to $last, but the journal says: $newest"
        exit 1
    fi
done
echo "$cycles kills, $last scans acknowledged, 0 lost"
[ "$last" -gt 0 ] || { echo "no scan was ever acknowledged: this proved nothing"; exit 1; }
