#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Compares 20,000 numbers printed by number_to_text with Python's exact fractions (round half to even, PEP 3141).

Usage: numbers_against_decimal.py PRINT_NUMBERS [SEED]
Planted defects that this must catch, and did: half away from zero; value / resolution computed as a double before it is rounded.
"""
import random
import struct
import subprocess
import sys
from fractions import Fraction

RESOLUTIONS = ["1", "0.1", "0.01", "0.001", "10", "5", "0.5", "0.25", "0.000001", "1000", "0"]


def expected(value, resolution):
    """The text by exact arithmetic; None where only reading back is asked."""
    if resolution == "0" or abs(value) >= 1e15:
        return None
    step = Fraction(resolution)
    decimals = len(resolution.partition(".")[2])
    steps = round(Fraction(value) / step)  # of a Fraction: half to even
    digits = steps * step * 10**decimals
    assert digits.denominator == 1
    text = str(abs(digits.numerator)).rjust(decimals + 1, "0")
    if decimals:
        text = text[:-decimals] + "." + text[-decimals:]
    return ("-" if digits < 0 else "") + text


def numbers(source):
    for i in range(20000):
        resolution = source.choice(RESOLUTIONS)
        kind = i % 5
        if kind == 0:    # any bit pattern
            value = struct.unpack("<d", source.getrandbits(64).to_bytes(8, "little"))[0]
            if value != value or value in (float("inf"), float("-inf")):
                value = 0.0
        elif kind == 1:  # exact ties in binary
            value = (source.randrange(-10**6, 10**6) + 0.5) * float(resolution if resolution != "0" else "1")
        elif kind == 2:  # readings as they come: counts of a scale
            value = source.randrange(-32768, 65536) * source.choice([0.1, 0.01, 0.001, 1.0])
        elif kind == 3:  # decimal ties that are none in binary
            value = (source.randrange(0, 10**5) * 10 + 5) / source.choice([10, 100, 1000, 10000])
        else:
            value = source.uniform(-1e15, 1e15) * 10 ** source.randrange(-20, 1)
        yield value, resolution


def main():
    source = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 2031)
    asked = list(numbers(source))
    lines = "".join(f"{value.hex()} {resolution}\n" for value, resolution in asked)
    answers = subprocess.run([sys.argv[1]], input=lines, capture_output=True, text=True, check=True).stdout.splitlines()
    if len(answers) != len(asked):
        sys.exit(f"asked for {len(asked)} numbers, got {len(answers)}")
    wrong = 0
    for (value, resolution), got in zip(asked, answers):
        want = expected(value, resolution)
        if want is None:
            good = float(got) == value and not (got.startswith("-") and value == 0)
            want = repr(value)
        else:
            good = got == want
        if not good:
            wrong += 1
            if wrong <= 10:
                print(f"{value!r} at {resolution}: got {got!r}, expected {want!r}")
    print(f"{len(asked)} numbers compared, {wrong} wrong")
    sys.exit(1 if wrong else 0)


main()
