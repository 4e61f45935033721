#!/usr/bin/env bash
# Plants one defect at a time into a copy of the tree and runs the test that must catch it: a fault test that has never failed proves nothing.
#
#   tests/planted/run.sh [--fits] [NAME...]     NAME: a patch here without .patch, or a beginning of such names; none: all
#                                               --fits: only whether each patch still fits; builds and runs nothing
#
# Each NAME.patch begins with `# test: REGEX` (for ctest -R) and `# plants: what`. A defect counts as caught where every test that REGEX names
# passes without it and fails with it. One copy and one build serve all patches, so that a patch rebuilds only what it changes. A test that
# can't run on this machine is skipped by name. A patch must fit without fuzz: one that lands by its line number alone may plant another defect.
# PLANTED_SHOW=n prints up to n lines of why. The last line is `N passed, N failed, N skipped`; the lines before it name what failed.
set -u
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
top=$(cd "$here/../.." && pwd)
export UPHOLE_LONG=0 # the short form of each test must see its defect
export UPHOLE_PATIENCE=${UPHOLE_PATIENCE:-1} # walks run alone here, and most defects are seen by what never comes
passed=0 failed=0 skipped=0
failures=()
fits_only=no
[ "${1:-}" != --fits ] || { fits_only=yes && shift; }
work=$(mktemp -d)
trap 'rm -rf "$work" "${days:-}"' EXIT
chmod 711 "$work" # brokers and group members of walks are other users, who must reach what is theirs
mkdir "$work/scratch"
export TMPDIR=$work/scratch # what a failing test leaves behind goes with the rest
days=$TMPDIR                # a day commits each of its seconds: on a disk that takes many times as long as in memory
[ ! -w /dev/shm ] || days=$(mktemp -d -p /dev/shm)
names=()
while read -r name; do
    [ $# -eq 0 ] && names+=("$name") && continue
    for wanted in "$@"; do
        case $name in "$wanted"*) names+=("$name") && break ;; esac
    done
done < <(cd "$here" && ls -- *.patch | sed 's/\.patch$//')
[ ${#names[@]} -gt 0 ] || { echo "no patch in $here begins with: $*"; exit 64; }

field() { sed -n "s/^# $2: //p" "$here/$1.patch"; }
say() { printf '%s: %s\n' "$name" "$*"; }
miss() { say "$@"; failed=$((failed + 1)); failures+=("$name"); }
fits() { patch -s -N -p1 -F0 --dry-run -d "$1" <"$here/$name.patch" >"$work/log" 2>&1; }
stands() { patch -s -R -p1 -F0 --dry-run -d "$1" <"$here/$name.patch" >"$work/log" 2>&1; }
finish() {
    for name in "${failures[@]}"; do echo "failed: $name"; done
    echo "$passed passed, $failed failed, $skipped skipped"
    [ "$failed" -eq 0 ] && [ $((passed + skipped)) -gt 0 ]
    exit
}
build() { ninja -C "$work/build" -j "$(nproc)" "$@" >"$work/log" 2>&1; }

# How many tests a patch names, at least: (a|b) is two.
alternatives_of() { field "$1" test | tr -cd '|' | wc -c | awk '{ print $1 + 1 }'; }
names_of() { ctest --test-dir "$work/build" -N -R "$1" | sed -nE 's/^ *Test +#[0-9]+: ([^ ]+)$/\1/p'; }
# build_for TEST...: the programs that bear the tests' names, or everything where a test has none of its own.
build_for() {
    local test
    for test in "$@"; do
        ninja -C "$work/build" -t query "$test" >/dev/null 2>&1 || { build; return; }
    done
    build "$@"
}
# run_test TEST: passes, fails or skipped; what it said stands in $work/log.
run_test() {
    local scratch=$TMPDIR
    ! ctest --test-dir "$work/build" -N -L days | grep -q ": $1\$" || scratch=$days
    TMPDIR=$scratch ctest --test-dir "$work/build" --output-on-failure -R "^$1\$" >"$work/log" 2>&1 || { echo fails; return; }
    grep -q '\*\*\*Skipped' "$work/log" && echo skipped || echo passes
}

if [ $fits_only = yes ]; then
    for name in "${names[@]}"; do
        if fits "$top"; then passed=$((passed + 1)); elif stands "$top"; then miss "its defect STANDS IN THE CODE: take it out"; else miss "the patch no longer fits; mend it"; fi
    done
    finish
fi

mkdir -p "$work/tree"
git -C "$top" ls-files -z --cached --others --exclude-standard | (cd "$top" && xargs -0 tar cf - --ignore-failed-read 2>/dev/null) | tar xf - -C "$work/tree"
if ! cmake -S "$work/tree" -B "$work/build" -G Ninja -DUPHOLE_BUILD=release >"$work/log" 2>&1 || ! build; then
    tail -n 15 "$work/log"
    echo "the tree does not build, even without a defect: nothing was planted"
    failed=${#names[@]}
    finish
fi

# Without a defect: what each test says, once.
declare -A sound
for name in "${names[@]}"; do
    for test in $(names_of "$(field "$name" test)"); do
        [ -z "${sound[$test]:-}" ] || continue
        for again in 1 2 3; do
            sound[$test]=$(run_test "$test")
            [ "${sound[$test]}" = fails ] || break
            echo "$test fails without a defect (try $again):"
            tail -n 30 "$work/log"
        done
    done
done

# try NAME TEST...: the defect is planted and built; each test must fail.
try() {
    local test caught='' missed=''
    shift
    for test in "$@"; do
        if [ "$(run_test "$test")" = fails ]; then caught+=" $test"; else missed+=" $test"; fi
        [ -z "${PLANTED_SHOW:-}" ] || grep -E 'ERROR|FAIL|[Aa]ssert|error:|lost|wrong|expected' "$work/log" | head -n "$PLANTED_SHOW"
    done
    if [ -n "$missed" ]; then
        miss "NOT caught by$missed ($(field "$name" plants))"
    else
        say "caught by$caught"
        passed=$((passed + 1))
    fi
}

for name in "${names[@]}"; do
    file=$here/$name.patch
    wanted=() unsound='' left_out='' named=0
    for test in $(names_of "$(field "$name" test)"); do
        named=$((named + 1))
        case ${sound[$test]} in
        passes) wanted+=("$test") ;;
        fails) unsound+=" $test" ;;
        skipped) left_out+=" $test" ;;
        esac
    done
    [ -z "$unsound" ] || { miss "without the defect it fails as well:$unsound"; continue; }
    [ -z "$left_out" ] || say "can't run on this machine:$left_out"
    if [ ${#wanted[@]} -eq 0 ] && [ -n "$left_out" ]; then
        say "SKIPPED"
        skipped=$((skipped + 1))
    elif [ $named -lt "$(alternatives_of "$name")" ]; then
        miss "not every test of '$(field "$name" test)' exists"
    elif ! fits "$work/tree"; then
        miss "the patch no longer fits; mend it"
    else
        patch -s -N -p1 -F0 --no-backup-if-mismatch -d "$work/tree" <"$file"
        if build_for "${wanted[@]}"; then
            try "$name" "${wanted[@]}"
        else
            grep -E 'error|FAILED' "$work/log" | head -n 15
            miss "does not build"
        fi
        patch -s -R -p1 --no-backup-if-mismatch -d "$work/tree" <"$file"
    fi
done
finish
