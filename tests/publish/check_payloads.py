#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""check_payloads.py PRINTER SCHEMAS [SEED COUNT] - random payloads against their JSON Schemas, and their numbers against exact arithmetic.

The validator (python3-jsonschema) and the arithmetic (fractions, decimal) are not ours. Factors: NIST SP 811 (2008), appendix B, as the exact
definitions behind them (1 lb = 0.45359237 kg, 1 ft = 0.3048 m, gn = 9.80665 m/s2). Points, units, resolutions and quality codes: the
project's table of points, copied here by hand.

Planted defects that it must catch, each seen to fail: rounding half up; a value sent under a Bad quality; a converted temperature without its offset;
an age under a null; a column that is one short.
"""
import json
import re
import subprocess
import sys
from decimal import Decimal
from fractions import Fraction as F

import jsonschema

PSI = F("0.45359237") * F("9.80665") / (F("0.0254") ** 2) / 1000  # kPa
HP = F(550) * F("0.3048") * F("0.45359237") * F("9.80665") / 1000  # kW
KGF = F("98.0665")
G = F("9.80665")
BARREL = F("0.158987294928")

# point: kind, metric unit, resolution
PRESSURE, TEMPERATURE = ("pressure", "kPa", "1"), ("temperature", "degC", "0.1")
POINTS = {
    "intake_pressure": PRESSURE, "discharge_pressure": PRESSURE, "tubing_head_pressure": PRESSURE, "casing_head_pressure": PRESSURE,
    "pump_differential_pressure": PRESSURE,
    **{name: TEMPERATURE for name in (
        "intake_temperature", "discharge_temperature", "motor_winding_temperature", "motor_oil_temperature", "gauge_temperature",
        "surface_unit_temperature", "wellhead_temperature", "drive_temperature", "motor_winding_temperature_2")},
    **{f"vibration_{axis}": ("acceleration", "m/s2", "0.01") for axis in ("x", "y", "z", "resultant")},
    **{f"vibration_velocity_{axis}": ("velocity", "mm/s", "0.01") for axis in "xyz"},
    "leakage_current": ("small_current", "mA", "0.01"), "gauge_supply_current": ("small_current", "mA", "0.01"),
    "insulation_resistance": ("resistance", "kohm", "1"), "gauge_supply_voltage": ("voltage", "V", "0.1"),
    "surface_unit_supply_voltage": ("voltage", "V", "0.1"), "drive_frequency": ("frequency", "Hz", "0.01"),
    **{name: ("current", "A", "0.1") for name in ("motor_current", "motor_current_a", "motor_current_b", "motor_current_c")},
    **{name: ("voltage", "V", "1") for name in ("drive_output_voltage", "motor_voltage", "dc_bus_voltage")},
    "motor_power": ("power", "kW", "0.1"), "power_factor": ("ratio", "1", "0.01"),
    "pump_head": ("length", "m", "1"), "fluid_level_above_intake": ("length", "m", "1"),
    "motor_temperature_rise": ("temperature difference", "K", "0.1"), "current_unbalance": ("ratio", "%", "0.1"),
    "intake_pressure_rate": ("pressure rate", "kPa/h", "1"), "motor_temperature_rate": ("temperature rate", "K/h", "0.1"),
    "run_time": ("duration", "h", "0.1"), "gauge_data_age": ("duration", "s", "1"), "line_error_ratio": ("ratio", "%", "1"),
    "undelivered_records": ("count", None, "1"), "journal_time_left": ("duration", "h", "1"),
    "gauge_status": ("state", None, "1"), "drive_run_state": ("state", None, "1"), "drive_fault_code": ("count", None, "1"),
    "motor_load": ("ratio", "%", "0.1"), "motor_energy": ("energy", "kWh", "1"),
    "datum_pressure": ("pressure", "kPa", "1"), "submergence": ("length", "m", "1"), "fluid_level_depth": ("length", "m", "1"),
    "liquid_density": ("density", "kg/m3", "1"), "liquid_gradient": ("pressure gradient", "kPa/m", "0.01"), "pump_total_head": ("length", "m", "1"),
    "head_per_stage": ("length", "m", "0.01"), "reference_head": ("length", "m", "1"), "reference_rate": ("flow", "m3/d", "1"),
    "hydraulic_power": ("power", "kW", "0.1"), "electrical_power": ("power", "kW", "0.1"), "pump_motor_efficiency": ("ratio", "%", "0.1"),
    "specific_energy": ("specific energy", "kWh/m3", "0.01"), "gas_compressibility_factor": ("ratio", "1", "0.001"),
    "free_gas_fraction": ("ratio", "%", "0.1"), "turpin_number": ("ratio", "1", "0.01"), "boiling_margin": ("temperature difference", "K", "0.1"),
    "motor_temperature_margin": ("temperature difference", "K", "0.1"), "reference_insulation": ("resistance", "kohm", "1"),
    "drawdown": ("pressure", "kPa", "1"), "productivity_index": ("productivity", "m3/(d.bar)", "0.01"), "inflow_rate": ("flow", "m3/d", "1"),
    "inflow_share": ("ratio", "%", "0.1"),
    "electrical_input": ("power", "kW", "0.1"), "cable_loss": ("power", "kW", "0.1"), "motor_efficiency": ("ratio", "%", "0.1"),
    "pump_efficiency": ("ratio", "%", "0.1"), "system_efficiency": ("ratio", "%", "0.1"), "curve_head": ("length", "m", "1"),
    "head_against_curve": ("ratio", "%", "0.1"), "fetkovich_rate": ("flow", "m3/d", "1"),
    "intake_pressure_mean_1min": ("pressure", "kPa", "1"), "intake_pressure_mean_1h": ("pressure", "kPa", "1"),
    "intake_pressure_mean_24h": ("pressure", "kPa", "1"), "intake_pressure_low_24h": ("pressure", "kPa", "1"),
    "intake_pressure_high_24h": ("pressure", "kPa", "1"), "intake_pressure_deviation_1h": ("pressure", "kPa", "1"),
    "intake_pressure_coverage_24h": ("ratio", "%", "0.1"), "motor_temperature_mean_1h": ("temperature", "degC", "0.1"),
    "motor_temperature_mean_24h": ("temperature", "degC", "0.1"), "motor_temperature_high_24h": ("temperature", "degC", "0.1"),
    "motor_current_mean_1min": ("current", "A", "0.1"), "motor_current_mean_1h": ("current", "A", "0.1"),
    "motor_current_mean_24h": ("current", "A", "0.1"), "motor_current_deviation_1h": ("current", "A", "0.01"),
    "drive_frequency_mean_24h": ("frequency", "Hz", "0.01"), "running_share_24h": ("ratio", "%", "0.1"),
    "intake_pressure_robust_rate": ("pressure rate", "kPa/h", "1"), "motor_temperature_robust_rate": ("temperature rate", "K/h", "0.1"),
    "motor_time_to_limit": ("duration", "h", "0.1"), "intake_time_to_limit": ("duration", "h", "0.1"),
    "insulation_daily_change": ("ratio", "%", "0.01"),
}
US = {"pressure": ("psi", "0.1", lambda v: v / PSI), "temperature": ("degF", "0.1", lambda v: v * F(9, 5) + 32),
      "temperature difference": ("degF", "0.1", lambda v: v * F(9, 5)), "acceleration": ("g", "0.001", lambda v: v / G),
      "length": ("ft", "1", lambda v: v / F("0.3048")), "power": ("hp", "0.1", lambda v: v / HP),
      "velocity": ("in/s", "0.001", lambda v: v / F("25.4")),
      "pressure rate": ("psi/h", "0.1", lambda v: v / PSI), "temperature rate": ("degF/h", "0.1", lambda v: v * F(9, 5)),
      "pressure gradient": ("psi/ft", "0.001", lambda v: v / PSI * F("0.3048")), "flow": ("bbl/d", "1", lambda v: v / BARREL),
      "specific energy": ("kWh/bbl", "0.01", lambda v: v * BARREL), "productivity": ("bbl/(d.psi)", "0.001", lambda v: v / BARREL * PSI / 100)}
US_RESOLUTION = {"head_per_stage": "0.1"}  # where it is not that of the kind
OWN = {"pressure": ("kgf/cm2", "0.01", lambda v: v / KGF), "temperature": ("degF", "0.1", lambda v: v * F(9, 5) + 32),
       "acceleration": ("g", "0.001", lambda v: v / G), "resistance": ("Mohm", "0.001", lambda v: v / 1000)}
CONVERT = [{}, US, OWN]

NAMES = {192: "good", 64: "stale", 65: "unit_unconfirmed", 66: "unusual", 67: "frozen", 68: "clock_unsure", 69: "input_unsure",
         70: "step_unconfirmed", 71: "line_disturbed", 72: "outside_validity", 73: "extrapolated", 74: "limited", 75: "not_journaled",
         0: "no_data", 1: "not_mapped", 2: "not_fitted", 3: "line_down", 4: "gauge_silent", 5: "channel_fault", 6: "impossible",
         7: "input_bad", 8: "not_configured", 9: "out_of_domain", 10: "pump_stopped", 11: "too_few", 12: "gap_in_window",
         13: "no_solution", 14: "starting"}
ORDER = [1, 0, 3, 14, 4, 2, 5, 6, 8, 7, 10, 11, 12, 9, 13, 75, 71, 68, 64, 65, 67, 70, 74, 66, 72, 73, 69, 192]
CLOCKS = ["unknown", "synchronised", "holdover", "unsynchronised", "never_set"]
OUTCOMES = [None, "answered", "partial", "silent", "cut_short", "bad_checksum", "wrong_reply", "exception", "path_down", "port_gone", "no_connection"]

numbers = 0


def fail(text, *what):
    print("FAILED:", text, *what, sep="\n  ")
    sys.exit(1)


def half_even(value, step):
    """Both neighbours where the exact value is within 1e-9 of a tie: the conversion to another unit is itself rounded once."""
    steps = value / step
    low = steps.numerator // steps.denominator
    rest = steps - low
    exact = low + (rest > F(1, 2) or (rest == F(1, 2) and low % 2 == 1))
    return exact, {low, low + 1} if abs(rest - F(1, 2)) < F(1, 10**9) else {exact}


def check_number(got, value, point, to, where):
    global numbers
    numbers += 1
    kind, unit, resolution = POINTS[point]
    exact = F(float(value))  # the double itself, not its shortest text
    converted = kind in CONVERT[to]
    if converted:
        unit, resolution, convert = CONVERT[to][kind]
        exact = convert(exact)
        if to == 1:
            resolution = US_RESOLUTION.get(point, resolution)
    step = F(resolution)
    best, allowed = half_even(exact, step)
    if F(got) / step not in (allowed if converted else {best}):
        fail("not the value rounded half to even", where, point, f"got {got}, from {value}", f"expected {float(best * step)} {unit}")
    if got.is_signed() and got == 0:
        fail("negative zero", where, point)
    return unit


def unit_of(point, to):
    kind, unit, _ = POINTS[point]
    return CONVERT[to][kind][0] if kind in CONVERT[to] else unit


def expected_quality(quality, value, keep):
    sends = quality >= 64 or (keep and quality in (3, 4))
    if quality >= 64 and value is None:
        return 0, None
    return quality, value if sends else None


def check_age(got, value, age_s, where):
    if value is None or age_s is None:
        if got is not None:
            fail("an age without a value", where, got)
        return
    if got is None or abs(F(got) - F(age_s)) > F(1, 20) + F(1, 10**6) or (F(got) * 10).denominator != 1:
        fail("age", where, got, age_s)


def time_of(ms):
    seconds, rest = divmod(ms, 1000)
    import datetime
    return datetime.datetime.fromtimestamp(seconds, datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%S") + f".{rest:03d}Z"


def check_record(truth, got):
    if got is None:
        fail("nothing was written", truth["room"], truth["n"])
    if len(got["rows"]) != truth["used"]:
        fail("rows", len(got["rows"]), truth["used"])
    if truth["used"] < truth["n"] and truth["room"] > 100000:
        fail("rows left out without need", truth["used"], truth["n"])
    if got["sent"] != truth["sent"] or ("by" in got) != (truth["revision"] > 0) or {row["revision"] for row in got["rows"]} != {truth["revision"]}:
        fail("how it was sent", got["sent"], got.get("by"), truth["sent"], truth["revision"])
    for source, columns in got["sets"].items():
        if source not in {row["source"] for row in got["rows"]}:
            fail("a set without rows", source)
        for i, point in enumerate(columns["points"]):
            if columns["units"][i] != unit_of(point, truth["to"]):
                fail("unit", point, columns["units"][i], unit_of(point, truth["to"]))
            if (columns["references"][i] is None) == (POINTS[point][0] == "pressure"):
                fail("reference", point, columns["references"][i])
        if not len(columns["points"]) == len(columns["units"]) == len(columns["references"]):
            fail("columns", source)
    for row, was in zip(got["rows"], truth["rows"]):
        points = got["sets"][row["source"]]["points"]
        if (row["source"], row["seq"], row["clock"], row["outcome"]) != (was["source"], was["seq"], CLOCKS[was["clock"]], OUTCOMES[was["outcome"]]):
            fail("row", row, was)
        if row["time"] != (None if was["clock"] == 4 else time_of(was["utc_ms"])):
            fail("time", row["time"], was["utc_ms"])
        if not len(points) == len(row["values"]) == len(row["qualities"]) == len(row["age_s"]) == len(was["readings"]):
            fail("a row isn't as wide as its set", row)
        for i, reading in enumerate(was["readings"]):
            quality, value = expected_quality(reading["quality"], reading["value"], False)
            if points[i] != reading["point"] or row["qualities"][i] != quality:
                fail("quality", points[i], reading, row["qualities"][i])
            if (row["values"][i] is None) != (value is None):
                fail("a value where none may be, or none where one must be", reading, row["values"][i])
            if value is not None:
                check_number(row["values"][i], value, points[i], truth["to"], row)
            check_age(row["age_s"][i], value, reading["age_s"], row)


def check_latest(truth, got):
    if got["seq"] != (truth["seq"] if truth["seq"] and truth["journaled"] else None):
        fail("seq", got["seq"], truth)
    if got["time"] != (time_of(truth["utc_ms"]) if truth["seq"] and truth["clock"] != 4 else None):
        fail("time", got["time"], truth)
    if list(got["points"]) != [reading["point"] for reading in truth["readings"]]:
        fail("points", list(got["points"]))
    for reading in truth["readings"]:
        point = got["points"][reading["point"]]
        quality = reading["quality"]
        if reading["age_s"] is not None and reading["limit_ms"] and Decimal(reading["age_s"]) * 1000 > reading["limit_ms"]:
            quality = min(quality, 64, key=ORDER.index)
        quality, value = expected_quality(quality, reading["value"], True)
        if (point["quality"], point["reason"]) != (quality, NAMES[quality]):
            fail("quality", reading, point)
        if (point["value"] is None) != (value is None):
            fail("value", reading, point)
        if value is not None:
            check_number(point["value"], value, reading["point"], truth["to"], point)
        if point["unit"] != unit_of(reading["point"], truth["to"]):
            fail("unit", reading["point"], point["unit"])
        if ("reference" in point) != (POINTS[reading["point"]][0] == "pressure"):
            fail("reference", reading["point"], point)
        check_age(point["age_s"], value, reading["age_s"], point)


def close(schema):
    """The published schemas let keys be added; here a key that they don't name is a mistake."""
    if isinstance(schema, dict):
        if schema.get("type") == "object" and "properties" in schema and "additionalProperties" not in schema:
            schema["additionalProperties"] = False
        for part in schema.values():
            close(part)
    elif isinstance(schema, list):
        for part in schema:
            close(part)


def validators(directory):
    found = {}
    for name in ("latest", "record", "gap", "box"):
        with open(f"{directory}/{name}-1.json", encoding="utf-8") as file:
            schema = json.load(file)
        jsonschema.Draft202012Validator.check_schema(schema)
        close(schema)
        found[name] = jsonschema.Draft202012Validator(schema)
    return found


def check_docs(path, checkers):
    """The examples of the documentation fit the schemas, and its table of qualities is the one above."""
    with open(path, encoding="utf-8") as file:
        text = file.read()
    examples = [json.loads(block) for block in re.findall(r"```json\n(.*?)```", text, re.S)]
    for example in examples:
        errors = list(checkers[example["schema"].split("/")[1]].iter_errors(example))
        if errors:
            fail("an example of the documentation does not fit its schema", example["schema"], errors[0].message)
    listed = {int(code): name for code, name in re.findall(r"^\| (\d+) \| `(\w+)` \|", text, re.M)}
    if len(examples) != 4 or listed != NAMES:
        fail("the documentation's examples or its table of qualities", len(examples), set(listed.items()) ^ set(NAMES.items()))


def main():
    printer, schemas = sys.argv[1:3]
    seed, count = sys.argv[3:5] if len(sys.argv) == 5 else ("1", "60")
    checkers = validators(schemas)
    check_docs(f"{schemas}/../messages.md", checkers)
    lines = subprocess.run([printer, seed, count], check=True, capture_output=True).stdout.decode("utf-8").split("\n")
    kinds = {}
    for truth_line, line in zip(lines[0::2], lines[1::2]):
        truth = json.loads(truth_line, parse_float=Decimal)
        plain = json.loads(line)
        if len(line.encode("utf-8")) != truth["length"]:
            fail("length", truth["length"], line)
        errors = sorted(checkers[truth["type"]].iter_errors(plain), key=str)
        if errors:
            fail(f"{truth['type']} does not fit its schema", errors[0].message[:400], list(errors[0].absolute_path), line[:1000])
        exact = to_decimal(json.loads(line, parse_float=Decimal))
        if truth["type"] == "record":
            check_record(truth, exact)
        elif truth["type"] == "latest":
            check_latest(truth, exact)
        kinds[truth["type"]] = kinds.get(truth["type"], 0) + 1
    if len(kinds) != 4 or numbers < 1000:
        fail("too little was checked", kinds, numbers)
    print(f"{sum(kinds.values())} payloads fit their schemas ({', '.join(f'{n} {k}' for k, n in kinds.items())}); {numbers} values equal the exact ones, rounded")


def to_decimal(part):
    """Values and ages as Decimal, whether they were written with a point or not; all else as it is."""
    if isinstance(part, dict):
        for key in ("values", "age_s"):
            if isinstance(part.get(key), list):
                part[key] = [None if v is None else Decimal(v) for v in part[key]]
        for key in ("value", "age_s"):
            if isinstance(part.get(key), int):
                part[key] = Decimal(part[key])
        for inner in part.values():
            to_decimal(inner)
    elif isinstance(part, list):
        for inner in part:
            to_decimal(inner)
    return part


if __name__ == "__main__":
    main()
