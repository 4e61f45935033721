# SPDX-License-Identifier: Apache-2.0
"""table_demo.py - starts table_demo_server for a test, and what the tests share of the layout, written down from docs/table.md."""
import json
import subprocess

METRIC_HIGH, METRIC_LOW, US_HIGH, US_LOW, OWN_HIGH, LAST_HIGH, NUMBER_HIGH = range(1, 8)
SKIPPED = 77


def slot(point, part=0):
    return 32 + 4 * (point - 1) + part


class Demo:
    """The server while the `with` block runs; .counts afterwards."""

    def __init__(self, program, *options):
        self.command = [program, *options]
        self.counts = None

    def __enter__(self):
        self.process = subprocess.Popen(self.command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        line = self.process.stdout.readline().split()
        if len(line) != 2 or line[0] != "port":
            raise SystemExit(f"table_demo_server didn't start: {line}")
        self.port = int(line[1])
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        rest = self.process.stdout.read()
        code = self.process.wait(20)
        if code != 0:
            raise SystemExit(f"table_demo_server ended with {code}: {rest}")
        self.counts = json.loads(rest)
