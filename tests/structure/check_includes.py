#!/usr/bin/env python3
"""Fails where a room takes what the design doesn't allow it: front doors only, third-party headers by room, clocks in base/stamp.c alone.

The rules are those of DEVELOPERS.md, "Rooms". Planted defect that it must catch: `#include "../journal/store.h"` in daemon/publish.
"""
import pathlib
import re
import sys

top = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else __file__).resolve()
top = top if top.is_dir() else top.parents[2]

BASE = {"error", "say", "stamp", "quantity", "quality", "points", "wire", "pdu", "scan", "ring", "survey", "wall", "json"}
# Front doors that a room may include, beside its own private headers.
DOORS = {
    "base": BASE,
    "configure": BASE | {"plan"},
    "gather": BASE | {"plan", "gather", "overhear", "trace"},
    "commission": BASE | {"plan", "gather", "overhear", "measure", "unit_doubt", "journal", "commission", "compare", "loop"},
    "journal": BASE | {"plan", "journal", "journal_books"},
    "measure": BASE - {"say", "ring", "wall"} | {"plan", "measure", "formula", "unit_doubt"},
    "publish": BASE | {"plan", "publish", "table", "read_back"},
    "simulate": BASE | {"plan", "simulate", "exercise"},
    "uphole": BASE | {"plan", "gather", "overhear", "commission", "compare", "loop", "trace", "journal", "journal_books", "measure", "formula", "unit_doubt", "publish", "table", "read_back", "simulate", "exercise"},
}
THIRD_PARTY = {
    "configure": {"yaml.h", "sha2.h"},
    "gather": {"modbus.h", "modbus/modbus.h"},
    "journal": {"sqlite3.h", "sha2.h", "zstd.h"},
    "publish": {"mosquitto.h", "mqtt_protocol.h", "openssl/err.h", "openssl/ssl.h", "openssl/x509v3.h"},
}
# Where one file alone may take a library: confinement must stand before `publish` begins, out of its reach.
THIRD_PARTY_OF_FILE = {"daemon/uphole/confine.c": {"seccomp.h"}}
# Headers of C and of POSIX or Linux that count as "libc".
SYSTEM = re.compile(r"^(arpa|linux|net|netinet|sys)/[a-z0-9_]+\.h$|^(assert|complex|ctype|dirent|endian|errno|fcntl|fenv|float|getopt|grp|"
                    r"inttypes|langinfo|limits|locale|math|netdb|poll|pthread|pty|pwd|sched|semaphore|setjmp|signal|spawn|stdalign|stdarg|stdatomic|stdbool|"
                    r"stddef|stdint|stdio|stdio_ext|stdlib|string|strings|sysexits|syslog|termios|time|unistd|wchar|tgmath)\.h$")
PURE_FORBIDS = {"stdio.h", "stdlib.h", "time.h", "unistd.h", "sys/time.h", "sys/socket.h", "pthread.h", "fcntl.h", "poll.h"}
CLOCKS = re.compile(r"\b(clock_gettime|gettimeofday|time|adjtimex|ntp_gettime|timespec_get)\s*\(")

INCLUDE = r'\s*#\s*include\s*([<"])([^>"]+)[>"]'


def without_comments(line):
    return re.sub(r"/\*.*?\*/", " ", line)


faults = []
for room, doors in DOORS.items():
    for path in sorted((top / "daemon" / room).glob("*.[ch]")):
        for number, line in enumerate(path.read_text().splitlines(), 1):
            where = f"{path.relative_to(top)}:{number}"
            code = "" if re.match(r"\s*\*(\s|$)", line) else re.sub(r"//.*|/\*.*?(\*/|$)", "", line)
            if CLOCKS.search(re.sub(r'"(\\.|[^"\\])*"', "", code)) and path.name != "stamp.c":
                faults.append(f"{where}: reads a clock; only daemon/base/stamp.c may")
            include = re.match(INCLUDE, without_comments(line))
            if not include:
                continue
            kind, name = include.groups()
            if kind == '"':
                if name.startswith("uphole/"):
                    if name[len("uphole/"):-2] not in doors:
                        faults.append(f"{where}: {room} may not include {name}")
                elif "/" in name or not (path.parent / name).exists():
                    faults.append(f"{where}: {name} is no header of this room; another room's way in is include/uphole/")
            elif name in THIRD_PARTY.get(room, set()) | THIRD_PARTY_OF_FILE.get(str(path.relative_to(top)), set()):
                continue
            elif not SYSTEM.match(name):
                faults.append(f"{where}: {room} may not use {name}")
            elif room == "measure" and name in PURE_FORBIDS:
                faults.append(f"{where}: measuring is pure and may not use {name}")
ROOM_OF_DOOR = {door: "base" for door in BASE} | {"plan": "configure", "gather": "gather", "overhear": "gather", "trace": "gather", "commission": "commission", "compare": "commission", "loop": "commission", "journal": "journal", "journal_books": "journal", "measure": "measure", "formula": "measure", "unit_doubt": "measure",
                                                  "publish": "publish", "table": "publish", "read_back": "publish", "simulate": "simulate", "exercise": "simulate"}
for path in sorted((top / "include" / "uphole").glob("*.h")):
    room = ROOM_OF_DOOR.get(path.stem)
    if room is None:
        faults.append(f"{path.relative_to(top)}: a front door that no room of this test owns")
        continue
    for number, line in enumerate(path.read_text().splitlines(), 1):
        include = re.match(INCLUDE, without_comments(line))
        if not include:
            continue
        kind, name = include.groups()
        where = f"{path.relative_to(top)}:{number}"
        if kind == "<" and not SYSTEM.match(name):
            faults.append(f"{where}: a front door may not show {name}")
        elif kind == '"' and (not name.startswith("uphole/") or name[len("uphole/"):-2] not in DOORS[room]):
            faults.append(f"{where}: the front door of {room} may not hand on {name}")

print("\n".join(faults) if faults else "rooms take only what they may")
sys.exit(1 if faults else 0)
