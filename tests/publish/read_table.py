# SPDX-License-Identifier: Apache-2.0
"""read_table.py PROGRAM - pymodbus, which nobody here wrote, reads every view; its numbers agree with those of Python's struct and with the truth.

Planted defects that it must catch: words swapped in one view; a unit factor left out; a write accepted.
"""
import math
import struct
import sys

from table_demo import (Demo, LAST_HIGH, METRIC_HIGH, METRIC_LOW, NUMBER_HIGH, OWN_HIGH, SKIPPED, US_HIGH, US_LOW, slot)

try:
    from pymodbus.client import ModbusTcpClient
    from pymodbus.constants import Endian
    from pymodbus.mei_message import ReadDeviceInformationRequest
    from pymodbus.payload import BinaryPayloadDecoder
except ImportError as missing:
    print(f"skipped: pymodbus isn't installed ({missing})")
    sys.exit(SKIPPED)

REGISTERS = 3 * 512
KPA_PER_PSI = 6.894757293168361  # NIST SP 811 (2008), appendix B
KPA_PER_KGF_CM2 = 98.0665
ORDER = {METRIC_LOW: "low", US_LOW: "low"}
# (point, what it is in each unit set); None: no value
TRUTH = {
    "metric": {1: 12345.0, 2: None, 3: 87.4, 4: None},
    "us": {1: 12345.0 / KPA_PER_PSI, 2: None, 3: 87.4 * 9 / 5 + 32, 4: None},
    "own": {1: 12345.0 / KPA_PER_KGF_CM2, 2: None, 3: 87.4, 4: None},
}
SET = {METRIC_HIGH: "metric", METRIC_LOW: "metric", US_HIGH: "us", US_LOW: "us", OWN_HIGH: "own", LAST_HIGH: "metric",
       NUMBER_HIGH: "metric"}
QUALITY = {1: 192, 2: 2, 3: 192, 4: 1}
checks = 0


def check(what, got, want):
    global checks
    checks += 1
    same = got == want or (isinstance(want, float) and (math.isnan(want) and math.isnan(got)
                                                        or abs(got - want) <= abs(want) * 6e-8))
    if not same:
        raise SystemExit(f"{what}: got {got!r}, expected {want!r}")


def by_struct(registers, view, code="f"):
    words = registers if ORDER.get(view) != "low" else registers[::-1]
    return struct.unpack(">" + code, struct.pack(f">{len(words)}H", *words))[0]


def by_pymodbus(registers, view):
    order = Endian.Little if ORDER.get(view) == "low" else Endian.Big
    return BinaryPayloadDecoder.fromRegisters(registers, byteorder=Endian.Big, wordorder=order).decode_32bit_float()


def read_all(client, view, function):
    read = client.read_holding_registers if function == 3 else client.read_input_registers
    registers = []
    while len(registers) < REGISTERS:
        answer = read(len(registers), min(125, REGISTERS - len(registers)), slave=view)
        if answer.isError():
            raise SystemExit(f"unit id {view} function {function} register {len(registers)}: {answer}")
        registers += answer.registers
    return registers


def check_view(client, view):
    holding, inputs = read_all(client, view, 3), read_all(client, view, 4)
    for base, block in ((0, 1), (1024, 3)):
        for registers in (holding, inputs):
            check("layout version", registers[base], 1)
            check("block", registers[base + 1], block)
            check("test pattern", by_struct(registers[base + 2:base + 4], view), 123456.0)
            check("test pattern", by_pymodbus(registers[base + 2:base + 4], view), 123456.0)
            check("UTC", by_struct(registers[base + 10:base + 14], view, "Q"), 1929852005120)
            check("seq", by_struct(registers[base + 14:base + 18], view, "Q"), 88120)
            check("run", by_struct(registers[base + 26:base + 28], view, "I"), 0xA07B44E8)
            check("unit set", registers[base + 30], {"metric": 1, "us": 2, "own": 3}[SET[view]])
            for point, want in TRUTH[SET[view]].items():
                at = base + slot(point)
                missing = -9999.0 if view == NUMBER_HIGH else math.nan
                value = by_struct(registers[at:at + 2], view)
                check(f"unit id {view} point {point}", value, missing if want is None else want)
                check(f"unit id {view} point {point} by pymodbus", by_pymodbus(registers[at:at + 2], view), value)
                check(f"unit id {view} point {point} quality", registers[at + 2], QUALITY[point])
                age = registers[at + 3]
                check(f"unit id {view} point {point} age", age <= 5 if want is not None else age == 65535, True)
    check("block 1, which no well has", set(holding[512:1024]), {0})


def identify(client, code, first):
    objects, next_id = {}, first
    for _ in range(256):
        request = ReadDeviceInformationRequest(code, next_id, slave=METRIC_HIGH)
        answer = client.execute(request)
        if answer.isError():
            raise SystemExit(f"identification: {answer}")
        objects.update(answer.information)
        if answer.more_follows != 0xFF:
            return objects
        next_id = answer.next_object_id
    raise SystemExit("identification never ends")


def check_refusals(client):
    check("write one register", client.write_register(0, 7, slave=1).exception_code, 1)
    check("write registers", client.write_registers(32, [1, 2], slave=1).exception_code, 1)
    check("write a coil", client.write_coil(0, True, slave=1).exception_code, 1)
    check("read coils", client.read_coils(0, 1, slave=1).exception_code, 1)
    check("across the end", client.read_holding_registers(REGISTERS - 1, 2, slave=1).exception_code, 2)
    check("unknown unit id", client.read_holding_registers(0, 1, slave=99).exception_code, 0x0A)


def main(program):
    with Demo(program) as demo:
        client = ModbusTcpClient("127.0.0.1", port=demo.port, timeout=60)
        if not client.connect():
            raise SystemExit("no connection")
        check("a heartbeat", client.read_input_registers(8, 1, slave=1).registers[0] > 0, True)
        for view in SET:
            check_view(client, view)
        for view in (0, 255):
            check("view 1", client.read_input_registers(2, 2, slave=view).registers, [0x47F1, 0x2000])
        basic = identify(client, 1, 0)
        check("vendor", (basic[0], basic[1]), (b"Uphole", b"uphole-table"))
        wells = identify(client, 3, 0x80)
        check("wells", wells, {0x80: b"heron-7 Heron 7", 0x82: b"heron-8 Heron 8"})
        check_refusals(client)
        client.close()
    check("writes refused", demo.counts["writes_refused"], 3)
    print(f"pymodbus and struct agree with the truth in all {len(SET)} views: {checks} checks")


main(sys.argv[1])
