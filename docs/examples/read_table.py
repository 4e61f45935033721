#!/usr/bin/env python3
"""The Modbus TCP table: finds the word order by the test pattern, then reads points with their quality and age.

    read_table.py HOST PORT UNIT_ID TABLE_BLOCK POINT_NUMBER...

Needs pymodbus 3.0. Point numbers stand in docs/table.md. Only reads: the table refuses every write.
"""
import math
import struct
import sys

from pymodbus.client import ModbusTcpClient

BLOCK, FIRST_SLOT, SLOT = 512, 32, 4
TEST_PATTERN, IMAGE_COUNTER = 2, 28
CLASSES = {0xC0: "Good", 0x40: "Uncertain", 0x00: "Bad"}


def real(pair, low_word_first):
    words = pair[::-1] if low_word_first else pair
    return struct.unpack(">f", struct.pack(">HH", *words))[0]


class Table:
    def __init__(self, host, port, view, block):
        self.client, self.view, self.base = ModbusTcpClient(host, port=port), view, BLOCK * block
        if not self.client.connect():
            raise SystemExit(f"no connection to {host} port {port}")
        pattern = self.read(TEST_PATTERN, 2)
        if real(pattern, False) == 123456.0:
            self.low_word_first = False
        elif real(pattern, True) == 123456.0:
            self.low_word_first = True
        else:
            raise SystemExit(f"the test pattern reads {pattern}: this is no block of Uphole's table")

    def read(self, at, count):
        answer = self.client.read_input_registers(self.base + at, count, slave=self.view)
        if answer.isError():
            raise SystemExit(f"registers {self.base + at} to {self.base + at + count - 1}: {answer}")
        return answer.registers

    def points(self, numbers):
        """(number, value or None, class, reason code, age in s or None). Several reads that belong together, or the same again."""
        for _ in range(20):
            before = self.read(IMAGE_COUNTER, 1)
            slots = [(number, self.read(FIRST_SLOT + SLOT * (number - 1), SLOT)) for number in numbers]
            if self.read(IMAGE_COUNTER, 1) == before:
                return [self.point(number, slot) for number, slot in slots]
        raise SystemExit("the image changed 20 times while it was read")

    def point(self, number, slot):
        value, quality, age_s = real(slot[0:2], self.low_word_first), slot[2], slot[3]
        return (number, None if math.isnan(value) else value, CLASSES.get(quality & 0xC0, "Bad"), quality, None if age_s == 65535 else age_s)


def main():
    host, port, view, block = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
    table = Table(host, port, view, block)
    print("low word first" if table.low_word_first else "high word first")
    for number, value, quality, code, age_s in table.points([int(n) for n in sys.argv[5:]]):
        shown = "--" if value is None else f"{value:.7g}"
        age = "never" if age_s is None else f"{age_s} s old"
        print(f"point {number:3} {shown:>14}  {quality} ({code})  {age}")
    table.client.close()


if __name__ == "__main__":
    main()
