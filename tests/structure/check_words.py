#!/usr/bin/env python3
"""Fails on calls that the house bans (unbounded string functions), on files over 500 lines, and on a source file without its licence line."""
import pathlib
import re
import sys

top = pathlib.Path(__file__).resolve().parents[2]
BANNED = re.compile(r"(?<![a-z_>.])(sprintf|vsprintf|strcpy|strcat|strncat|gets|strtok|alloca|system|popen|tmpnam|mktemp|asctime|ctime|atoi|atol|atof)\s*\(")
faults = []
for path in sorted(top.glob("daemon/**/*.[ch]")) + sorted(top.glob("include/**/*.h")) + sorted(top.glob("tests/**/*.[ch]")):
    text = path.read_text()
    name = path.relative_to(top)
    lines = text.splitlines()
    if "SPDX-License-Identifier: Apache-2.0" not in lines[0]:
        faults.append(f"{name}:1: no licence line")
    if len(lines) > 500:
        faults.append(f"{name}: {len(lines)} lines; above 500 it is more than one idea")
    if name.parts[0] == "tests":
        continue  # the ban is for what runs on a box
    for number, line in enumerate(lines, 1):
        code = re.sub(r'"(\\.|[^"\\])*"', '""', line)
        code = re.sub(r"//.*|/\*.*?(\*/|$)|^\s*\*.*", "", code)
        hit = BANNED.search(code)
        if hit:
            faults.append(f"{name}:{number}: {hit.group(1)} is banned here")
print("\n".join(faults) if faults else "words and sizes are as the house has them")
sys.exit(1 if faults else 0)
