#!/usr/bin/env python3
"""From a pty to SCADA: what clients that nobody here wrote read, against the simulator's own truth, in every view."""
import json
import math
import pathlib
import struct
import subprocess
import time
import warnings

warnings.simplefilter("ignore")
import jsonschema  # noqa: E402
from pymodbus.client import ModbusSerialClient, ModbusTcpClient  # noqa: E402

from walk import BINARY, SOURCE, Walk, main, once, wait_for  # noqa: E402

SCHEMAS = {kind: json.loads((SOURCE / f"docs/schemas/{kind}-1.json").read_text()) for kind in ("latest", "record", "gap", "box")}
# NIST SP 811 (2008), appendix B: 1 psi = 6.894757293168361 kPa; exact: 1 ft = 0.3048 m; 1 g = 9.80665 m/s2.
TO_US = {"kPa": ("psi", lambda v: v / 6.894757293168361), "degC": ("degF", lambda v: v * 1.8 + 32), "m/s2": ("g", lambda v: v / 9.80665),
         "K": ("degF", lambda v: v * 1.8), "m": ("ft", lambda v: v / 0.3048), "kW": ("hp", lambda v: v / 0.7456998715822702)}


def truths(walk):
    """(line, unit id) -> list of refreshes, as the simulator logged them."""
    logged = {}
    for line in walk.truth.read_text().splitlines():
        try:
            entry = json.loads(line)
        except ValueError:
            continue  # the last line, half written
        if "points" in entry:
            logged.setdefault((entry["line"], entry["unit_id"]), []).append(entry)
    return logged


SOURCES = {("heron-7", "gauge"): ("pad-line", 1), ("heron-7", "drive"): ("skid-line", 1), ("heron-8", "gauge"): ("pad-line", 2)}


def is_true(value, point, refreshes, tolerance):
    return any(r["points"].get(point, {}).get("value") is not None and abs(r["points"][point]["value"] - value) <= tolerance for r in refreshes)


def points_table():
    """Number, id and units by view of each measured point, out of the printed layout."""
    out = subprocess.run([str(BINARY), "table", "--json"], capture_output=True, text=True)
    assert out.returncode == 0, out.stderr
    return [p for p in json.loads(out.stdout)["points"] if p["number"] <= 33 or 47 <= p["number"] <= 52]


def mqtt_values_equal_the_truth(walk):
    MEASURED = {p["point"] for p in points_table()}
    logged = truths(walk)
    checked = 0
    for row in once(walk.records()):
        refreshes = logged[SOURCES[(row["well"], row["source"])]]
        for point, unit, value, quality in zip(row["set"]["points"], row["set"]["units"], row["values"], row["qualities"]):
            if quality != 192 or point not in MEASURED:
                continue
            resolution = {"kPa": 1, "degC": 0.1, "m/s2": 0.01, "mA": 0.01, "kohm": 1, "V": 1, "Hz": 0.01, "A": 0.1, "kW": 0.1, "1": 0.01, "%": 1, "kWh": 1}.get(unit, 1)
            assert is_true(value, point, refreshes, resolution * 0.51 + 1e-6 * abs(value)), f"{row['well']} {point} = {value} {unit} is no value of the simulator's"
            checked += 1
    return checked


def table_values_equal_the_truth(walk):
    """Views 1 to 4: metric and US, high and low word first, two wells, floats decoded here by struct."""
    logged = truths(walk)
    layout = {p["number"]: p for p in points_table()}
    client = ModbusTcpClient("127.0.0.1", port=walk.table_port, timeout=30)
    assert client.connect()
    checked = 0
    for view in (1, 2, 3, 4):
        for block, well in ((0, "heron-7"), (1, "heron-8")):
            registers = []
            for first in range(0, 512, 64):
                answer = client.read_holding_registers(512 * block + first, 64, slave=view)
                assert not answer.isError(), answer
                registers += answer.registers
            low_first = view in (2, 4)

            def real(at):
                pair = registers[at:at + 2][::-1] if low_first else registers[at:at + 2]
                return struct.unpack(">f", struct.pack(">HH", *pair))[0]

            assert real(2) == 123456.0, f"view {view}: the test pattern reads {real(2)}"
            refreshes = [r for (w, _), key in SOURCES.items() if w == well for r in truths(walk).get(key, [])]  # logged before it is served
            for number, point in layout.items():
                at = 32 + 4 * (number - 1)
                quality, value = registers[at + 2], real(at)
                if quality in (0, 1, 2, 5, 6, 7):
                    assert math.isnan(value), f"{point['point']} has quality {quality} and value {value}"
                if quality != 192:
                    continue
                unit, factor = point["units"][0], lambda v: v
                if point["units"][view - 1] != unit:
                    name, factor = TO_US[unit]
                    assert name == point["units"][view - 1], point
                assert any(r["points"].get(point["point"], {}).get("value") is not None and
                           abs(factor(r["points"][point["point"]]["value"]) - value) <= 1e-6 * abs(value) + 1e-6 for r in refreshes), \
                    f"view {view} {well} {point['point']} = {value}"
                checked += 1
    client.close()
    return checked


def every_reader_sees_the_simulators_truth():
    """Planted defects: a unit factor applied twice; word order of a view swapped; a marker published as a value; a schema that lags."""
    with Walk("end") as walk:
        walk.start_broker()
        walk.subscribe()
        walk.start_simulator()
        walk.start_daemon()
        wait_for("records of all sources", 20, lambda: {(r["well"], r["source"]) for r in walk.records()} >= set(SOURCES))
        time.sleep(8)
        in_table = wait_for("enough values in the table that are good", 20, lambda: (n := table_values_equal_the_truth(walk)) > 60 and n, step=1)
        in_records = wait_for("enough good values in records", 20, lambda: (n := mqtt_values_equal_the_truth(walk)) > 100 and n, step=1)
        n = {}
        for kind, schema in SCHEMAS.items():
            validator = jsonschema.Draft202012Validator(schema)
            messages = walk.taken(kind) if kind != "box" else [m for m in walk.messages if "/box/" in m[0]]
            for message in messages:
                validator.validate(json.loads(message[1]))
            n[kind] = len(messages)
        assert n["latest"] >= 2 and n["record"] > 10 and n["box"] >= 1, n
        print(f"  {in_records} record values and {in_table} table values equal the simulator's truth; messages valid by schema: {n}")
        walk.stop(walk.daemon)
        boxes = [json.loads(m[1]) for m in list(walk.messages) if "/box/" in m[0]]
        wait_for("the goodbye", 5, lambda: not json.loads([m for m in list(walk.messages) if "/box/" in m[0]][-1][1])["running"])
        assert boxes[0]["running"] is True
        # the line itself, by a client nobody here wrote: the simulator is a unit like any other
        client = ModbusSerialClient(str(walk.directory / "pad-line"), baudrate=38400, bytesize=8, parity="N", stopbits=1, timeout=20)
        assert client.connect()
        answer = client.read_input_registers(16, 1, slave=1)
        assert not answer.isError(), answer
        client.close()


main(every_reader_sees_the_simulators_truth)
