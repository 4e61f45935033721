#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Well parameters of one well, points 53 to 83, computed anew with 40 digits by the functions of independent.py.

usage: derived.py                 prints the rows `{POINT_NAME, value},` of tests/measure/derived_values.h
       derived.py --check FILE    compares them with the rows of that file; exit 1 where one differs by more than 1e-12

Nothing here is taken from the daemon's code. The well is invented; what it is made of stands in WELL and READ, and in the test's own words in
tests/measure/test_derive_well.c.
"""
import re
import sys

import mpmath as mp

from independent import BARREL, FOOT, G, ICE, PSI, composite, dak, height, water_pressure

m = mp.mpf
WELL = {"D_i": m(1850), "D_g": m(1862), "D_D": m(2010), "dz": m(12), "N_st": m(220), "f_ref": m(50), "q": m(240), "B_o": m("1.12"), "gamma_g": m("0.75"),
        "GOR": m(60), "API": m(32), "f_w": m("0.6"), "rho_w": m(1050), "rho_a": m(850), "T_a": m(57), "p_r": m(22000), "p_b": m(8000), "J": m("1.5"),
        "T_limit": m(150), "T_ref": m(40), "f_c": m(60), "P_rated": m(75), "eta_t": m("0.98"), "n_t": m("4.6"), "L": m(1905), "AWG": 2, "T_cable": m(75),
        "curve": [(m(a), m(b), m(c)) for a, b, c in (("0", "9.6", "0.26"), ("80", "9.5", "0.31"), ("160", "9.2", "0.36"), ("240", "8.6", "0.41"),
                                                    ("320", "7.7", "0.45"), ("400", "6.3", "0.47"), ("480", "4.2", "0.475"))],
        "tests": [(m(170), m(15000)), (m(230), m(10500)), (m(262), m(7000))]}
READ = {"p_i": m(9000), "p_d": m(19000), "p_c": m(1200), "T_i": m(80), "T_m": m(110), "f": m("47.5"), "V": m(1900), "I": m("22.5"), "pf": m("0.84"), "P": m(60),
        "R_T": m(5000)}


def z_of(p_pa, t_k, gravity):
    """Sutton 1985 (psia, degR), then Dranchuk and Abou-Kassem 1975."""
    p_pc = (m("756.8") - 131 * gravity - m("3.6") * gravity**2) * PSI
    t_pc = (m("169.2") + m("349.5") * gravity - 74 * gravity**2) * 5 / 9
    return dak(t_k / t_pc, p_pa / p_pc)


def values(w=WELL, r=READ):
    out = {}
    oil = m("141.5") / (m("131.5") + w["API"]) * m("999.016")
    rho = oil + w["f_w"] * (w["rho_w"] - oil)
    pascal = lambda kpa: kpa * 1000
    datum = r["p_i"] + rho * G * (w["D_D"] - w["D_g"]) / 1000
    out["DATUM_PRESSURE"] = datum
    t_a = w["T_a"] + ICE
    column = lambda z: height(pascal(r["p_i"]), pascal(r["p_c"]), w["D_g"], w["rho_a"], w["gamma_g"], t_a, z)
    h0 = column(z_of(pascal(r["p_c"]), t_a, w["gamma_g"]))
    foot_of_gas = pascal(r["p_i"]) - w["rho_a"] * G * h0
    h = column(z_of((foot_of_gas + pascal(r["p_c"])) / 2, t_a, w["gamma_g"]))
    out["SUBMERGENCE"], out["FLUID_LEVEL_DEPTH"] = h - (w["D_g"] - w["D_i"]), w["D_g"] - h
    out["LIQUID_DENSITY"], out["LIQUID_GRADIENT"] = rho, rho * G / 1000
    dp = pascal(r["p_d"] - r["p_i"])
    head = w["dz"] + dp / rho / G
    out["PUMP_TOTAL_HEAD"], out["HEAD_PER_STAGE"], out["REFERENCE_HEAD"] = head, head / w["N_st"], head * w["f_ref"] ** 2 / r["f"] ** 2
    at_pump = w["q"] * (w["f_w"] + w["B_o"] - w["B_o"] * w["f_w"])
    out["REFERENCE_RATE"] = at_pump / r["f"] * w["f_ref"]
    hydraulic = at_pump * dp / 86400 / 1000
    out["HYDRAULIC_POWER"] = hydraulic
    out["ELECTRICAL_POWER"] = mp.sqrt(3) * r["V"] * r["I"] * r["pf"] / 1000
    out["PUMP_MOTOR_EFFICIENCY"] = hydraulic / r["P"] * 100
    out["SPECIFIC_ENERGY"] = r["P"] / w["eta_t"] * 24 / w["q"]
    t, p = r["T_i"] + ICE, pascal(r["p_i"])
    z = z_of(p, t, w["gamma_g"])
    out["GAS_COMPRESSIBILITY_FACTOR"] = z
    fahrenheit = t * 9 / 5 - m("459.67")
    scf = FOOT**3 / BARREL
    held = w["gamma_g"] * mp.exp(mp.log((p / PSI / m("18.2") + m("1.4")) * mp.exp(mp.log(10) * (m("0.0125") * w["API"] - m("0.00091") * fahrenheit))) / m("0.83"))
    held = min(held * scf, w["GOR"])
    swollen = m("0.9759") + m("0.00012") * (held / scf * mp.sqrt(w["gamma_g"] * (m("131.5") + w["API"]) / m("141.5")) + m("1.25") * fahrenheit) ** m("1.2")
    b_g = m(101325) / p * t / ((m(60) + m("459.67")) * 5 / 9) * z
    gas, liquid = (1 - w["f_w"]) * (w["GOR"] - held) * b_g, (1 - w["f_w"]) * swollen + w["f_w"]
    out["FREE_GAS_FRACTION"] = 100 / (1 + liquid / gas) if gas else m(0)
    out["TURPIN_NUMBER"] = 2000 * gas / liquid / (3 * p / PSI)
    boiling = mp.findroot(lambda x: mp.log(water_pressure(x) / p), (350, 600), solver="anderson", tol=1e-30)
    out["BOILING_MARGIN"] = boiling - ICE - r["T_m"]
    out["MOTOR_TEMPERATURE_MARGIN"] = w["T_limit"] - r["T_m"]
    out["REFERENCE_INSULATION"] = r["R_T"] * mp.exp(mp.log(2) * (r["T_m"] - w["T_ref"]) / 10)
    out["DRAWDOWN"], out["PRODUCTIVITY_INDEX"] = w["p_r"] - datum, w["q"] / (w["p_r"] - datum) * 100
    rate = lambda p_wf: composite(w["J"] / 100, w["p_r"], w["p_b"], p_wf)
    out["INFLOW_RATE"], out["INFLOW_SHARE"] = rate(datum), 100 * rate(datum) / rate(m(0))
    chain(w, r, out, head, at_pump, rho)
    out["FETKOVICH_RATE"] = fetkovich(w["tests"], w["p_r"], datum)
    return out


def between(rows, column, x):
    """A straight line through the two rows about x; Lagrange's form."""
    for (x1, *low), (x2, *high) in ((rows[i], rows[i + 1]) for i in range(len(rows) - 1)):
        if x <= x2 or x2 == rows[-1][0]:
            return (low[column] * (x2 - x) + high[column] * (x - x1)) / (x2 - x1)


def wire(gauge):
    """ohm/m of solid copper: 36 AWG is 5 mil, 4/0 (-3) is 460 mil, and 39 equal steps of the logarithm lie between; 58 m/(ohm mm2)."""
    mil = mp.exp(mp.log(5) + (36 - gauge) * (mp.log(460) - mp.log(5)) / 39)
    return 1 / (m(58) * mp.pi * (mil * m("0.0254") / 2) ** 2)


def chain(w, r, out, head, at_pump, rho):
    """From the drive to the liquid: kW, with the current and the power read behind the transformer."""
    slow = r["f"] / w["f_c"]
    on_curve = at_pump / slow
    shaft = w["N_st"] * between(w["curve"], 1, on_curve) * slow**3 * rho / m("999.016")
    hot = wire(w["AWG"]) * w["L"] * (1 + m("0.00393") * (w["T_cable"] - 20))
    lost = hot * r["I"] ** 2 * 3 / 1000
    out["ELECTRICAL_INPUT"], out["CABLE_LOSS"] = r["P"] / w["eta_t"], lost
    out["MOTOR_EFFICIENCY"] = 100 * shaft / (r["P"] - lost)
    out["PUMP_EFFICIENCY"] = 100 * out["HYDRAULIC_POWER"] / shaft
    out["SYSTEM_EFFICIENCY"] = 100 * out["HYDRAULIC_POWER"] / out["ELECTRICAL_INPUT"]
    curve_head = between(w["curve"], 0, on_curve) * w["N_st"] * slow**2
    out["CURVE_HEAD"], out["HEAD_AGAINST_CURVE"] = curve_head, 100 * head / curve_head


def fetkovich(tests, p_r, p_wf):
    """Normal equations of log10 q = c + n log10(p_r^2 - p^2), solved as a system."""
    a = mp.matrix(len(tests), 2)
    y = mp.matrix([mp.log10(q) for q, _ in tests])
    for i, (_, p) in enumerate(tests):
        a[i, 0], a[i, 1] = 1, mp.log10(p_r**2 - p**2)
    c, n = mp.lu_solve(a.T * a, a.T * y)
    return 10 ** (c + n * mp.log10(p_r**2 - p_wf**2))


def main():
    computed = values()
    if len(sys.argv) < 3:
        for name, value in computed.items():
            print("    {POINT_%s, %s}," % (name, mp.nstr(value, 17)))
        return 0
    with open(sys.argv[2], encoding="utf-8") as file:
        rows = {name: m(value) for name, value in re.findall(r"\{POINT_(\w+), ([-0-9.e]+)\}", file.read())}
    bad = [name for name in computed if name not in rows or abs(rows[name] - computed[name]) > m("1e-12") * abs(computed[name])]
    bad += [name for name in rows if name not in computed]
    for name in bad:
        print("%s: computed %s, in the file %s" % (name, computed.get(name), rows.get(name)))
    print("%d well parameters, %d differ" % (len(computed), len(bad)))
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
