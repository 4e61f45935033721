#!/usr/bin/env bash
# Plants one defect at a time into a copy of the tree and runs the test that must catch it: a fault test that has never failed proves nothing.
#
#   tests/planted/run.sh [NAME...]     NAME: a patch here without .patch, or a beginning of such names; none: all
#
# Each NAME.patch begins with `# test: REGEX` (for ctest -R) and `# plants: what`. A defect counts as caught where every test that REGEX names
# passes without it and fails with it. One copy and one build serve all patches, so that a patch rebuilds only what it changes. A test that
# can't run on this machine is skipped by name. PLANTED_SHOW=n prints the first n lines of what the tests said.
# The last line is `N passed, N failed, N skipped`.
set -u
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
top=$(cd "$here/../.." && pwd)
passed=0 failed=0 skipped=0
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
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
miss() { say "$@"; failed=$((failed + 1)); }
build() { ninja -C "$work/build" -j "$(nproc)" >"$work/log" 2>&1; }

# run_tests REGEX: what each test said, into $work/log; `bad` and `good` are the names of those that failed and passed, `all` their number.
run_tests() {
    ctest --test-dir "$work/build" --output-on-failure -R "$1" >"$work/log" 2>&1
    all=$(grep -cE '^ *[0-9]+/[0-9]+ Test +#' "$work/log")
    good=$(sed -nE 's/^ *[0-9]+\/[0-9]+ Test +#[0-9]+: ([^ ]+) .* Passed .*/\1/p' "$work/log" | tr '\n' ' ')
    bad=$(sed -nE 's/^ *[0-9]+\/[0-9]+ Test +#[0-9]+: ([^ ]+) .*(\*\*\*(Failed|Timeout|Exception)|Subprocess aborted).*/\1/p' "$work/log" | tr '\n' ' ')
}

mkdir -p "$work/tree"
git -C "$top" ls-files -z --cached --others --exclude-standard | (cd "$top" && xargs -0 tar cf - --ignore-failed-read 2>/dev/null) | tar xf - -C "$work/tree"
if ! cmake -S "$work/tree" -B "$work/build" -G Ninja -DUPHOLE_BUILD=release >"$work/log" 2>&1 || ! build; then
    tail -n 15 "$work/log"
    echo "the tree does not build, even without a defect"
    exit 1
fi

# Without a defect: what each test says.
declare -A sound
for name in "${names[@]}"; do
    test=$(field "$name" test)
    [ -n "$test" ] && [ -z "${sound[$test]:-}" ] || continue
    run_tests "$test"
    sound[$test]=passes
    [ $all -eq 0 ] && sound[$test]=unknown
    grep -q '\*\*\*Skipped' "$work/log" && sound[$test]=skipped
    [ -n "$bad" ] && sound[$test]=fails && tail -n 30 "$work/log"
done

for name in "${names[@]}"; do
    file=$here/$name.patch
    test=$(field "$name" test)
    case ${sound[$test]:-unknown} in
    fails) miss "$test fails without the defect too"; continue ;;
    unknown) miss "no test is called '$test'"; continue ;;
    skipped) say "SKIPPED: $test can't run on this machine"; skipped=$((skipped + 1)); continue ;;
    esac
    if ! patch -s -p1 --dry-run -d "$work/tree" <"$file" >"$work/log" 2>&1; then
        miss "the patch no longer fits; mend it"
        continue
    fi
    patch -s -p1 --no-backup-if-mismatch -d "$work/tree" <"$file"
    if ! build; then
        grep -E 'error|FAILED' "$work/log" | head -n 15
        miss "does not build"
    else
        run_tests "$test"
        if [ -n "$good" ] || [ -z "$bad" ]; then
            miss "NOT caught by $good($(field "$name" plants))"
        else
            say "caught by $bad"
            passed=$((passed + 1))
        fi
        [ -n "${PLANTED_SHOW:-}" ] && grep -vE '^(Internal|Test project| *Start|$)' "$work/log" | head -n "$PLANTED_SHOW"
    fi
    patch -s -R -p1 --no-backup-if-mismatch -d "$work/tree" <"$file"
done
echo "$passed passed, $failed failed, $skipped skipped"
[ $failed -eq 0 ] && [ $((passed + skipped)) -gt 0 ]
