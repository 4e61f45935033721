#!/bin/bash
# SPDX-License-Identifier: Apache-2.0
#
# power_cut.sh WRITER CUT_POWER SHIM [CYCLES] - real power cuts on a loop-mounted ext4, by the kernel's shutdown call.
#
#   1. as built: no scan that was acknowledged before the cut may be missing after it
#   2. planted synchronous=NORMAL: must lose scans, or this test proves nothing
#   3. killed between a write and its sync, started again, published, cut: nothing published may be missing
#   4. the same with nothing synced between start and publish (the log is not written again, no checkpoint, and a run that is stored with
#      synchronous=NORMAL): must lose something. (Each alone can't be seen here: the others sync the log. See power_cut_reordered.sh.)
#
# The writer is stopped before the acknowledgements are read, so that none of them can race with the cut.
# Needs the right to mount; without it the test is skipped by name (exit code 77).
set -u
# In a mount namespace of its own, where that can be had: another test's namespace, a copy of the common one, would hold the dead file system.
if [ -z "${POWER_CUT_ALONE:-}" ] && unshare -m --propagation private true 2>/dev/null; then
    POWER_CUT_ALONE=1 exec unshare -m --propagation private bash "${BASH_SOURCE[0]}" "$@"
fi
writer=$1 cutter=$2 shim=$3 cycles=${4:-10}
scratch=$(mktemp -d) || exit 1
mounted=no
clean_up() {
    [ "$mounted" = yes ] && umount "$scratch/disk"
    rm -rf "$scratch"
}
trap clean_up EXIT
skip() { echo "SKIP power_cut: $1"; exit 77; }

for tool in mkfs.ext4 mount umount truncate; do
    command -v "$tool" >/dev/null || skip "there is no $tool here"
done
mkdir "$scratch/disk"
new_disk() {
    rm -f "$scratch/image"
    truncate -s 64M "$scratch/image" && mkfs.ext4 -qF "$scratch/image" && attach
}
# Where another mount namespace still holds the dead file system, a mount only joins it: then wait until it is let go.
attach() {
    local i failed=0
    for ((i = 0; i < 600; i++)); do
        if ! mount -o loop "$scratch/image" "$scratch/disk" 2>"$scratch/why"; then
            ((++failed < 20)) || return 1 # loop devices are everybody's: another may have taken the free one
            sleep 0.1
            continue
        fi
        mounted=yes
        grep -q " $scratch/disk [^ ]* [^ ]*\bshutdown\b" /proc/mounts || return 0
        detach
        sleep 0.1
    done
    return 1
}
detach() {
    local i
    for ((i = 0; i < 400; i++)); do
        umount "$scratch/disk" 2>/dev/null && mounted=no && return
        sleep 0.05
    done
    return 1
}
new_disk || skip "a loop device can't be mounted ($(head -n 1 "$scratch/why"))"
"$cutter" "$scratch/disk" 2>"$scratch/why" || skip "the file system can't be shut down ($(cat "$scratch/why"))"
detach

last_of() { grep -a "^$1 [0-9]*\$" "$scratch/said" | tail -n 1 | cut -d' ' -f2; }

# What the journal holds once the power is back. Prints "TOLD NEWEST", then all that the check of the journal said; NEWEST is -1 where a row
# is wrong, a file had to be moved aside or the journal can't be read.
found_after() {
    local said newest
    said=$("$writer" "$scratch/disk/journal" --verify 2>&1)
    newest=$(sed -n 's/^newest \([0-9]*\) .* moved 0$/\1/p' <<<"$said")
    echo "$1 ${newest:--1} $(tr '\n' ' ' <<<"$said")"
}

# Both stories read what the process in the background said. It opens that file itself, maybe late: what the cycle before left there must be
# gone by then, or its acknowledgements count for this one.

# One cut while writing. Prints what found_after says of what was acknowledged.
cut_while_writing() {
    : >"$scratch/said"
    "$writer" "$scratch/disk/journal" "$@" >>"$scratch/said" 2>/dev/null &
    local pid=$! acked wait
    # Every other cut strikes while scans are acknowledged, however long a busy machine takes to start a process.
    for ((wait = RANDOM % 2 * 6000; wait > 0; wait--)); do
        grep -aq '^ack ' "$scratch/said" && break
        sleep 0.01
    done
    sleep "0.$((RANDOM % 3))$((RANDOM % 9 + 1))"
    kill -STOP "$pid"
    sleep 0.01
    acked=$(last_of ack)
    "$cutter" "$scratch/disk"
    kill -CONT "$pid"
    kill -9 "$pid" 2>/dev/null # an error of the disk may have ended it
    wait "$pid" 2>/dev/null
    detach && attach && found_after "${acked:-0}"
}

# One story of kill, restart, publish, cut. Prints what found_after says of what was published.
cut_after_publishing() {
    local options="verify_asan_link_order=0:detect_leaks=0" pid published i
    : >"$scratch/said"
    ASAN_OPTIONS=$options SHIM_DIE_AT=$((RANDOM % 20 + 12)) LD_PRELOAD=$shim \
        "$writer" "$scratch/disk/journal" >/dev/null 2>&1 # dies with writes that no sync followed
    local trusts=0
    [ $# -eq 0 ] || trusts=1
    ASAN_OPTIONS=$options SHIM_NOT_AGAIN=$trusts LD_PRELOAD=$shim \
        "$writer" "$scratch/disk/journal" --count 0 --hold "$@" >>"$scratch/said" 2>/dev/null & # publishes what it found
    pid=$!
    for ((i = 0; i < 1200; i++)); do
        grep -aq '^published ' "$scratch/said" && break
        sleep 0.05
    done
    kill -STOP "$pid"
    published=$(last_of published)
    "$cutter" "$scratch/disk"
    kill -CONT "$pid"
    kill -9 "$pid" 2>/dev/null # an error of the disk may have ended it
    wait "$pid" 2>/dev/null
    detach && attach && found_after "${published:-0}"
}

# count STORY NEEDED_LOSS [ARGUMENTS]: runs cycles; where a planted defect must be seen, as many more as that takes, within a bound.
count() {
    local story=$1 planted=$2 limit=$((cycles * ($2 ? 6 : 1))) lost=0 worst=0 seen=0 i told newest said
    shift 2
    new_disk || return 1
    for ((i = 1; i <= limit; i++)); do
        told=''
        read -r told newest said < <("$story" "$@")
        mountpoint -q "$scratch/disk" || attach
        [ -n "$told" ] || { echo "the disk could not be detached and attached again"; return 1; }
        ((seen += told > 0))
        if ((newest < told)); then
            ((lost++, worst = told - newest > worst ? told - newest : worst))
            ((planted)) && break
            echo "loss: cut $i, told of $told, and the journal says: $said"
        fi
    done
    detach
    echo "$story $*: $((i > limit ? limit : i)) cuts, $lost with loss, up to $worst scans each"
    ((seen > 0)) || { echo "nothing was ever acknowledged: this proved nothing"; return 1; }
    if ((planted)); then
        ((lost > 0)) || { echo "the planted defect was not seen: this proved nothing"; return 1; }
    else
        ((lost == 0))
    fi
}

count cut_while_writing 0 || exit 1
count cut_while_writing 1 --plant normal || exit 1
count cut_after_publishing 0 || exit 1
count cut_after_publishing 1 --plant normal --plant no-checkpoint || exit 1
