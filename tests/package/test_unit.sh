#!/usr/bin/env bash
# The unit's exposure stays at 2.0 or less, and what the program needs isn't taken away with it.
#
#   tests/package/test_unit.sh UNIT          Planted defects: `CapabilityBoundingSet=` taken out; ProtectClock=yes, with which the sync state can't be read.
set -u
unit=$1
command -v systemd-analyze >/dev/null || { echo "SKIPPED package_unit_exposure: systemd-analyze isn't installed"; exit 77; }
shown=$(systemd-analyze security --offline=true --threshold=20 "$unit" 2>&1)
code=$?
grep -q 'Overall exposure' <<<"$shown" || { echo "SKIPPED package_unit_exposure: systemd-analyze can't judge a file here: $(tail -n 1 <<<"$shown")"; exit 77; }
tail -n 1 <<<"$shown"
[ $code -eq 0 ] || { echo "failed: the exposure is above 2.0"; exit 1; }
failed=0
# SETTING: must stand there, for the reason named in the unit.
while read -r setting; do
    grep -qxF "$setting" "$unit" || { echo "failed: $setting isn't set"; failed=1; }
done <<'SETTINGS'
Type=notify
WatchdogSec=60
User=uphole
StateDirectory=uphole
StateDirectoryMode=0750
DevicePolicy=closed
DeviceAllow=char-ttyUSB rw
ProtectClock=no
LimitCORE=0
LogRateLimitIntervalSec=100
LogRateLimitBurst=1000
SETTINGS
grep -q '^ProcSubset=pid' "$unit" && { echo "failed: ProcSubset=pid hides the boot id"; failed=1; }
# A system call that the unit must leave to the program, whatever group it is in.
for call in adjtimex clock_adjtime seccomp landlock_create_ruleset landlock_add_rule landlock_restrict_self; do
    grep -qE "^SystemCallFilter=([^~].*)?\b$call\b" "$unit" || { echo "failed: the unit forbids $call"; failed=1; }
done
exit $failed
