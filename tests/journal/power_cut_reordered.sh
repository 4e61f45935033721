#!/bin/bash
# SPDX-License-Identifier: Apache-2.0
#
# power_cut_reordered.sh WRITER SHIM [CUTS] - power cuts at a sync or at any write, that lose unsynced writes in any order, whole or torn,
# from the first byte of a new journal on; then cuts after a sync that had failed, whose pages no later sync writes. No acknowledged scan
# may be lost.
# Planted defects, each of which must lose some, or this proves nothing: synchronous=NORMAL; no checkpoint after the failed sync.
set -u
writer=$1 shim=$2 cuts=${3:-200}
export ASAN_OPTIONS=verify_asan_link_order=0:detect_leaks=0
scratch=$(mktemp -d) || exit 1
trap 'rm -rf "$scratch"' EXIT

# lose CUTS FAILED_SYNC STOP_AT_FIRST [ARGUMENTS]: prints how many cuts lost something, and how many scans were acknowledged.
lose() {
    local cuts=$1 failed=$2 stop=$3 lost=0 i acked newest found all=0 fail=0 at write
    shift 3
    for ((i = 1; i <= cuts; i++)); do
        rm -rf "$scratch/journal"
        at=$((RANDOM % 60 + 1)) write=0
        if ((failed)); then
            fail=$((RANDOM % 30 + 14)) at=$((fail + RANDOM % 60 + 1))
        elif ((i % 2)); then # a writer that seldom syncs would seldom be cut at a sync
            at=0 write=$((RANDOM % 400 + 1))
        fi
        SHIM_FAIL_SYNC_AT=$fail SHIM_CUT_AT=$at SHIM_CUT_AT_WRITE=$write SHIM_SEED=$i LD_PRELOAD=$shim \
            "$writer" "$scratch/journal" --count 400 "$@" >"$scratch/said" 2>/dev/null
        acked=$(grep -a '^ack [0-9]*$' "$scratch/said" | tail -n 1 | cut -d' ' -f2)
        ((all += ${acked:-0}))
        # "newest S rows N runs R moved M": all that was acknowledged is there, and no file had to be moved aside.
        found=$("$writer" "$scratch/journal" --verify 2>&1)
        newest=$(sed -n 's/^newest \([0-9]*\) .* moved 0$/\1/p' <<<"$found")
        if [ "${newest:--1}" -lt "${acked:-0}" ]; then
            ((lost++))
            ((stop)) || echo "loss: seed $i, failed sync $fail, cut at sync $at or write $write, acknowledged up to ${acked:-nothing}: $found" >&2
        fi
        ((stop && lost > 0)) && break
    done
    echo "$lost $all"
}
# story NAME PLANT ARGUMENTS: as built nothing may be lost, with the plant something must be.
story() {
    local name=$1 plant=$2 cuts=$3 failed=$4 lost acked
    shift 4
    read -r lost acked < <(lose "$cuts" "$failed" 0 "$@")
    echo "$name: $cuts cuts, $acked scans acknowledged, $lost cuts with loss"
    [ "$acked" -gt 0 ] || { echo "nothing was ever acknowledged: this proved nothing"; exit 1; }
    [ "$lost" -eq 0 ] || exit 1
    read -r lost acked < <(lose "$cuts" "$failed" 1 "$@" --plant "$plant")
    echo "$name, planted $plant: $lost cut with loss"
    [ "$lost" -gt 0 ] || { echo "the planted defect was not seen: this proved nothing"; exit 1; }
}
story "unsynced writes in any order" normal "$cuts" 0
story "a cut after a failed sync" no-checkpoint $(((cuts + 1) / 2)) 1 --recover
