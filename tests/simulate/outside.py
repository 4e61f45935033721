#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""What a Modbus master that nobody here wrote (pymodbus, RTU on the pty and TCP) reads from `uphole simulate`, against its truth log.

Values are decoded here by a few lines of Python from the map's own words, so that nothing of the program judges itself.
"""
import json
import os
import signal
import struct
import subprocess
import sys
import tempfile
import time

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusException

UPHOLE, MAPS = sys.argv[1], sys.argv[2]
FAILURES = []


def check(what, good, detail=""):
    print(f"{'ok  ' if good else 'FAIL'} {what} {detail}")
    if not good:
        FAILURES.append(what)


# (point, register from 0, how): the three shipped maps, read off config/maps by hand
SCALED = [("intake_pressure", 16, lambda r: r[0]), ("intake_temperature", 17, lambda r: s16(r[0]) / 10),
          ("motor_winding_temperature", 18, lambda r: s16(r[0]) / 10), ("vibration_x", 24, lambda r: r[0] * 0.00980665),
          ("leakage_current", 28, lambda r: r[0] / 100), ("gauge_supply_voltage", 30, lambda r: r[0] / 10),
          ("tubing_head_pressure", 44, lambda r: r[0])]
FLOATS = [("intake_pressure", 110, lambda r: low_first(r) * 6.894757293168361),
          ("intake_temperature", 114, lambda r: (low_first(r) - 32) * 5 / 9),
          ("motor_winding_temperature", 118, lambda r: (low_first(r) - 32) * 5 / 9),
          ("vibration_x", 122, lambda r: low_first(r) * 9.80665), ("insulation_resistance", 132, lambda r: low_first(r) * 1000)]
DRIVE = [("drive_frequency", 2, lambda r: r[0] / 100), ("motor_current", 3, lambda r: r[0] / 10),
         ("drive_output_voltage", 7, lambda r: int(f"{r[0]:04x}")), ("motor_power", 10, lambda r: s32(r) / 1000),
         ("power_factor", 12, lambda r: s16(r[0]) / 1000), ("motor_energy", 15, lambda r: r[1] * 10000 + r[0])]


def s16(word):
    return word - 65536 if word >= 32768 else word


def s32(words):
    return struct.unpack(">i", struct.pack(">HH", words[0], words[1]))[0]


def low_first(words):
    return struct.unpack(">f", struct.pack(">HH", words[1], words[0]))[0]


def read(client, function, first, count, unit):
    reader = client.read_input_registers if function == 4 else client.read_holding_registers
    answer = reader(first, count, slave=unit)
    return None if isinstance(answer, ModbusException) or answer.isError() else answer.registers


def truth_lines(path):
    with open(path, encoding="utf-8") as file:
        return [json.loads(line) for line in file if line.endswith("\n")]


def compare(client, truth_path, line, unit, function, first, count, rows, rounds, label):
    """Each read's words must be those of a refresh in the log around its time; its values those of that refresh."""
    seen = []
    for _ in range(rounds):
        before, words, after = time.time(), read(client, function, first, count, unit), time.time()
        if words is None:
            check(f"{label}: answered", False)
            return
        seen.append((before, after, words))
        time.sleep(0.13)
    time.sleep(0.1)
    refreshes = [t for t in truth_lines(truth_path) if t.get("refresh", -1) >= 0 and t["line"] == line and t["unit_id"] == unit]
    unmatched, wrong, hit = 0, [], set()
    for before, after, words in seen:
        # the refresh that stood in the registers when the question was answered
        newest = [t for t in refreshes if t["time_ms"] <= after * 1000 + 1]
        standing = [t for t in newest if t["time_ms"] >= before * 1000 - 1] + \
                   [t for t in newest if t["time_ms"] < before * 1000 - 1][-1:]
        match = None
        for candidate in standing:
            match = candidate if all(
                [f"{w:04x}" for w in words[at - first:at - first + len(candidate["points"][p]["words"])]]
                == candidate["points"][p]["words"] for p, at, _ in rows) else match
        if match is None:
            unmatched += 1
            continue
        hit.add(match["refresh"])
        for point, at, decode in rows:
            value, told = decode(words[at - first:]), match["points"][point]["value"]
            if abs(value - told) > 1e-6 * max(1, abs(told)):
                wrong.append((point, value, told))
    check(f"{label}: {len(seen)} reads equal the truth of their refresh", unmatched == 0, f"{unmatched} unmatched")
    check(f"{label}: values equal the truth", not wrong, str(wrong[:3]))
    check(f"{label}: new refreshes were seen", len(hit) >= 3, f"{len(hit)}")


def main():
    with tempfile.TemporaryDirectory() as directory:
        link, truth = os.path.join(directory, "pad-line"), os.path.join(directory, "truth.ndjson")
        process = subprocess.Popen(
            [UPHOLE, "simulate", "--maps", MAPS, "--refresh", "500 ms", "--seed", "11", "--schedule", "swing", "--truth", truth,
             "--line", link, "--speed", "19200", "--frame", "8N1", "--unit", "1:scaled-16", "--unit", "2:float-low-first",
             "--line", "127.0.0.1:0", "--unit", "1:drive-a"], stdout=subprocess.PIPE, text=True)
        try:
            announced = []
            while not announced or announced[-1] != "ready":
                text = process.stdout.readline()
                if not text:
                    check("the simulator starts", False, str(announced))
                    return
                announced.append(text.strip())
            port = int(announced[1].rsplit(":", 1)[1])
            rtu = ModbusSerialClient(link, baudrate=19200, timeout=20)
            tcp = ModbusTcpClient("127.0.0.1", port=port, timeout=20)
            check("pymodbus connects", rtu.connect() and tcp.connect())
            compare(rtu, truth, "pad-line", 1, 4, 0, 50, SCALED, 16, "scaled-16, RTU")
            compare(rtu, truth, "pad-line", 2, 3, 100, 40, FLOATS, 16, "float-low-first, RTU")
            compare(tcp, truth, "line-2", 1, 3, 0, 17, DRIVE, 16, "drive-a, TCP")
            answer = rtu.read_input_registers(0, 61, slave=1)
            check("more than the unit's largest read is exception 03", answer.isError() and answer.exception_code == 3)
            answer = rtu.read_input_registers(60, 10, slave=1)
            check("beyond the last register is exception 02", answer.isError() and answer.exception_code == 2)
            answer = tcp.write_register(2, 5000, slave=1)
            check("a write is exception 01", answer.isError() and answer.exception_code == 1)
            rtu.close()
            tcp.close()
            times = [t["time_ms"] for t in truth_lines(truth) if t.get("refresh", -1) >= 0 and t["line"] == "pad-line" and t["unit_id"] == 1]
            steps = [b - a for a, b in zip(times, times[1:])]
            check("the log is in order and each refresh 500 ms after the last", steps and all(abs(s - 500) <= 2 for s in steps),
                  f"{min(steps)} to {max(steps)} ms, {len(times)} refreshes")
        finally:
            process.send_signal(signal.SIGTERM)
            rest = process.communicate(timeout=60)[0]
        check("it ends cleanly and sums up", process.returncode == 0 and "requests" in rest, rest.replace("\n", " | "))
        check("its link is gone", not os.path.lexists(link))


main()
sys.exit(1 if FAILURES else 0)
