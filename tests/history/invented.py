# SPDX-License-Identifier: Apache-2.0
"""The invented site of the random histories: what its registers mean, as one table for the configuration and for the judge.

The judge decodes words by this table alone: exact fractions, no code and no file of the daemon. Factors: points.md's kinds, that is
1 psi = 6.894757293168361 kPa, 1 g = 9.80665 m/s2, degC = (degF - 32) x 5/9 (NIST SP 811, appendix B; figures from memory).
"""
import struct
from fractions import Fraction

# unit of the registers: (factor, offset) to the published unit; kind -> (published unit, resolution)
UNITS = {"MPa": (Fraction(1000), 0), "bar": (Fraction(100), 0), "psi": (Fraction("6.894757293168361"), 0), "degC": (Fraction(1), 0),
         "degF": (Fraction(5, 9), Fraction(-160, 9)), "g": (Fraction("9.80665"), 0), "mA": (Fraction(1), 0), "Hz": (Fraction(1), 0), "A": (Fraction(1), 0),
         "V": (Fraction(1), 0), "kohm": (Fraction(1), 0)}
PUBLISHED = {"MPa": ("kPa", 1), "bar": ("kPa", 1), "psi": ("kPa", 1), "degC": ("degC", Fraction(1, 10)), "degF": ("degC", Fraction(1, 10)),
             "g": ("m/s2", Fraction(1, 100)), "mA": ("mA", Fraction(1, 100)), "Hz": ("Hz", Fraction(1, 100)), "A": ("A", Fraction(1, 10)),
             "V": ("V", 1), "kohm": ("kohm", 1)}


class Channel:
    """One channel of a map: `kind` u16, s16 or f32 (low word first)."""

    def __init__(self, point, address, kind, scale, unit, bounds, more=""):
        self.point, self.address, self.kind, self.scale, self.unit, self.bounds, self.more = point, address, kind, scale, unit, bounds, more

    def yaml(self, table):
        words = ", words: low-first" if self.kind == "f32" else ""
        scale = f", scale: {self.scale}" if self.kind != "f32" else ""
        return (f"      {self.point}: {{{table}: {self.address}, type: {self.kind}{words}{scale}, unit: {self.unit}, "
                f"instrument_range: {self.bounds} {self.unit}{self.more}}}\n")

    def value(self, words):
        """(published value as an exact fraction, resolution) of the registers' words."""
        if self.kind == "f32":
            raw = Fraction(struct.unpack(">f", bytes.fromhex(words[1] + words[0]))[0])
        else:
            raw = int(words[0], 16)
            if self.kind == "s16" and raw >= 0x8000:
                raw -= 0x10000
            raw = raw * Fraction(self.scale)
        factor, offset = UNITS[self.unit]
        return raw * factor + offset, PUBLISHED[self.unit][1]


def gauge_16(leakage_scale="0.01", pressure=("0.001", "MPa")):
    absolute = ", reference: absolute"
    return [Channel("intake_pressure", 1, "u16", pressure[0], pressure[1], "0 to 600", absolute),
            Channel("discharge_pressure", 2, "u16", pressure[0], pressure[1], "0 to 600", absolute),
            Channel("intake_temperature", 3, "s16", "0.1", "degC", "-20 to 200"),
            Channel("motor_winding_temperature", 4, "s16", "0.1", "degC", "-20 to 300"),
            Channel("vibration_x", 5, "u16", "0.001", "g", "0 to 30"),
            Channel("leakage_current", 6, "u16", leakage_scale, "mA", "0 to 300")]


FLOATS = [Channel("intake_pressure", 10, "f32", "1", "psi", "0 to 8000", ", reference: gauge"),
          Channel("discharge_pressure", 12, "f32", "1", "psi", "0 to 8000", ", reference: gauge"),
          Channel("intake_temperature", 14, "f32", "1", "degF", "0 to 400"),
          Channel("vibration_x", 16, "f32", "1", "g", "0 to 30")]
DRIVE = [Channel("drive_frequency", 1, "u16", "0.01", "Hz", "0 to 120"), Channel("motor_current", 2, "u16", "0.1", "A", "0 to 1000"),
         Channel("drive_output_voltage", 3, "u16", "1", "V", "0 to 1000")]
SOURCES = (("heron-7", "gauge"), ("heron-7", "drive"), ("heron-8", "gauge"))
REFRESH_MS, TIMEOUT_MS = 300, 200


class Version:
    """One configuration of the box: what a person may have edited."""

    def __init__(self, label="Heron 7", poll_ms=100, leakage_scale="0.01", pressure=("0.001", "MPa"), latest="60 s"):
        self.label, self.poll_ms, self.latest = label, poll_ms, latest
        self.leakage_scale, self.pressure = leakage_scale, pressure
        self.channels = {("heron-7", "gauge"): gauge_16(leakage_scale, pressure), ("heron-7", "drive"): DRIVE, ("heron-8", "gauge"): FLOATS}

    def period_ms(self, well, source):
        return self.poll_ms if (well, source) == ("heron-7", "gauge") else 150 if well == "heron-7" else 200

    def as_json(self):
        return {"label": self.label, "poll_ms": self.poll_ms, "leakage_scale": self.leakage_scale, "pressure": self.pressure, "latest": self.latest}

    def text(self, places):
        def entry(well, source, line, name):
            return (f"      {source}: [{{from: 2020-01-01T00:00:00Z, line: {line}, unit_id: 1, map: {name}, "
                    f"poll_every: {self.period_ms(well, source)} ms, refresh: {REFRESH_MS} ms, confirmed_units: all}}]\n")
        timeout = f"response_timeout: {TIMEOUT_MS} ms"
        head = (f"site: heron-ridge\nbox: heron-edge-1\nlines:\n"
                f"  pad-line: {{serial: {places['pty']}, speed: 115200 baud, frame: 8N1, {timeout}, listen_first: 100 ms}}\n"
                f"  skid-line: {{tcp: '127.0.0.1:{places['drive_port']}', {timeout}}}\n"
                f"  far-line: {{tcp: '127.0.0.1:{places['far_port']}', {timeout}}}\n"
                f"wells:\n  heron-7:\n    label: {self.label}\n    table_block: 0\n    sources:\n"
                + entry("heron-7", "gauge", "pad-line", "small-16") + entry("heron-7", "drive", "skid-line", "small-drive")
                + "  heron-8:\n    table_block: 1\n    sources:\n" + entry("heron-8", "gauge", "far-line", "small-float"))
        broker = (f"destinations:\n  plant-broker: {{mqtt: 'mqtt://127.0.0.1:{places['broker_port']}', from: oldest, latest_every: {self.latest}, units: metric}}\n"
                  f"journal: {{path: {places['journal']}, keep: 60 min}}\n")
        maps = "maps:\n"
        for name, status, table, channels in (("small-16", "{input: 0, bits: {0: live, 1: starting, 2: fault}}", "input", self.channels[SOURCES[0]]),
                                              ("small-float", "{input: 0, values: {0: starting, 1: live, 2: silent, 3: fault}}", "input", FLOATS),
                                              ("small-drive", None, "holding", DRIVE)):
            maps += (f"  {name}:\n    map: {name}\n    numbering: from-0\n    refresh: {REFRESH_MS} ms\n    first_data: 200 ms\n    readable: [{{{table}: 0 to 20}}]\n"
                     + (f"    gauge_status: {status}\n" if status else "") + "    channels:\n" + "".join(c.yaml(table) for c in channels))
        return head + broker + maps
