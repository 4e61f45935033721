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
# A Node.js that was installed by other means brings npm along and conflicts with Debian's package of that name.
command -v npm >/dev/null || need_packages nodejs npm
export LC_ALL=C.UTF-8 UPHOLE_LONG=$([ $long = yes ] && echo 1 || echo 0)
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
passed=0 failed=0 skipped=0
failures=()

note() { printf '\n== %s\n' "$*"; }

# build NAME CMAKE-OPTION... : configures and builds $targets (all of them by default) into build/NAME; a warning is an error here.
targets=
build() {
    local name=$1
    shift
    note "build $name"
    # shellcheck disable=SC2086
    if cmake -S . -B "build/$name" -G Ninja -DUPHOLE_WERROR=ON "$@" >"$out/$name.log" 2>&1 && ninja -C "build/$name" $targets >>"$out/$name.log" 2>&1; then
        passed=$((passed + 1))
    else
        tail -n 40 "$out/$name.log"
        failed=$((failed + 1))
        failures+=("build $name")
        return 1
    fi
}

# run_tests NAME CTEST-OPTION... : ctest in build/NAME, counted by test.
run_tests() {
    local name=$1
    shift
    note "tests of build $name"
    # Walks of the release build mostly wait; sanitizers keep both cores busy.
    ctest --test-dir "build/$name" -j "$([ "$name" = release ] && echo 6 || echo 3)" --output-on-failure --no-tests=ignore ${only:+-R "$only"} "$@" >"$out/ctest-$name.log" 2>&1
    grep -E '^ *[0-9]+/[0-9]+ Test|SKIP' "$out/ctest-$name.log"
    local good bad skip
    good=$(grep -cE 'Test +#[0-9]+: .* Passed ' "$out/ctest-$name.log")
    skip=$(grep -cE 'Test +#[0-9]+: .*\*\*\*Skipped' "$out/ctest-$name.log")
    bad=$(grep -cE 'Test +#[0-9]+: .*(\*\*\*Failed|\*\*\*Timeout|\*\*\*Exception|\*\*\*Not Run|Subprocess aborted)' "$out/ctest-$name.log")
    passed=$((passed + good)) skipped=$((skipped + skip)) failed=$((failed + bad))
    if [ "$bad" -gt 0 ]; then
        failures+=("$(grep -E 'Test +#[0-9]+: .*(\*\*\*Failed|\*\*\*Timeout|\*\*\*Exception|\*\*\*Not Run|Subprocess aborted)' "$out/ctest-$name.log" | sed 's/.*: \([a-z0-9_.-]*\) .*/'"$name"': \1/' | tr '\n' ' ')")
        sed -n '1,400p' "$out/ctest-$name.log"
    fi
}

labels=(-LE long)
[ $long = yes ] && labels=()
started=$(date +%s)
build release -DUPHOLE_BUILD=release && run_tests release "${labels[@]}"
if [ $quick = no ]; then
    # Sanitizers need lines, no more; the second compiler is here for its warnings and the fuzz targets.
    build debug -DUPHOLE_BUILD=debug -DUPHOLE_MORE_FLAGS=-g1 && ASAN_OPTIONS=detect_leaks=1 run_tests debug -L unit
    targets="uphole tests/base/all tests/gather/all tests/journal/all tests/publish/all tests/simulate/all tests/uphole/all tests/walk/all"
    build tsan -DUPHOLE_BUILD=tsan -DUPHOLE_MORE_FLAGS=-g1 && TSAN_OPTIONS="halt_on_error=1 suppressions=$PWD/tests/tsan.txt" run_tests tsan -R 'ring|backlog_thread|table|side|exchanges|port|safe|serve|wall|deliver|mqtt_pipe|walk_(kill|end_to_end)$' -E 'walk_(support|export)' -LE long
    targets=
    build clang -DCMAKE_C_COMPILER=clang -DUPHOLE_BUILD=debug "-DUPHOLE_MORE_FLAGS=-O0 -g0" && run_tests clang -R fuzz
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
            tail -n 40 "$2/valgrind-$1.log"
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
note "done in $(($(date +%s) - started)) s"
for failure in "${failures[@]}"; do echo "failed: $failure"; done
echo "$passed passed, $failed failed, $skipped skipped"
[ $failed -eq 0 ] && [ $passed -gt 0 ]
