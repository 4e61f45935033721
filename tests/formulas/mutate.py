#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Changes one constant of a formula at a time, builds it, and runs the worked examples: each change must make a row fail.

usage: mutate.py SOURCE-DIRECTORY [--every N]

Limits of validity set flags, which rows don't compare; lines that only set flags, bounds of searches and texts are left alone. A constant whose change no row
notices is printed, and makes the run fail.
"""
import argparse
import glob
import os
import re
import subprocess
import sys
import tempfile

LITERAL = re.compile(r"(?<![\w.\"])(\d+\.\d*(?:e[-+]?\d+)?|\d+e[-+]?\d+|\d+\.\d+)(?![\w.])")
# Sizes of cables are a table, held by tests/measure/test_derive_chain.c. Lines of which no constant is part of a formula: limits of validity, bounds of searches, samples needed, guards against a division by nought.
NO_FORMULA = re.compile(r"FLAG_|define HALF_TURN|CABLE_AWG|CABLE_MM2|between\(|LEAST|_MOST|BISECTIONS|BRACKET|ROOT_STEPS|SMALL_RAD|judge_|STEP_RELATIVE|CYCLE_|Validity|if \(|return value|first_root\(|"
                        r"\* *$|^ *\*|^ */[/*]|reduced_temperature > |cold \?|out->flags|number < |roughness < |celsius <|fabs\(r\)|PAIRS|ratio < |share < |moments|i2 = |0\.0;|formula_step|, \"[^\"]*\"\);|^ *[\d.e]+( / (PSI_IN_PA|98066\.5|FOOT_IN_M))?,")
ZERO_OR_ONE = ("0.0", "1.0")


def mutants(path):
    in_table = False
    for number, line in enumerate(open(path), 1):
        in_table = in_table or "clang-format off" in line
        if "clang-format on" in line:
            in_table = False
        code = re.sub(r'"[^"]*"', lambda m: " " * len(m.group(0)), line)
        code = re.sub(r"/\*.*?\*/", lambda m: " " * len(m.group(0)), code)
        if in_table or "/*" in code or NO_FORMULA.search(code):
            continue
        for match in LITERAL.finditer(code):
            if match.group(1) in ZERO_OR_ONE:
                continue
            value = float(match.group(1)) * 1.01
            yield number, line[:match.start()] + repr(value) + line[match.end():], match.group(1)


class Build:
    def __init__(self, source, work):
        self.source, self.work = source, work
        self.flags = ["cc", "-std=c17", "-D_GNU_SOURCE", "-O0", "-w", "-I" + source + "/include", "-I" + source + "/daemon/measure", "-I" + source + "/daemon/uphole"]
        self.objects = {}
        main = os.path.join(work, "main.c")
        with open(main, "w") as file:
            file.write('#include "calculate.h"\n#include <stdio.h>\nstatic void seen(void *context, const struct calculate_row *row) { if (!row->passed && (*(int *)context)++ == 0)'
                       ' printf("%s %s\\n", row->id, row->quantity); }\nint main(int n, char **v) { int failed = 0; struct up_error error = {0}; for (int i = 1; i < n; i++)'
                       ' if (calculate_rows_run(v[i], seen, &failed, &error) != UP_OK) { puts(error.why); return 2; } return failed > 0; }\n')
        calculate = ["%s/daemon/uphole/calculate_%s.c" % (source, part) for part in ("given", "data", "rows", "survey", "column")] + [source + "/daemon/uphole/csv.c"]
        base = ["%s/daemon/base/%s.c" % (source, part) for part in ("error", "units", "quantity", "decimal", "conversion", "number_text", "rfc3339", "survey")]
        for path in sorted(glob.glob(source + "/daemon/measure/formula*.c")) + calculate + base + [main]:
            self.objects[path] = self.compile(path, path)

    def compile(self, path, named):
        out = os.path.join(self.work, os.path.basename(named)[:-2] + ".o")
        subprocess.run(self.flags + ["-c", path, "-o", out], check=True)
        return out

    def run(self):
        program = os.path.join(self.work, "rows")
        subprocess.run(["cc", "-o", program, *self.objects.values(), "-lm"], check=True)
        tables = [self.source + "/tests/formulas/" + name for name in ("worked_examples.md", "surveys.md", "further.md")]
        return subprocess.run([program, *tables], capture_output=True, text=True, timeout=60)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("source")
    parser.add_argument("--every", type=int, default=1, help="only every Nth change")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as work:
        build = Build(asked.source, work)
        if build.run().returncode != 0:
            sys.exit("the rows fail before anything is changed: " + build.run().stdout)
        tried = survived = 0
        for path in sorted(glob.glob(asked.source + "/daemon/measure/formula_*.c")) + [asked.source + "/daemon/base/survey.c"]:
            lines = open(path).readlines()
            for index, (number, changed, was) in enumerate(mutants(path)):
                if index % asked.every:
                    continue
                mutant = os.path.join(work, "mutant.c")
                with open(mutant, "w") as file:
                    file.writelines(lines[:number - 1] + [changed] + lines[number:])
                build.compile(mutant, path)
                tried += 1
                if build.run().returncode == 0:
                    survived += 1
                    print("%s:%d: no row notices %s changed: %s" % (os.path.relpath(path, asked.source), number, was, lines[number - 1].strip()))
            build.compile(path, path)
        print("%d constants changed, %d of them unnoticed" % (tried, survived))
        return 1 if survived or tried == 0 else 0


if __name__ == "__main__":
    sys.exit(main())
