#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""docs/limits.md against the source: each value beside a constant's name is the constant's.

usage: check_limits.py SOURCE-DIRECTORY
"""
import glob
import re
import sys

SOURCE = sys.argv[1]


def constants():
    found = {}
    for path in glob.glob(SOURCE + "/include/uphole/*.h") + glob.glob(SOURCE + "/daemon/*/*.[ch]"):
        for name, value in re.findall(r"^#define ([A-Z][A-Z_0-9]+) +([^/\n]+?)(?: */\*.*)?$", open(path).read(), re.M):
            found.setdefault(name, value.strip())
    return found


def number(value, known):
    """A whole number out of a constant's text; other constants in it are looked up."""
    value = re.sub(r"U?INT64_C\((\d+)\)", r"\1", value)
    value = re.sub(r"\b(\d+)[uUlL]+\b", r"\1", value)
    value = re.sub(r"\b([A-Z][A-Z_0-9]+)\b", lambda m: "(" + known.get(m.group(1), "x") + ")", value)
    value = re.sub(r"\b(\d+)[uUlL]+\b", r"\1", re.sub(r"U?INT64_C\((\d+)\)", r"\1", value))
    return eval(value, {}) if re.fullmatch(r"[\d\s*+()]+", value) else None


def main():
    known, failures, held = constants(), [], 0
    known.setdefault("RING_SLOTS", known.get("RUN_RING_SLOTS", "x"))
    for line_number, line in enumerate(open(SOURCE + "/docs/limits.md"), 1):
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        names = [name for name in cells[-1].split(", ") if re.fullmatch(r"[A-Z][A-Z_0-9]+", name)] if line.startswith("|") else []
        if not names:
            continue
        stated = [int(n) for n in re.findall(r"\d+", cells[1])]
        if len(stated) < len(names):
            stated += [int(n) for n in re.findall(r"\d+", cells[0])]
        for name, value in zip(names, stated):
            really = number(known.get(name, "x"), known)
            if name == "HOLD_MOST_MS":
                really = really // 3600000 if really else really
            held += 1
            if really != value:
                failures.append("docs/limits.md:%d: %s is %s there, %s in the source" % (line_number, name, value, really))
    unit = open(SOURCE + "/systemd/uphole.service").read()
    allowed = re.findall(r"^MemoryMax=(\d+)M$|^TasksMax=(\d+)$", unit, re.M)
    said = re.search(r"unit allows (\d+) MiB\s+and (\d+) tasks", open(SOURCE + "/docs/limits.md").read())
    if said is None or [a or b for a, b in allowed] != list(said.groups()):
        failures.append("docs/limits.md: the unit's MemoryMax and TasksMax are %s there" % (said and said.groups(),))
    for failure in failures:
        print(failure)
    print("%d limits held against the source, %d differ" % (held, len(failures)))
    return 1 if failures or held < 20 else 0


sys.exit(main())
