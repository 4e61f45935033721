#!/usr/bin/env bash
# Builds the Debian package, and installs, upgrades, removes and purges it in a fresh Debian root without a network.
#
#   tests/package/test_package.sh SOURCE BUILD     BUILD: where it may build; kept between runs, so that only what changed is compiled
#
# Exit 77, with the reason, where this machine can't make such a root. Planted defects that it must catch: a postinst that leaves
# /etc/uphole readable by all; a map directory that doesn't follow the prefix; a file that purge leaves behind; a journal that purge
# deletes; a key that the default configuration misspells; an option of the help that no manual page names.
set -u
source=$1 build=$2
skip() { echo "SKIPPED test_package: $*"; exit 77; }
fail() { echo "failed: $*"; exit 1; }
note() { echo "- $*"; }

[ "$(id -u)" -eq 0 ] || skip "only root can make a root directory for Debian"
for tool in debootstrap dpkg-shlibdeps systemd-analyze man unshare chroot; do
    command -v $tool >/dev/null || PATH=$PATH:/usr/sbin command -v $tool >/dev/null || skip "$tool isn't installed"
done
PATH=$PATH:/usr/sbin:/sbin
unshare --mount --pid --net --fork true 2>/dev/null || skip "no rights to unshare mounts, processes and network"

work=$(mktemp -d)
root=$work/root
clean() {
    case $root in "$work"/root) rm -rf --one-file-system "$work" ;; esac
}
trap clean EXIT

# ---- the packages: one, and the same version packaged again ----

package() { # RELEASE: prints the path of the package
    cmake -S "$source" -B "$build" -G Ninja -DUPHOLE_BUILD=release -DCMAKE_INSTALL_PREFIX=/usr -DUPHOLE_PACKAGE_RELEASE="$1" >"$work/log" 2>&1 &&
        ninja -C "$build" uphole manual >>"$work/log" 2>&1 &&
        (cd "$build" && cpack -B "$work/packages") >>"$work/log" 2>&1 || { tail -n 30 "$work/log" >&2; return 1; }
    ls "$work"/packages/uphole_*-"$1"_*.deb
}
began=$(date +%s)
first=$(package 1) || fail "the package could not be built"
second=$(package 2) || fail "the second package could not be built"
note "built $(basename "$first") ($(stat -c %s "$first") bytes) and $(basename "$second") in $(($(date +%s) - began)) s"

# ---- what needs no root ----

dpkg-deb -x "$first" "$work/files"
unit=$work/files/usr/lib/systemd/system/uphole.service
exposure=$(systemd-analyze security --offline=true --threshold=20 "$unit" 2>&1) || fail "the unit is exposed beyond 2.0: $(tail -n 1 <<<"$exposure")"
note "$(tail -n 1 <<<"$exposure" | sed 's/^[^A-Za-z]*//')"

export LC_ALL=C.UTF-8 MANWIDTH=100
for page in man1/uphole.1 man5/uphole.yaml.5 man5/uphole-map.5; do
    file=$work/files/usr/share/man/$page.gz
    [ -f "$file" ] || fail "$page is not in the package"
    man --warnings -E UTF-8 -l "$file" >"$work/page" 2>"$work/warnings" || fail "$page can't be rendered: $(cat "$work/warnings")"
    [ -s "$work/warnings" ] && fail "$page: $(head -n 3 "$work/warnings")"
    col -b <"$work/page" >"$work/$(basename $page).txt"
    note "$page renders to $(wc -l <"$work/page") lines without a warning"
done
program=$work/files/usr/bin/uphole
for command in $("$program" --help | sed -n '/^Set up:/,/^  help /{/^  help /!s/^  \([a-z-]*\) .*/\1/p}'); do
    grep -q "uphole $command" "$work/uphole.1.txt" || fail "uphole(1) doesn't name the command $command"
    for option in $("$program" help "$command" | grep -o '^  --[a-z-]*'); do
        grep -qe "$option" "$work/uphole.1.txt" || fail "uphole(1) doesn't name $option of $command"
    done
done
"$program" check --reference=configuration | sed -n 's/^| `\([a-z_]*\)`.*/\1/p' | while read -r key; do
    grep -q "^ *$key:" "$work/uphole.yaml.5.txt" || { echo "uphole.yaml(5) doesn't name $key"; exit 1; }
done || fail "uphole.yaml(5) lacks a key"

# ---- a fresh root ----

release=$(. /etc/os-release && echo "$VERSION_CODENAME")
mirror=$(sed -n 's/^URIs: *\([^ ]*debian\)\/*$/\1/p' /etc/apt/sources.list.d/*.sources 2>/dev/null | head -n 1)
needs=$(dpkg-deb -f "$first" Depends | sed 's/([^)]*)//g; s/|[^,]*//g; s/ //g')
began=$(date +%s)
unshare --mount debootstrap --variant=minbase --include="$needs" "$release" "$root" "${mirror:-http://deb.debian.org/debian}" >"$work/log" 2>&1 ||
    skip "debootstrap could not make a Debian root: $(tail -n 1 "$work/log")"
note "a fresh root of Debian $release with $needs in $(($(date +%s) - began)) s"
mkdir -p "$root/packages" && cp "$first" "$second" "$root/packages/"

# inside COMMAND...: in the root, without a network and without the other processes
inside() {
    unshare --mount --pid --net --fork --mount-proc="$root/proc" \
        chroot "$root" env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive "$@"
}
listing() { # what is there, but for the books of dpkg, logs, run-time locks, and what adduser keeps as a copy
    (cd "$root" && find . -xdev \( -path ./proc -o -path ./sys -o -path ./dev -o -path ./packages -o -path ./var/lib/dpkg -o -path ./var/log -o -path ./tmp -o -path ./run \
        -o -path ./var/cache \) -prune -o -print | sort) | grep -vE '^\./etc/(passwd|group|shadow|gshadow|subuid|subgid)-$'
}
expect() { # WHAT GOT EXPECTED
    [ "$2" = "$3" ] || fail "$1: got '$2', expected '$3'"
}
named() { inside stat -c '%a %U:%G' "$1"; }

listing >"$work/before"
cp "$root/etc/passwd" "$work/passwd.before"

# ---- install ----

inside dpkg -i "/packages/$(basename "$first")" >"$work/log" 2>&1 || { cat "$work/log"; fail "it could not be installed"; }
expect "state" "$(inside dpkg-query -W -f '${db:Status-Abbrev}${Version}' uphole)" "ii $(dpkg-deb -f "$first" Version)"
expect "groups of its user" "$(inside id -nG uphole)" "uphole dialout"
expect "shell of its user" "$(inside getent passwd uphole | cut -d: -f7)" /usr/sbin/nologin
expect "/etc/uphole" "$(named /etc/uphole)" "750 root:uphole"
expect "the configuration" "$(named /etc/uphole/uphole.yaml)" "640 root:uphole"
expect "the journal's directory" "$(named /var/lib/uphole)" "750 uphole:uphole"
expect "what was enabled" "$(find "$root/etc/systemd" -name 'uphole*' 2>/dev/null)" ""
as_user=(inside setpriv --reuid uphole --regid uphole --init-groups --)
"${as_user[@]}" uphole check >"$work/check" 2>&1 || { cat "$work/check"; fail "its own default configuration isn't accepted"; }
note "installed; $(head -n 1 "$work/check")"
inside setpriv --reuid nobody --clear-groups uphole check >"$work/log" 2>&1 && fail "anybody may read the configuration"

inside bash --norc -c '
    set -eu
    . /usr/share/bash-completion/completions/uphole
    complete -p uphole >/dev/null
    try() { COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); COMPREPLY=(); _uphole 2>/dev/null || true; echo "${COMPREPLY[*]}"; }
    test "$(try uphole che)" = check
    test "$(try uphole gaps --jo)" = --journal
    test "$(try uphole run --config /etc/uphole/upho)" = /etc/uphole/uphole.yaml
    test "$(try uphole check /etc/uphole/upho)" = /etc/uphole/uphole.yaml
    test "$(try uphole help conv)" = convert
' || fail "the completion doesn't complete"
note "completion loaded; commands, options and files complete"

# A few seconds of life, without a line: a journal comes to be.
"${as_user[@]}" timeout --preserve-status -s TERM 4 uphole run >"$work/run" 2>&1
expect "its exit code ($(tail -n 2 "$work/run"))" $? 0
[ -s "$root/var/lib/uphole/journal.sqlite" ] || fail "there is no journal: $(cat "$work/run")"
"${as_user[@]}" uphole gaps --last 1d >"$work/log" 2>&1 || fail "'uphole gaps' doesn't read the journal: $(cat "$work/log")"

# ---- upgrade ----

echo "# by hand" >>"$root/etc/uphole/uphole.yaml"
echo secret >"$root/etc/uphole/broker.pass"
inside dpkg -i "/packages/$(basename "$second")" >"$work/log" 2>&1 || { cat "$work/log"; fail "it could not be upgraded"; }
expect "version" "$(inside dpkg-query -W -f '${db:Status-Abbrev}${Version}' uphole)" "ii $(dpkg-deb -f "$second" Version)"
expect "the operator's line" "$(tail -n 1 "$root/etc/uphole/uphole.yaml")" "# by hand"
expect "the configuration" "$(named /etc/uphole/uphole.yaml)" "640 root:uphole"
[ -s "$root/var/lib/uphole/journal.sqlite" ] || fail "the upgrade lost the journal"
"${as_user[@]}" uphole check >/dev/null 2>&1 || fail "the configuration isn't accepted after the upgrade"
note "upgraded; configuration and journal kept"

# ---- remove, install again, purge ----

inside dpkg -r uphole >"$work/log" 2>&1 || { cat "$work/log"; fail "it could not be removed"; }
[ ! -e "$root/usr/bin/uphole" ] && [ ! -e "$root/usr/lib/systemd/system/uphole.service" ] || fail "removing left the program or its unit"
[ -e "$root/etc/uphole/uphole.yaml" ] && [ -e "$root/etc/uphole/broker.pass" ] && [ -s "$root/var/lib/uphole/journal.sqlite" ] ||
    fail "removing took configuration, secrets or journal"
inside dpkg -i "/packages/$(basename "$second")" >"$work/log" 2>&1 || { cat "$work/log"; fail "it could not be installed again"; }
expect "the operator's line" "$(tail -n 1 "$root/etc/uphole/uphole.yaml")" "# by hand"
inside dpkg -P uphole >"$work/log" 2>&1 || { cat "$work/log"; fail "it could not be purged"; }
[ ! -e "$root/etc/uphole" ] || fail "purging left /etc/uphole"
[ -s "$root/var/lib/uphole/journal.sqlite" ] || fail "purging took the journal"
grep -q "the journal in /var/lib/uphole is kept" "$work/log" || fail "purging doesn't say that the journal is kept"
rm -r "$root/var/lib/uphole"
inside dpkg -i "/packages/$(basename "$second")" >"$work/log" 2>&1 || { cat "$work/log"; fail "it could not be installed a third time"; }
inside dpkg -P uphole >"$work/log" 2>&1 || { cat "$work/log"; fail "it could not be purged a second time"; }
listing >"$work/after"
diff "$work/before" "$work/after" >"$work/log" || { cat "$work/log"; fail "purging doesn't leave the root as it was"; }
diff "$work/passwd.before" "$root/etc/passwd" >"$work/log" || { cat "$work/log"; fail "purging leaves the user"; }
note "removed and purged; nothing is left but what a person's journal would be"
echo "good"
