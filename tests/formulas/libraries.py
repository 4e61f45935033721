#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Formulas against general-purpose reference libraries: SciPy (CODATA constants, slopes, integrals), Pint (units), uncertainties (the GUM).

usage: libraries.py UPHOLE
"""
import json
import math
import random
import subprocess
import sys
import tempfile

import numpy
import pint
import scipy.constants as constants
import scipy.optimize
import scipy.stats
from uncertainties import ufloat
from uncertainties import umath

units = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
ROWS = []


def row(quantity, inputs, expected, tolerance, source):
    ROWS.append("| L-%d | %s | %s | %s | %s | %s |" % (len(ROWS) + 1, quantity, inputs, expected, tolerance, source))


def number(value):
    return "%.17g" % value


def by_units():
    """Pint's own table of units; its barrel is the oil barrel, its horsepower the mechanical one."""
    cases = [("convert.pressure", "p", "psi", "kPa", "psi", "kilopascal"), ("convert.pressure", "p", "bar", "psi", "bar", "psi"),
             ("convert.pressure", "p", "kgf/cm2", "MPa", "kilogram_force/centimeter**2", "megapascal"), ("convert.pressure", "p", "atm", "psi", "atmosphere", "psi"),
             ("convert.length", "L", "ft", "m", "foot", "meter"), ("convert.length", "L", "in", "mm", "inch", "millimeter"),
             ("convert.rate", "q", "bbl/d", "m3/d", "oil_barrel/day", "meter**3/day"), ("convert.rate", "q", "m3/h", "bbl/d", "meter**3/hour", "oil_barrel/day"),
             ("convert.power", "P", "hp", "kW", "horsepower", "kilowatt"), ("vib.unit", "v", "in/s", "mm/s", "inch/second", "millimeter/second")]
    for quantity, name, written, shown, theirs, to in cases:
        for value in (1.0, 0.37, 12345.678):
            row(quantity, "%s=%s %s" % (name, number(value), written), number((value * units(theirs)).to(to).magnitude) + " " + shown, "rel 1e-9", "Pint")
    for value in (-40.0, 0.0, 98.6, 250.0):
        row("convert.temperature", "T=%s degF" % number(value), number(units.Quantity(value, "degF").to("degC").magnitude) + " degC", "abs 1e-9", "Pint")
        row("convert.temperature_difference", "dT=%s degF" % number(value), number(units.Quantity(value, "delta_degF").to("kelvin").magnitude) + " K", "abs 1e-9", "Pint")


def by_constants():
    """CODATA and unit constants as SciPy carries them."""
    row("convert.pressure", "p=1 psi", number(constants.psi) + " Pa", "rel 1e-12", "scipy.constants.psi")
    row("convert.pressure", "p=1 atm", number(constants.atm) + " Pa", "rel 1e-15", "scipy.constants.atm")
    row("convert.power", "P=1 hp", number(constants.hp) + " W", "rel 1e-12", "scipy.constants.hp")
    row("convert.rate", "q=1 bbl/d", number(constants.bbl / 86400) + " m3/s", "rel 1e-12", "scipy.constants.bbl")
    row("hydro.gradient", "rho=1", number(constants.g) + " Pa/m", "rel 1e-15", "scipy.constants.g")
    row("level.gas_exponent", "gamma_g=1; T_avg=300 K; Z=1", number(0.02896546 * constants.g / (constants.R * 300)) + " 1/m", "rel 1e-9", "scipy.constants.R, CODATA 2018, printed with ten digits")


def by_statistics():
    seeded = random.Random(7)
    for n in (5, 12, 37, 80):
        t = sorted(seeded.sample(range(0, 5000), n))
        x = [round(100 + 0.01 * s + seeded.gauss(0, 1), 6) for s in t]
        lists = "x=[%s]; y=[%s]" % (",".join(map(str, t)), ",".join(map(repr, x)))
        line = scipy.stats.linregress(t, x)
        row("slope.ols", lists, number(line.slope), "rel 1e-9", "scipy.stats.linregress")
        row("slope.ols_intercept", lists, number(line.intercept), "rel 1e-9", "scipy.stats.linregress")
        row("slope.theil_sen", lists, number(scipy.stats.theilslopes(x, t)[0]), "rel 1e-9", "scipy.stats.theilslopes")
        row("slope.repeated_median", lists, number(scipy.stats.siegelslopes(x, t)[0]), "rel 1e-9", "scipy.stats.siegelslopes")
        row("stat.mean", "x=[%s]" % ",".join(map(repr, x)), number(numpy.mean(x)), "rel 1e-12", "numpy.mean")
        row("stat.sd", "x=[%s]; divisor=n-1" % ",".join(map(repr, x)), number(numpy.std(x, ddof=1)), "rel 1e-11", "numpy.std")
        row("twa.linear_mean", "t=[%s] s; x=[%s]; a=%d s; b=%d s; G=10000 s" % (",".join(map(str, t)), ",".join(map(repr, x)), t[0], t[-1]),
            number(numpy.trapz(x, t) / (t[-1] - t[0])), "rel 1e-11", "numpy.trapz")
        row("vib.rms", "x=[%s] g" % ",".join(map(repr, x)), number(math.sqrt(numpy.mean(numpy.square(x)))) + " g", "rel 1e-12", "numpy")


def by_solvers():
    """Colebrook's equation, solved; Swamee and Jain must lie within 1.5 % of it in their range."""
    for reynolds in (6e3, 5e4, 1e6, 5e7):
        for rough in (2e-6, 1e-4, 8e-3):
            f = scipy.optimize.brentq(lambda f: 1 / math.sqrt(f) + 2 * math.log10(rough / 3.7 + 2.51 / (reynolds * math.sqrt(f))), 1e-3, 0.2)
            row("flow.friction_factor", "Re=%s; eps=%s m; d=1 m" % (number(reynolds), number(rough)), number(f), "rel 0.03", "Colebrook by scipy.optimize.brentq")


def uncertainty(uphole, failures):
    """Propagation by the `uncertainties` library (linear, automatic derivatives) against --json's standard_uncertainty."""
    cases = [("pump.pressure_head", {"p_d": (18.5e6, 2e4), "p_i": (5.2e6, 1e4), "rho": (980, 15)}, lambda p_d, p_i, rho: (p_d - p_i) / (rho * 9.80665)),
             ("elec.active_power", {"V": (2200, 22), "I": (42, 0.4), "pf": (0.85, 0.02)}, lambda V, I, pf: math.sqrt(3) * V * I * pf),
             ("eff.system", {"dp": (13.3e6, 3e4), "Q": (240 / 86400, 7 / 86400), "P_in": (110e3, 1600)}, lambda dp, Q, P_in: dp * Q / P_in),
             ("ipr.J", {"q": (850 * 0.158987294928 / 86400, 1e-5), "p_r": (22e6, 2e5), "p_wf": (17.9e6, 1e5)}, lambda q, p_r, p_wf: q / (p_r - p_wf)),
             ("affinity.normalised_head", {"H": (1250, 12), "f": (47.5, 0.05), "f_ref": (50, 0)}, lambda H, f, f_ref: H * (f_ref / f) ** 2),
             ("vib.vector", {"x": (5.9, 0.1), "y": (7.8, 0.2)}, lambda x, y: umath.sqrt(x * x + y * y)),
             ("insulation.R_ref", {"R_T": (8e6, 4e5), "T": (393.15, 1), "T_ref": (313.15, 0)}, lambda R_T, T, T_ref: R_T * 2 ** ((T - T_ref) / 10)),
             ("density.mix", {"f_w": (0.6, 0.03), "rho_w": (1085, 5), "rho_o": (865, 8)}, lambda f_w, rho_w, rho_o: f_w * rho_w + (1 - f_w) * rho_o)]
    own = {"p_d": "Pa", "p_i": "Pa", "rho": "kg/m3", "V": "V", "I": "A", "dp": "Pa", "Q": "m3/s", "P_in": "W", "q": "m3/s", "p_r": "Pa", "p_wf": "Pa", "H": "m", "f": "Hz",
           "f_ref": "Hz", "x": "m/s2", "y": "m/s2", "R_T": "ohm", "T": "K", "T_ref": "K", "rho_w": "kg/m3", "rho_o": "kg/m3"}
    result = {"pump.pressure_head": "m", "elec.active_power": "W", "eff.system": "", "ipr.J": "m3/(s Pa)", "affinity.normalised_head": "m", "vib.vector": "m/s2",
              "insulation.R_ref": "ohm", "density.mix": "kg/m3"}
    for quantity, inputs, function in cases:
        words = []
        for name, (value, u) in inputs.items():
            unit = " " + own[name] if name in own else ""
            words += ["%s=%s%s" % (name, number(value), unit)] + (["u_%s=%s%s" % (name, number(u), unit)] if u else [])
        more = ["--in", result[quantity]] if result[quantity] else []
        out = json.loads(subprocess.run([uphole, "calculate", quantity, *words, *more, "--json"], capture_output=True, text=True, check=True).stdout)
        want = function(**{name: ufloat(value, u) if u else value for name, (value, u) in inputs.items()})
        for got, expected, what in ((out["value"], want.nominal_value, "value"), (out["standard_uncertainty"], want.std_dev, "standard uncertainty")):
            if abs(got - expected) > 1e-7 * abs(expected):
                failures.append("%s: %s %.12g, uncertainties says %.12g" % (quantity, what, got, expected))
    return 2 * len(cases)


def main():
    uphole, failures = sys.argv[1], []
    by_units()
    by_constants()
    by_statistics()
    by_solvers()
    with tempfile.NamedTemporaryFile("w", suffix=".md") as table:
        table.write("\n".join(ROWS) + "\n")
        table.flush()
        done = subprocess.run([uphole, "calculate", "--rows", table.name], capture_output=True, text=True)
    failures += [line for line in done.stdout.splitlines() if " fail " in line[:16]]
    last = done.stdout.splitlines()[-1] if done.stdout else done.stderr
    if last != "%d passed, %d failed" % (len(ROWS) - len(failures), len(failures)):
        failures.append("the table did not run: " + last)
    more = uncertainty(uphole, failures)
    for failure in failures:
        print(failure)
    print("%d results against SciPy, NumPy and Pint, %d against uncertainties; %d disagree" % (len(ROWS), more, len(failures)))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
