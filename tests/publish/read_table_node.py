# SPDX-License-Identifier: Apache-2.0
"""read_table_node.py PROGRAM - a second client that nobody here wrote, from npm, in another language: it reads every view, and agrees with the truth.

The client is installed into a temporary directory that is removed at the end; where npm can't have it, the test is skipped by name.
"""
import json
import math
import os
import shutil
import struct
import subprocess
import sys
import tempfile

from table_demo import Demo, METRIC_LOW, OWN_HIGH, SKIPPED, US_HIGH, US_LOW, slot

CLIENT = "jsmodbus@4.0.6"
REGISTERS = 3 * 512
SCRIPT = """
const net = require('net'), modbus = require('jsmodbus');
const port = Number(process.argv[2]), views = JSON.parse(process.argv[3]), total = Number(process.argv[4]);
async function view(id) {
  const socket = new net.Socket(), client = new modbus.client.TCP(socket, id, 60000);
  await new Promise((done, fail) => { socket.on('connect', done); socket.on('error', fail); socket.connect({host: '127.0.0.1', port}); });
  const out = {holding: [], input: [], write: 0};
  for (let at = 0; at < total; at += 125) {
    const n = Math.min(125, total - at);
    out.holding.push(...(await client.readHoldingRegisters(at, n)).response.body.valuesAsArray);
    out.input.push(...(await client.readInputRegisters(at, n)).response.body.valuesAsArray);
  }
  try { await client.writeSingleRegister(0, 7); } catch (error) { out.write = error.response.body.code; }
  socket.end();
  return out;
}
(async () => {
  const out = {};
  for (const id of views) out[id] = await view(id);
  console.log(JSON.stringify(out));
})().catch((error) => { console.error(error); process.exit(1); });
"""


def skip(why):
    print(f"skipped: {why}")
    sys.exit(SKIPPED)


def install(directory):
    if not shutil.which("npm") or not shutil.which("node"):
        skip("npm and node aren't installed")
    command = ["npm", "install", "--no-audit", "--no-fund", "--ignore-scripts", "--omit=optional", CLIENT]
    try:
        done = subprocess.run(command, cwd=directory, capture_output=True, text=True, timeout=120, check=False)
    except subprocess.TimeoutExpired:
        skip(f"npm couldn't have {CLIENT} within 120 s")
    if done.returncode != 0:
        skip(f"npm can't have {CLIENT}: {done.stderr.strip().splitlines()[-1:]}")


def value(registers, at, view):
    words = registers[at:at + 2]
    if view in (METRIC_LOW, US_LOW):
        words = words[::-1]
    return struct.unpack(">f", struct.pack(">2H", *words))[0]


def check(what, got, want):
    if not (got == want or isinstance(want, float) and abs(got - want) <= abs(want) * 6e-8):
        raise SystemExit(f"{what}: got {got!r}, expected {want!r}")


def check_view(view, read):
    pressure = 12345.0 / {US_HIGH: 6.894757293168361, US_LOW: 6.894757293168361, OWN_HIGH: 98.0665}.get(view, 1.0)
    check("registers", len(read["holding"]), REGISTERS)
    check("write", read["write"], 1)
    for registers in (read["holding"], read["input"]):
        for base in (0, 1024):
            check(f"unit id {view} test pattern", value(registers, base + 2, view), 123456.0)
            check(f"unit id {view} intake pressure", value(registers, base + slot(1), view), pressure)
            check(f"unit id {view} quality", registers[base + slot(1, 2)], 192)
            check(f"unit id {view} discharge pressure", math.isnan(value(registers, base + slot(2), view)), True)
            check(f"unit id {view} quality", registers[base + slot(2, 2)], 2)


def main(program):
    directory = tempfile.mkdtemp(prefix="uphole-node-")
    try:
        install(directory)
        with open(os.path.join(directory, "read.js"), "w", encoding="utf-8") as script:
            script.write(SCRIPT)
        views = [1, 2, 3, 4, OWN_HIGH]
        with Demo(program) as demo:
            command = ["node", "read.js", str(demo.port), json.dumps(views), str(REGISTERS)]
            done = subprocess.run(command, cwd=directory, capture_output=True, text=True, timeout=300, check=False)
        if done.returncode != 0:
            raise SystemExit(f"the client failed: {done.stderr}")
        read = json.loads(done.stdout)
        for view in views:
            check_view(view, read[str(view)])
        print(f"{CLIENT} agrees with the truth in {len(views)} views")
    finally:
        shutil.rmtree(directory, ignore_errors=True)


main(sys.argv[1])
