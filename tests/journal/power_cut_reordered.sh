#!/bin/bash
# SPDX-License-Identifier: Apache-2.0
#
# power_cut_reordered.sh WRITER SHIM [CUTS] - power cuts at a sync or at any write, that lose unsynced writes in any order, whole or torn,
# from the first byte of a new journal on; then cuts after a sync that had failed, whose pages no later sync writes: at random, and at each
# of the next syncs while the journal is made good, by the same program or by one that is started again, and where a reader had held up a
# checkpoint. No acknowledged scan may be lost.
# Planted defects, each of which must lose some, or this proves nothing: synchronous=NORMAL; nothing is written again after a failed sync
# (the random cuts: nor is there a checkpoint).
set -u
writer=$1 shim=$2 cuts=${3:-200}
export ASAN_OPTIONS=verify_asan_link_order=0:detect_leaks=0
scratch=$(mktemp -d) || exit 1
trap 'rm -rf "$scratch"' EXIT

# Where the i-th cut strikes, by kind, as settings of the shim.
at_random() {
    # A writer that seldom syncs would seldom be cut at a sync.
    if (($1 % 2)); then echo "SHIM_CUT_AT_WRITE=$((RANDOM % 400 + 1))"; else echo "SHIM_CUT_AT=$((RANDOM % 60 + 1))"; fi
}
after_a_failed_sync() {
    local fail=$((RANDOM % 30 + 14))
    echo "SHIM_FAIL_SYNC_AT=$fail SHIM_CUT_AT=$((fail + RANDOM % 60 + 1))"
}
at_each_sync_after() { echo "SHIM_CUT_AFTER=$1"; } # the writer says which sync fails

# lose KIND CUTS STOP_AT_FIRST [ARGUMENTS]: prints how many cuts lost something, and how many scans were acknowledged.
lose() {
    local kind=$1 cuts=$2 stop=$3 lost=0 i acked newest found all=0 where
    shift 3
    for ((i = 1; i <= cuts; i++)); do
        rm -rf "$scratch/journal"
        where=$($kind "$i")
        # shellcheck disable=SC2086
        env $where SHIM_SEED=$i LD_PRELOAD="$shim" "$writer" "$scratch/journal" --count 400 "$@" >"$scratch/said" 2>/dev/null
        acked=$(grep -a '^ack [0-9]*$' "$scratch/said" | tail -n 1 | cut -d' ' -f2)
        ((all += ${acked:-0}))
        # "newest S rows N runs R moved M": all that was acknowledged is there, and no file had to be moved aside.
        found=$("$writer" "$scratch/journal" --verify 2>&1)
        newest=$(sed -n 's/^newest \([0-9]*\) .* moved 0$/\1/p' <<<"$found")
        if [ "${newest:--1}" -lt "${acked:-0}" ]; then
            ((lost++))
            ((stop)) || echo "loss: seed $i, $where, acknowledged up to ${acked:-nothing}: $found" >&2
        fi
        ((stop && lost > 0)) && break
    done
    echo "$lost $all"
}
# story NAME KIND CUTS PLANT [ARGUMENTS]: as built nothing may be lost; with PLANT something must be.
story() {
    local name=$1 kind=$2 cuts=$3 plant=$4 lost acked
    shift 4
    read -r lost acked < <(lose "$kind" "$cuts" 0 "$@")
    echo "$name: $cuts cuts, $acked scans acknowledged, $lost cuts with loss"
    [ "$acked" -gt 0 ] || { echo "nothing was ever acknowledged: this proved nothing"; exit 1; }
    [ "$lost" -eq 0 ] || exit 1
    read -r lost acked < <($plant "$kind" "$cuts" "$@")
    echo "$name, planted $plant: $lost cut with loss"
    [ "$lost" -gt 0 ] || { echo "the planted defect was not seen: this proved nothing"; exit 1; }
}
synchronous_normal() { lose "$1" "$2" 1 "${@:3}" --plant normal; }
nothing_again() { SHIM_NOT_AGAIN=1 lose "$1" "$2" 1 "${@:3}"; }
neither_again_nor_checkpoint() { nothing_again "$@" --plant no-checkpoint; }

story "unsynced writes in any order" at_random "$cuts" synchronous_normal
story "a cut after a failed sync" after_a_failed_sync $(((cuts + 1) / 2)) neither_again_nor_checkpoint --recover
story "a cut while a failed sealing is made good" at_each_sync_after 12 nothing_again --recover --fail-sealing
story "a cut in the program that comes after it" at_each_sync_after 14 nothing_again --anew --fail-sealing
story "a cut after a checkpoint that was held up and failed" at_each_sync_after 12 nothing_again --recover --held-up
