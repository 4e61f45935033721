#!/usr/bin/env bash
# The demo, by one command: installs what is missing (and says which), builds into build/release, and runs config/demo/demo.py.
#
#   bash config/demo/run.sh [--keep]      --keep: go on after the story, until Ctrl-C
#
# Exit: 0 all sums hold, 1 they don't, 69 a package can't be had, 70 the build failed.
set -u
cd "$(dirname "${BASH_SOURCE[0]}")/../.." || exit 70
for argument in "$@"; do
    [ "$argument" = --keep ] || { echo "config/demo/run.sh: $argument is not known; expected --keep or nothing" >&2; exit 64; }
done
. config/packages.sh
# shellcheck disable=SC2086 # a list of names
need_packages $BUILD_PACKAGES mosquitto mosquitto-clients python3 python3-pymodbus
echo "Building Uphole into build/release ..."
log=$(mktemp)
if ! { cmake -S . -B build/release -G Ninja -DUPHOLE_BUILD=release && ninja -C build/release uphole; } >"$log" 2>&1; then
    tail -n 40 "$log" >&2
    rm -f "$log"
    echo "The build failed; its last lines stand above." >&2
    exit 70
fi
rm -f "$log"
exec /usr/bin/python3 config/demo/demo.py build/release/daemon/uphole/uphole "$@"
