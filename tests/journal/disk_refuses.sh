#!/bin/bash
# SPDX-License-Identifier: Apache-2.0
#
# disk_refuses.sh WRITER SHIM - a sync that fails, and a disk that is full for a while.
#
# After a refusal the journal takes nothing more until it was opened anew, checkpointed, and another run has begun; no acknowledged
# scan is lost, no refused one comes back, and seq goes on without a hole. Planted defects: going on after the failed sync
# (journal-not-poisoned); handing out the seq of the refused scan and never using it (a hole); keeping the refused rows that the WAL still
# holds after a failed sync (they were counted as not stored).
set -u
writer=$1 shim=$2
export ASAN_OPTIONS=verify_asan_link_order=0:detect_leaks=0
scratch=$(mktemp -d) || exit 1
trap 'rm -rf "$scratch"' EXIT

# check NAME COUNT: of what was said, and of what the journal holds.
check() {
    local refused runs acked newest
    refused=$(grep -ac '^refused ' "$scratch/said")
    runs=$(grep -ac '^run ' "$scratch/said")
    acked=$(grep -a '^ack [0-9]*$' "$scratch/said" | tail -n 1 | cut -d' ' -f2)
    newest=$("$writer" "$scratch/journal" --verify) || { echo "$1: $newest"; exit 1; }
    echo "$1: $refused refused, $runs runs, acknowledged up to ${acked:-0}, $newest"
    set -- "$1" "$2" $newest
    [ "$refused" -ge 1 ] || { echo "nothing was refused: this proved nothing"; exit 1; }
    [ "$runs" -ge 2 ] || { echo "no new run began after the refusal"; exit 1; }
    [ "$4" = "${acked:-0}" ] && [ "${10}" = 0 ] || { echo "what is stored is not what was acknowledged"; exit 1; }
    [ $((refused + $4)) = "$2" ] || { echo "$2 scans were offered; stored and refused ones do not add up to that"; exit 1; }
}
for at in 22 28 40; do # the ones before make the file
    rm -rf "$scratch/journal"
    SHIM_FAIL_SYNC_AT=$at LD_PRELOAD=$shim "$writer" "$scratch/journal" --count 60 --recover >"$scratch/said" 2>&1 ||
        { cat "$scratch/said"; exit 1; }
    check "sync $at fails" 60
done
rm -rf "$scratch/journal"
SHIM_FULL_FROM=260 SHIM_FULL_FOR=40 LD_PRELOAD=$shim "$writer" "$scratch/journal" --count 200 --recover >"$scratch/said" 2>&1 ||
    { cat "$scratch/said"; exit 1; }
check "disk full for a while" 200
