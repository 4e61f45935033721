#!/usr/bin/env bash
# Nothing that Uphole links may write to a unit: no write function of libmodbus is referenced by the program (nm reads its undefined symbols).
# Planted defect that it must catch: a call of modbus_write_register anywhere in daemon/.
set -u
binary=${1:?usage: no_write_functions.sh BINARY}
symbols=$(nm -D --undefined-only "$binary" | awk '{print $2}' | sed 's/@.*//')
grep -q '^modbus_' <<<"$symbols" || { echo "no function of libmodbus is linked at all: this test would prove nothing"; exit 1; }
# Everything in libmodbus that can write, answer as a server, or send a request that the caller composes. The raw request is allowed: what goes
# into it is built by daemon/base/pdu.c, which has no encoder for a write (tests/gather captures every byte that is sent).
forbidden=$(grep -E '^modbus_(write_|mask_write|write_and_read|reply|mapping|set_bits|report_slave)' <<<"$symbols")
if [ -n "$forbidden" ]; then
    echo "the program links functions that can write:"
    echo "$forbidden"
    exit 1
fi
echo "libmodbus functions linked: $(grep '^modbus_' <<<"$symbols" | tr '\n' ' ')"
