#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""`uphole calculate` as a person uses it: tables of worked examples, one formula with its working, and what it says to bad input.

usage: calculate.py UPHOLE DIRECTORY-OF-TABLES
"""
import json
import subprocess
import sys
import tempfile

UPHOLE, TABLES = sys.argv[1:3]
FAILURES = []


def run(*words, code=0):
    done = subprocess.run([UPHOLE, "calculate", *words], capture_output=True, text=True)
    if done.returncode != code:
        FAILURES.append("%s: exit %d, expected %d: %s" % (" ".join(words), done.returncode, code, done.stderr.strip()))
    return done.stdout, done.stderr


def must(what, holds):
    if not holds:
        FAILURES.append(what)


def table(text, code):
    with tempfile.NamedTemporaryFile("w", suffix=".md") as file:
        file.write(text)
        file.flush()
        return run("--rows", file.name, code=code)


# The tables, whole; the counts are those of the files, so that no row is lost unseen.
for name in ("worked_examples.md", "surveys.md", "further.md", "parameters.md"):
    rows = sum(1 for line in open(TABLES + "/" + name) if line.startswith("| ") and line.split("-")[0].strip("| ").isalpha() and line.split("|")[1].strip()[-1:].isdigit())
    out, _ = run("--rows", TABLES + "/" + name)
    must("%s: %s" % (name, out.splitlines()[-1:]), out.splitlines()[-1:] == ["%d passed, 0 failed" % rows])

# A row that is off fails, says what came out, and the exit code is 1. Planted: a verdict that is always "pass".
out, _ = table("| A-1 | pump.dp | p_d=18 MPa; p_i=5 MPa | 13 MPa | rel 1e-12 | x |\n| A-2 | pump.dp | p_d=18 MPa; p_i=5 MPa | 14 MPa | rel 1e-3 | x |\n", 1)
must("a wrong row: " + out, out.splitlines() == ["A-1      pass pump.dp                        13 MPa", "A-2      fail pump.dp                        13 MPa, expected 14 MPa", "1 passed, 1 failed"])
# What can't be read is a failed row, never a skipped one.
for bad in ("| A-1 | pump.nothing | p=1 | 1 | exact | x |", "| A-1 | pump.dp | p_d=18 MPa; p_i=5 lumps | 13 MPa | exact | x |", "| A-1 | pump.dp | p_d=18 MPa; p_i | 13 MPa | exact | x |",
            "| A-1 | pump.dp | p_d=18 MPa; p_i=5 MPa | 13 m | exact | x |", "| A-1 | pump.dp | p_d=18 MPa; p_i=5 MPa | 13 MPa | roughly | x |",
            "| A-1 | pump.dp | p_d=18 MPa; p_i=5 MPa | none:gap | exact | x |", "| A-1 | pump.dp | p_d=missing; p_i=5 MPa | 13 MPa | exact | x |"):
    out, _ = table(bad + "\n", 1)
    must("%s: %s" % (bad, out), out.endswith("0 passed, 1 failed\n"))
# As objects too, whatever a person wrote into the row, in whatever encoding (RFC 8259, 8.1: UTF-8). Planted: texts written without escaping, or byte by byte.
with tempfile.NamedTemporaryFile("wb", suffix=".md") as file:
    file.write(b'| A-1 | pump."dp" \\ | p_d=1 | say "13" MPa \xb5 \xc2\xb5 | exact | x |\n')
    file.flush()
    out, _ = run("--rows", file.name, "--json", code=1)
must("a row with quotes as an object: " + out, json.loads(out) | {"got": ""} == {"id": "A-1", "quantity": 'pump."dp" \\', "got": "", "expected": 'say "13" MPa \ufffd \u00b5', "passed": False})
# A site's own data set, anywhere in the file.
table("| A-1 | stat.mean | data=mine | 2 | exact | x |\ntext\n- data mine: 1 2 3\n", 0)
_, err = table("nothing here\n", 65)
must("an empty table: " + err, "holds no row" in err)
_, err = run("--rows", "/nowhere/at-all.md", code=66)
must("no such table: " + err, "/nowhere/at-all.md can't be read" in err)

# One formula: working, uncertainty (JCGM 100:2008 by its closed form, gum.u_head), and the same as an object.
words = ["pump.pressure_head", "p_d=18.5 MPa", "p_i=5.2 MPa", "rho=980 kg/m3", "u_p_d=0.02 MPa", "u_p_i=10 kPa", "u_rho=15 kg/m3"]
out, _ = run(*words)
for piece in ("H_p = (p_d - p_i) / (rho g)", "dp = p_d - p_i           = 13.3 MPa", "result   1383.900575 m", "standard uncertainty 21.30955", "source   ISO 9906"):
    must("the working lacks '%s': %s" % (piece, out), piece in out)
out, _ = run(*words, "--in", "ft", "--json")
got = json.loads(out)
must("the object: " + out, abs(got["value"] - 1383.900574756 / 0.3048) < 1e-6 and abs(got["standard_uncertainty"] - 21.30955251236 / 0.3048) < 1e-7 and got["unit"] == "ft")
out, _ = run("pump.pressure_head", "p_d=not_fitted", "p_i=5.2 MPa", "rho=980 kg/m3")
must("a sensor that is not fitted: " + out, "no value: not_fitted, because of p_d" in out)
out, _ = run("pump.dp", "p_d=4 MPa", "p_i=5 MPa")
must("a reversed pump: " + out, "flag     reversed_dp" in out)
out, _ = run("density.mix", "f_w=75", "rho_w=1085", "rho_o=865")
must("a cut in per cent: " + out, "no value: domain, because of f_w" in out)

# Bad input: what, where, what to do.
for words, piece in ((["pump.head", "H=1"], "no quantity is called 'pump.head'"), (["pump.dp", "p_d=1 MPa"], "pump.dp needs p_i"), (["pump.dp", "p_d=1 MPa", "p_i=1 m"], "does not measure what"),
                     (["pump.dp", "p_d=1 MPa", "p_i=one"], "is no number"), (["pump.dp", "p_d=1 MPa", "p_i=1 psy"], "the unit 'psy' is not known"),
                     (["pump.dp", "p_d=1 MPa", "p_i=0x10"], "is no number"), (["pump.dp", "p_d=1 MPa", "p_d=1 MPa", "p_i=0"], "p_d is given twice"), (["pump.dp", "p_d"], "'p_d' is no input"),
                     (["gas.density", "p=1 MPa gauge", "T=300 K", "gamma_g=0.7", "Z=1"], "needs an absolute pressure"), (["survey.TVD_at", "survey=/nowhere.csv", "MD_at=1"], "/nowhere.csv can't be read"),
                     (["stat.sd", "x=[1,2]", "divisor=n+1"], "expected one of n-1|n"), (["pump.dp", "p_d=1 MPa", "p_i=1 MPa", "--in", "m"], "the result")):
    done = subprocess.run([UPHOLE, "calculate", *words], capture_output=True, text=True)
    must("%s: exit %d, %s" % (words, done.returncode, done.stderr), done.returncode in (64, 66) and piece in done.stderr and done.stdout == "")
out, _ = run("--list")
must("the list", "pump.pressure_head" in out and "water.T_sat" in out)
json.loads(run("--list", "--json")[0])

for failure in FAILURES:
    print(failure)
print("%d failures" % len(FAILURES))
sys.exit(1 if FAILURES else 0)
