# Sourced by config/demo/run.sh and tests/run.sh: installs the Debian packages that are missing, and says which.
# need_packages NAME... ; ends the script with 69 (EX_UNAVAILABLE), naming them, where they can't be had.

missing_packages() {
    local name
    for name in "$@"; do
        [ "$(dpkg-query -W -f='${db:Status-Status}' "$name" 2>/dev/null)" = installed ] || printf '%s ' "$name"
    done
}

need_packages() {
    local missing as_root=() log
    command -v dpkg-query >/dev/null || { echo "This script installs Debian packages and finds no dpkg here. It needs: $*" >&2; exit 69; }
    missing=$(missing_packages "$@")
    [ -n "$missing" ] || return 0
    if [ "$(id -u)" -ne 0 ]; then
        command -v sudo >/dev/null || { echo "These Debian packages are missing, and only root can install them: $missing" >&2; exit 69; }
        as_root=(sudo)
    fi
    echo "Installing the Debian packages that are missing: $missing"
    log=$(mktemp)
    # shellcheck disable=SC2086 # a list of names
    if ! { "${as_root[@]}" apt-get update &&
           "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends $missing; } >"$log" 2>&1; then
        tail -n 5 "$log" >&2
        rm -f "$log"
        echo "These Debian packages could not be installed: $(missing_packages "$@")" >&2
        exit 69
    fi
    rm -f "$log"
}

# What it takes to build, and to run the program.
BUILD_PACKAGES="gcc libc6-dev cmake ninja-build pkg-config libmodbus-dev libmosquitto-dev libssl-dev libyaml-dev libsqlite3-dev libmd-dev libseccomp-dev libzstd-dev"
