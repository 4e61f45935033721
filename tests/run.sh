#!/usr/bin/env bash
# Installs what the tests need, builds every kind of build, and runs all tests. `--long` adds what takes longer than ten minutes.
#
#   tests/run.sh [--long] [--quick] [NAME]     --quick: only the release build's tests; NAME: only tests whose name holds it
#
# The last line is `N passed, N failed, N skipped`; a test that can't run on this machine is skipped by name, with the reason.
set -u
cd "$(dirname "${BASH_SOURCE[0]}")/.." || exit 70
. config/packages.sh
long=no quick=no only=
for argument in "$@"; do
    case $argument in
    --long) long=yes ;;
    --quick) quick=yes ;;
    -*) echo "tests/run.sh: $argument is not known; expected --long, --quick or a part of a test's name" >&2; exit 64 ;;
    *) only=$argument ;;
    esac
done
# shellcheck disable=SC2086
need_packages $BUILD_PACKAGES libcmocka-dev clang clang-format libclang-rt-14-dev valgrind strace socat mosquitto mosquitto-clients \
    python3 python3-pymodbus python3-serial python3-serial-asyncio python3-jsonschema python3-paho-mqtt python3-mpmath python3-scipy python3-pint python3-uncertainties sqlite3 e2fsprogs mount binutils git patch locales openssl procps \
    ser2net debootstrap systemd man-db groff-base bsdextrautils dpkg-dev fakeroot
[ $long = no ] || need_packages chromium poppler-utils # the loop check's page, printed
# A Node.js that was installed by other means brings npm along and conflicts with Debian's package of that name.
command -v npm >/dev/null || need_packages nodejs npm
export LC_ALL=C.UTF-8 UPHOLE_LONG=$([ $long = yes ] && echo 1 || echo 0)
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
passed=0 failed=0 skipped=0
failures=()

note() { printf '\n== %s\n' "$*"; }

# make_build NICENESS NAME TARGETS CMAKE-OPTION... : configures and builds TARGETS ("": all) into build/NAME; a warning is an error here.
make_build() {
    local niceness=$1 name=$2 targets=$3
    shift 3
    # shellcheck disable=SC2086
    nice -n "$niceness" cmake -S . -B "build/$name" -G Ninja -DUPHOLE_WERROR=ON "$@" >"$out/$name.log" 2>&1 && nice -n "$niceness" ninja -C "build/$name" $targets >>"$out/$name.log" 2>&1
}

# build_later NAME TARGETS CMAKE-OPTION... : the same while other tests run, after the builds that were said before it: walks mostly wait.
later=
build_later() {
    local name=$1 before=$later
    {
        [ -z "$before" ] || tail --pid="$before" -f /dev/null
        make_build 19 "$@"
        echo $? >"$out/$name.built"
    } &
    later=$!
    printf -v "builder_$name" %s "$later"
}

# built NAME : waits for a build of before, and counts it as a test; false where it failed.
built() {
    local name=$1 builder="builder_$1"
    note "build $name"
    [ -z "${!builder:-}" ] || wait "${!builder}"
    if [ "$(cat "$out/$name.built")" = 0 ]; then
        passed=$((passed + 1))
    else
        { echo "-- build $name"; tail -n 40 "$out/$name.log"; } >>"$out/said-by-failed"
        failed=$((failed + 1))
        failures+=("build $name")
        return 1
    fi
}

BAD='\*\*\*(Failed|Timeout|Exception|Not Run)|Subprocess aborted'

# outcomes LOG : the names of the tests that failed by a log of ctest.
outcomes() { grep -E "Test +#[0-9]+: .*($BAD)" "$1" | sed -E 's/.*Test +#[0-9]+: ([A-Za-z0-9_.-]+) .*/\1/'; }

# run_ctest NAME LOG PARALLEL CTEST-OPTION... : ctest in build/NAME; prints a line a test. What a failed one said (start and end, where that is long)
# is kept for the end of the run, which is read first and is all that some keep of a long output.
run_ctest() {
    local name=$1 log=$2 parallel=$3
    shift 3
    ctest --test-dir "build/$name" -j "$parallel" --output-on-failure --no-tests=ignore "$@" >"$log" 2>&1
    grep -E '^ *[0-9]+/[0-9]+ Test|SKIP' "$log"
    awk -v bad="$BAD" '/^ *[0-9]+\/[0-9]+ Test/ { if (n) show(); n = 0; if ($0 ~ bad) { n = 1; kept[1] = "-- " $0 } next }
        /^ +Start +[0-9]+:/ || /^[0-9]+% tests passed/ { if (n) show(); n = 0; next }
        n { kept[++n] = $0 }
        function show(i) { for (i = 1; i <= n; i++) if (i < 40 || i > n - 120) print kept[i]; else if (i == 40) print "   [...]" }' "$log" |
        sed "s/^-- /-- build $name: /" >>"$out/said-by-failed"
}

# Tests that look for lost rows by chance, and whose failure says no more than that: one of theirs is a finding, whatever comes of the same test a
# second time. Others name a finding themselves ("Finding: ", walk.py), so that one that is late to something may be repeated and one that lost a row may not.
FINDINGS='^(kill_loop|power_cut|power_cut_reordered|disk_refuses|nth_call|nth_call_long|walk_power_cut|walk_power_cut_long|walk_histories|walk_histories_long)$'

# findings LOG : the names of the tests that failed and said "Finding: " (a traceback's last line, or a thread's word), by a log of ctest. What was said
# stands behind a test's line, up to the next test's.
findings() {
    awk -v bad="$BAD" '/^ *[0-9]+\/[0-9]+ Test +#[0-9]+: / { name = ""; if ($0 ~ bad && match($0, /#[0-9]+: [A-Za-z0-9_.-]+/)) { split(substr($0, RSTART, RLENGTH), part, " "); name = part[2] } next }
        name != "" && /Finding: / { print name; name = "" }' "$1"
}

# run_tests NAME CTEST-OPTION... : tests of build/NAME, counted by test. A walk that failed beside five others is repeated once, alone: what fails
# again is a defect, what doesn't is named, and what it said the first time stands at the end. Never repeated are more than three, FINDINGS, and what
# said itself that it found something.
run_tests() {
    local name=$1 log="$out/ctest-$1.log" again="$out/ctest-$1-again.log" bad walks test
    shift
    note "tests of build $name"
    # Walks of the release build mostly wait; sanitizers keep both cores busy.
    run_ctest "$name" "$log" "$([ "$name" = release ] && echo 6 || echo 3)" ${only:+-R "$only"} "$@"
    passed=$((passed + $(grep -cE 'Test +#[0-9]+: .* Passed ' "$log"))) skipped=$((skipped + $(grep -cE 'Test +#[0-9]+: .*\*\*\*Skipped' "$log")))
    bad=$(outcomes "$log")
    walks=$(ctest --test-dir "build/$name" -N -L 'walk|long' | sed -nE 's/^ *Test +#[0-9]+: +//p')
    walks=$(grep -Fxf <(printf '%s\n' "$walks") <<<"$bad" | grep -vE "$FINDINGS" | grep -vxFf <(findings "$log"; echo /))
    if [ -n "$walks" ] && [ "$(wc -l <<<"$walks")" -le 3 ]; then
        note "alone: $(tr '\n' ' ' <<<"$walks")"
        run_ctest "$name" "$again" 1 -R "^($(paste -sd '|' <<<"$walks"))\$"
        for test in $walks; do
            if grep -qE "Test +#[0-9]+: $test \.* +Passed " "$again"; then
                passed=$((passed + 1))
                alone+=("$name: $test")
                bad=$(grep -vFx "$test" <<<"$bad")
            fi
        done
    fi
    for test in $bad; do
        failed=$((failed + 1))
        failures+=("$name: $test")
    done
}

alone=()
labels=(-LE long)
[ $long = yes ] && labels=()
started=$(date +%s)
make_build 0 release "" -DUPHOLE_BUILD=release
echo $? >"$out/release.built"
if [ $quick = no ]; then
    # Sanitizers need lines, no more; the second compiler is here for its warnings and the fuzz targets.
    build_later debug "" -DUPHOLE_BUILD=debug -DUPHOLE_MORE_FLAGS=-g1
    build_later tsan "uphole tests/base/all tests/gather/all tests/journal/all tests/publish/all tests/simulate/all tests/uphole/all tests/walk/all" \
        -DUPHOLE_BUILD=tsan -DUPHOLE_MORE_FLAGS=-g1
    build_later clang "" -DCMAKE_C_COMPILER=clang -DUPHOLE_BUILD=debug "-DUPHOLE_MORE_FLAGS=-O0 -g0"
fi
built release && run_tests release "${labels[@]}"
if [ $quick = no ]; then
    built debug && ASAN_OPTIONS=detect_leaks=1 run_tests debug -L unit
    built tsan && TSAN_OPTIONS="halt_on_error=1 suppressions=$PWD/tests/tsan.txt" run_tests tsan -R 'ring|backlog_thread|table|side|exchanges|port|safe|serve|wall|deliver|mqtt_pipe|read_back|walk_(kill|end_to_end)$' -E 'walk_(support|export)' -LE long
    built clang && run_tests clang -R fuzz
fi
if [ $quick = no ] && [ -z "$only" ]; then
    note "valgrind"
    check_memory() {
        local program
        program=$(find build/release/tests -name "$1" -type f -perm -u+x)
        [ -n "$program" ] || return
        if valgrind -q --error-exitcode=9 --leak-check=full --errors-for-leak-kinds=definite "$program" >"$2/valgrind-$1.log" 2>&1; then
            echo "  $1 clean"
        else
            echo "  $1 FAILED"
            { echo "-- valgrind $1"; tail -n 40 "$2/valgrind-$1.log"; } >>"$2/said-by-failed"
        fi
    }
    export -f check_memory
    xargs -P "$(nproc)" -I {} bash -c 'check_memory "$@"' _ {} "$out" <tests/valgrind.txt >"$out/valgrind.log" 2>&1
    cat "$out/valgrind.log"
    passed=$((passed + $(grep -c '^  test_[a-z0-9_]* clean$' "$out/valgrind.log")))
    while read -r _ name; do
        failed=$((failed + 1))
        failures+=("valgrind $name")
    done < <(sed -nE 's/^  (test_[a-z0-9_]*) FAILED$/x \1/p' "$out/valgrind.log")
fi
if [ $long = yes ] && [ -z "$only" ]; then
    note "planted defects: each must be caught by its tests"
    bash tests/planted/run.sh >"$out/planted.log" 2>&1
    cat "$out/planted.log"
    read -r good bad skip < <(sed -nE '$s/^([0-9]+) passed, ([0-9]+) failed, ([0-9]+) skipped$/\1 \2 \3/p' "$out/planted.log"; echo "0 1 0")
    passed=$((passed + good)) failed=$((failed + bad)) skipped=$((skipped + skip))
    [ "$bad" -eq 0 ] || failures+=("planted defects")
fi
if [ -s "$out/said-by-failed" ]; then
    note "what failed said"
    cat "$out/said-by-failed"
fi
note "done in $(($(date +%s) - started)) s"
for test in "${alone[@]}"; do echo "passed only when it was repeated alone: $test"; done
for failure in "${failures[@]}"; do echo "failed: $failure"; done
echo "$passed passed, $failed failed, $skipped skipped"
[ $failed -eq 0 ] && [ $passed -gt 0 ]
