#!/usr/bin/env bash
# Plants one defect at a time into a copy of the tree and runs the test that must catch it: a fault test that has never failed proves nothing.
# Each NAME.patch begins with `# test: REGEX` (for ctest -R) and `# plants: what`. Usage: tests/planted/run.sh [NAME...]
set -u
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
top=$(cd "$here/../.." && pwd)
caught=0 missed=0
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
names=("$@")
[ ${#names[@]} -gt 0 ] || names=($(cd "$here" && ls *.patch | sed 's/\.patch$//'))
for name in "${names[@]}"; do
    file=$here/$name.patch
    test=$(sed -n 's/^# test: //p' "$file")
    mkdir -p "$work/tree"
    git -C "$top" ls-files -z | (cd "$top" && xargs -0 tar cf - --ignore-failed-read 2>/dev/null) | tar xf - -C "$work/tree"
    if ! patch -s -p1 -d "$work/tree" <"$file"; then
        echo "$name: the patch no longer fits; mend it"
        missed=$((missed + 1))
    elif ! { cmake -S "$work/tree" -B "$work/build" -G Ninja -DUPHOLE_BUILD=release >"$work/log" 2>&1 && ninja -C "$work/build" >>"$work/log" 2>&1; }; then
        tail -n 15 "$work/log"
        echo "$name: does not build"
        missed=$((missed + 1))
    elif [ "$(ctest --test-dir "$work/build" -N -R "$test" | sed -n 's/^Total Tests: //p')" = 0 ]; then
        echo "$name: no test is called $test"
        missed=$((missed + 1))
    elif ctest --test-dir "$work/build" -R "$test" >"$work/log" 2>&1 || grep -q 'Skipped' "$work/log"; then
        echo "$name: NOT caught by $test ($(sed -n 's/^# plants: //p' "$file"))"
        missed=$((missed + 1))
    else
        echo "$name: caught by $test"
        caught=$((caught + 1))
    fi
    rm -rf "$work/tree"
done
echo "$caught passed, $missed failed"
[ $missed -eq 0 ] && [ $caught -gt 0 ]
