#!/usr/bin/python3
"""Runs each `$ uphole ...` of commands.txt and compares what it prints, standard error included, and its exit code.

    commands.py BINARY SOURCE_DIRECTORY

A line `[65]` behind the output states an exit code other than 0. Expected numbers come from published factors (NIST SP 811, appendix B)
and IEEE 754, as the rows of tests/base and test_decode.c state. Planted defect that it must catch: a marker that is looked for in the
converted value (`decode ... --not-fitted 0xFFFF 65535` then prints 65.535 MPa).
"""
import difflib
import os
import pathlib
import shlex
import subprocess
import sys

binary, top = pathlib.Path(sys.argv[1]).resolve(), pathlib.Path(sys.argv[2]).resolve()
golden = pathlib.Path(__file__).with_name("commands.txt").read_text(encoding="utf-8")
environment = dict(os.environ, LC_ALL="C.UTF-8", COLUMNS="120")
failed = count = 0
for part in golden.split("$ uphole ")[1:]:
    command, _, expected = part.partition("\n")
    expected = expected.rstrip("\n")
    done = subprocess.run([str(binary), *shlex.split(command)], cwd=top, env=environment, stdout=subprocess.PIPE,
                          stderr=subprocess.STDOUT, encoding="utf-8", timeout=300, check=False)
    got = done.stdout.rstrip("\n") + (f"\n[{done.returncode}]" if done.returncode != 0 else "")
    count += 1
    if got == expected:
        continue
    failed += 1
    print(f"uphole {command}")
    print("\n".join(difflib.unified_diff(expected.splitlines(), got.splitlines(), "expected", "got", lineterm="")))
print(f"{count} commands, {failed} differ")
sys.exit(1 if failed or count < 30 else 0)
