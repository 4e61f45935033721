#!/bin/bash
# SPDX-License-Identifier: Apache-2.0
#
# nth_call.sh WRITER SHIM [malloc] - one call fails, once: each write, sync, open, read, truncate, rename, allocation of space and of memory.
#
# The writer goes on (a new run) or ends by name; it never falls, and what the journal holds afterwards is what was acknowledged. By default some
# twelve calls of each kind, with UPHOLE_LONG=1 every one (of memory a thousand). Planted defects: journal-not-poisoned (after a sync that failed the refused row comes
# back); journal-append-unchecked (what an insert says is not looked at).
set -u
writer=$1 shim=$2 memory=${3:-}
export ASAN_OPTIONS=verify_asan_link_order=0:detect_leaks=0
scratch=$(mktemp -d) || exit 1
trap 'rm -rf "$scratch"' EXIT
failed=0

# run KIND AT: what the writer says goes to $scratch/said; its exit code is returned.
run() {
    rm -rf "$scratch/journal"
    NTH_CALL=$1 NTH_AT=$2 NTH_PATH=$scratch/journal NTH_COUNT=$scratch/count LD_PRELOAD=$shim \
        "$writer" "$scratch/journal" --count 12 --recover --reserve >"$scratch/said" 2>&1
}

check() {
    local code=$3 acked newest
    acked=$(grep -a '^ack [0-9]*$' "$scratch/said" | tail -n 1 | cut -d' ' -f2)
    if [ "$code" -ge 128 ] || grep -aqE 'Sanitizer|Assertion|runtime error' "$scratch/said"; then
        echo "$1 $2: fell ($code)"; tail -n 5 "$scratch/said"; failed=1; return
    fi
    if [ "$code" -ne 0 ] && ! grep -aqE '^(failed|refused|still refused) .' "$scratch/said"; then
        echo "$1 $2: ended with $code and no word"; failed=1; return
    fi
    newest=$("$writer" "$scratch/journal" --verify 2>/dev/null) || { echo "$1 $2: $newest"; tail -n 5 "$scratch/said"; failed=1; return; }
    set -- "$1" "$2" $newest
    [ "$4" = "${acked:-0}" ] || { echo "$1 $2: acknowledged up to ${acked:-0}, the journal holds up to $4"; tail -n 5 "$scratch/said"; failed=1; }
}

for kind in write sync open read truncate rename allocate $memory; do
    run "$kind" 0 || { echo "$kind: the writer fails by itself"; cat "$scratch/said"; exit 1; }
    total=$(cat "$scratch/count")
    [ "$total" -gt 0 ] || { echo "$kind: is never called: this proved nothing"; failed=1; continue; }
    step=$((total / 12 + 1)) n=0
    [ "${UPHOLE_LONG:-0}" != 1 ] || step=$((total / 1000 + 1))
    for ((at = 1; at <= total; at += step)); do
        run "$kind" "$at"
        check "$kind" "$at" $?
        n=$((n + 1))
    done
    echo "$kind: $n of $total calls failed once each"
done
exit $failed
