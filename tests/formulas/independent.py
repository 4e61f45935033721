#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Formulas computed anew, with 40 digits and in other arrangements, over random wells; and what must hold whatever the numbers.

usage: independent.py UPHOLE [--wells N] [--seed S]

Each random well becomes a table of rows: inputs in units drawn at random (so that the same result must come out of other units), the expected value
from mpmath. `uphole calculate --rows` judges them. Nothing here is taken from the daemon's code: arcs are walked as rotations of a vector, roots are found
by mpmath's own solvers, slopes by its matrices, water by IAPWS R7-97 typed in again.
"""
import argparse
import json
import random
import subprocess
import sys
import tempfile

import mpmath as mp

mp.mp.dps = 40
G, R, AIR = mp.mpf("9.80665"), mp.mpf("8.31446261815324"), mp.mpf("0.02896546")
PSI = mp.mpf("0.45359237") * G / mp.mpf("0.0254") ** 2
FOOT, BARREL = mp.mpf("0.3048"), mp.mpf("0.158987294928")
ICE = mp.mpf("273.15")

# SI factor and offset of the units that a dimension may be written in; NIST SP 811 (2008) app. B, exact definitions.
UNITS = {
    "pressure": [("Pa", 1, 0), ("kPa", 1000, 0), ("MPa", 10**6, 0), ("bar", 10**5, 0), ("psi", PSI, 0), ("kgf/cm2", G * 10**4, 0)],
    "absolute": [("Pa", 1, 0), ("MPa abs", 10**6, 0), ("psia", PSI, 0), ("bar abs", 10**5, 0)],
    "length": [("m", 1, 0), ("ft", FOOT, 0), ("km", 1000, 0)],
    "temperature": [("degC", 1, ICE), ("K", 1, 0), ("degF", mp.mpf(5) / 9, mp.mpf("459.67") * 5 / 9), ("degR", mp.mpf(5) / 9, 0)],
    "rate": [("m3/d", 1 / mp.mpf(86400), 0), ("bbl/d", BARREL / 86400, 0), ("m3/s", 1, 0), ("m3/h", 1 / mp.mpf(3600), 0)],
    "density": [("kg/m3", 1, 0), ("lb/ft3", mp.mpf("0.45359237") / FOOT**3, 0)],
    "power": [("W", 1, 0), ("kW", 1000, 0), ("hp", 550 * FOOT * mp.mpf("0.45359237") * G, 0)],
    "current": [("A", 1, 0), ("mA", mp.mpf("0.001"), 0)],
    "voltage": [("V", 1, 0), ("kV", 1000, 0)],
    "frequency": [("Hz", 1, 0), ("kHz", 1000, 0)],
    "angle": [("deg", mp.pi / 180, 0), ("rad", 1, 0)],
    "ratio": [("", 1, 0), ("%", mp.mpf("0.01"), 0)],
    "number": [("", 1, 0)],
    "gor": [("m3/m3", 1, 0), ("scf/stb", FOOT**3 / BARREL, 0)],
    "index": [("m3/(d MPa)", 1 / mp.mpf(86400) / 10**6, 0), ("stb/(d psi)", BARREL / 86400 / PSI, 0)],
    "api": [("degAPI", 1, 0)],
    "resistance": [("Mohm", 10**6, 0), ("kohm", 1000, 0)],
    "ohm": [("ohm", 1, 0), ("kohm", 1000, 0)],
    "line": [("ohm/km", mp.mpf("0.001"), 0), ("ohm/m", 1, 0), ("ohm/1000ft", 1 / (1000 * FOOT), 0)],
    "difference": [("K", 1, 0), ("degF", mp.mpf(5) / 9, 0)],
    "energy": [("kWh/m3", mp.mpf("3.6e6"), 0)],
    "severity": [("deg/30m", mp.pi / 180 / 30, 0)],
    "time": [("s", 1, 0), ("min", 60, 0), ("h", 3600, 0)],
    "acceleration": [("m/s2", 1, 0), ("g", G, 0)],
}


class Well:
    """One table of rows, and a random well's numbers."""

    def __init__(self, seed):
        self.random, self.rows = random.Random(seed), []

    def between(self, low, high):
        return mp.mpf(repr(self.random.uniform(low, high)))

    def write(self, value, kind):
        """A text with as many digits as a double holds, in some unit; and the value that this text means."""
        unit, factor, offset = self.random.choice(UNITS[kind])
        text = mp.nstr((value - offset) / factor, 17, strip_zeros=False)
        return text + (" " + unit if unit else ""), mp.mpf(text) * factor + offset

    def add(self, quantity, inputs, function, kind, tolerance="rel 1e-11"):
        """inputs: name -> (value, kind); function takes the values as written."""
        texts, values = [], {}
        for name, (value, input_kind) in inputs.items():
            text, meant = self.write(value, input_kind)
            texts.append("%s=%s" % (name, text))
            values[name] = meant
        expected = function(**values)
        unit, factor, offset = self.random.choice(UNITS[kind])
        shown = mp.nstr((expected - offset) / factor, 17, strip_zeros=False)
        self.rows.append("| I-%d | %s | %s | %s%s | %s | mpmath |"
                         % (len(self.rows) + 1, quantity, "; ".join(texts), shown, " " + unit if unit else "", tolerance))


# ---- the formulas, anew ----

def tangent(i, a):
    return mp.matrix([mp.sin(i) * mp.cos(a), mp.sin(i) * mp.sin(a), mp.cos(i)])


def arc(md1, i1, a1, md2, i2, a2):
    """A circle through two tangents: chord = L (sin(b/2) / (b/2)) along their bisector; the angle by atan2 of cross and dot product."""
    t1, t2 = tangent(i1, a1), tangent(i2, a2)
    cross = mp.matrix([t1[1] * t2[2] - t1[2] * t2[1], t1[2] * t2[0] - t1[0] * t2[2], t1[0] * t2[1] - t1[1] * t2[0]])
    b = mp.atan2(mp.norm(cross), sum(t1[k] * t2[k] for k in range(3)))
    sum_of = t1 + t2
    chord = (md2 - md1) * (mp.sin(b / 2) / (b / 2) if b else mp.mpf(1))
    return b, [chord * sum_of[k] / mp.norm(sum_of) for k in range(3)]


DAK = [mp.mpf(x) for x in "0.3265 -1.0700 -0.5339 0.01569 -0.05165 0.5475 -0.7361 0.1844 0.1056 0.6134 0.7210".split()]


def dak(t, p):
    a = DAK

    def pressure(d):
        z = (1 + (a[0] + a[1] / t + a[2] / t**3 + a[3] / t**4 + a[4] / t**5) * d + (a[5] + a[6] / t + a[7] / t**2) * d**2
             - a[8] * (a[6] / t + a[7] / t**2) * d**5 + a[9] * (1 + a[10] * d**2) * d**2 / t**3 * mp.exp(-a[10] * d**2))
        return z * d * t / mp.mpf("0.27") - p
    low = mp.mpf(0)
    while pressure(low + mp.mpf("0.01")) < 0:
        low += mp.mpf("0.01")
    d = mp.findroot(pressure, (low, low + mp.mpf("0.01")), solver="anderson", tol=mp.mpf(10) ** -60)
    return mp.mpf("0.27") * p / (d * t)


def height(p_i, p_c, D_i, rho_a, gamma_g, T_avg, Z):
    k = gamma_g * AIR * G / (Z * R * T_avg)
    most = (p_i - p_c) / (rho_a * G)
    return mp.findroot(lambda h: p_i - rho_a * G * h - p_c * mp.exp(k * (D_i - h)), (0, most), solver="anderson", tol=1e-30)


N97 = [mp.mpf(x) for x in ("1167.0521452767 -724213.16703206 -17.073846940092 12020.824702470 -3232555.0322333 14.915108613530 -4823.2657361591 "
                           "405113.40542057 -0.23855557567849 650.17534844798").split()]


def water_pressure(t):
    """The quadratic of IAPWS R7-97, eq. 29, solved for beta by roots of a polynomial."""
    n, v = N97, t + N97[8] / (t - N97[9])
    a, b, c = v * v + n[0] * v + n[1], n[2] * v * v + n[3] * v + n[4], n[5] * v * v + n[6] * v + n[7]
    beta = [x for x in mp.polyroots([a, b, c], maxsteps=200, extraprec=200) if mp.im(x) == 0 and mp.re(x) > 0]
    return min(beta, key=lambda x: abs(x - (2 * c / (-b + mp.sqrt(b * b - 4 * a * c))))) ** 4 * 10**6


def horner(t_p, times, pressures):
    a = mp.matrix(len(times), 2)
    y = mp.matrix(pressures)
    for i, dt in enumerate(times):
        a[i, 0], a[i, 1] = 1, mp.log10(1 + t_p / dt)
    solution = mp.lu_solve(a.T * a, a.T * y)
    return -solution[1], solution[0]


def vogel(x):
    return (1 - x) * (1 + mp.mpf("0.8") * x)


def composite(J, p_r, p_b, p_wf):
    p_b = min(p_b, p_r)  # a reservoir below its bubble point is Vogel's all the way
    above = J * (p_r - max(p_wf, p_b))
    if p_wf >= p_b:
        return above
    return above + J * p_b / mp.mpf("1.8") * vogel(p_wf / p_b)


def a_random_well(well):
    b, add = well.between, well.add
    p_i, dp, rho = b(1e6, 1.5e7), b(1e6, 2e7), b(700, 1150)
    p_d, q, depth = p_i + dp, b(20, 900) / 86400, b(800, 3000)
    pressure = lambda value: (value, "pressure")
    add("pump.pressure_head", {"p_d": pressure(p_d), "p_i": pressure(p_i), "rho": (rho, "density")}, lambda p_d, p_i, rho: (p_d - p_i) / rho / G, "length")
    add("pump.total_head", {"p_d": pressure(p_d), "p_i": pressure(p_i), "rho": (rho, "density"), "dz": (b(2, 40), "length")},
        lambda p_d, p_i, rho, dz: dz + (p_d - p_i) / (rho * G), "length")
    add("pump.hydraulic_power", {"dp": pressure(dp), "Q": (q, "rate")}, lambda dp, Q: dp * Q, "power")
    add("eff.system", {"dp": pressure(dp), "Q": (q, "rate"), "P_in": (dp * q / b(0.2, 0.7), "power")}, lambda dp, Q, P_in: dp * Q / P_in, "ratio")
    add("energy.specific", {"P_in": (b(2e4, 3e5), "power"), "Q": (q, "rate")}, lambda P_in, Q: P_in / Q, "energy")
    add("elec.active_power", {"V": (b(300, 4000), "voltage"), "I": (b(10, 120), "current"), "pf": (b(0.5, 0.98), "ratio")},
        lambda V, I, pf: mp.sqrt(3) * V * I * pf, "power")
    add("elec.current_imbalance", {"I_a": (b(30, 50), "current"), "I_b": (b(30, 50), "current"), "I_c": (b(30, 50), "current")},
        lambda I_a, I_b, I_c: max(abs(3 * x - I_a - I_b - I_c) for x in (I_a, I_b, I_c)) / (I_a + I_b + I_c), "ratio", "rel 1e-9")
    add("affinity.normalised_head", {"H": (b(200, 2500), "length"), "f": (b(35, 65), "frequency"), "f_ref": (b(50, 60), "frequency")},
        lambda H, f, f_ref: H * f_ref**2 / f**2, "length")
    add("affinity.normalised_power", {"P": (b(1e4, 3e5), "power"), "f": (b(35, 65), "frequency"), "f_ref": (b(50, 60), "frequency")},
        lambda P, f, f_ref: P * (f_ref / f) ** 3, "power")
    add("density.mix", {"f_w": (b(0, 1), "ratio"), "rho_w": (b(1000, 1200), "density"), "rho_o": (b(750, 950), "density")},
        lambda f_w, rho_w, rho_o: rho_o + f_w * (rho_w - rho_o), "density")
    add("density.oil", {"API": (b(10, 55), "api")}, lambda API: mp.mpf("999.016") * mp.mpf("141.5") / (API + mp.mpf("131.5")), "density")
    add("datum.pressure", {"p_g": pressure(p_i), "D_g": (depth, "length"), "D_D": (depth + b(-50, 300), "length"), "rho": (rho, "density")},
        lambda p_g, D_g, D_D, rho: p_g + rho * G * (D_D - D_g), "pressure")
    i1, a1 = b(0.01, 1.5), b(0, 6.28)
    course = {"MD1": (depth, "length"), "I1": (i1, "angle"), "A1": (a1, "angle"), "MD2": (depth + b(5, 60), "length"), "I2": (i1 + b(-0.2, 0.2), "angle"),
              "A2": (a1 + b(-0.5, 0.5), "angle")}
    course["I2"] = (abs(course["I2"][0]), "angle")
    names = lambda f: lambda MD1, I1, A1, MD2, I2, A2: f(arc(MD1, I1, A1, MD2, I2, A2), MD2 - MD1)
    add("survey.dTVD", course, names(lambda r, L: r[1][2]), "length", "abs 1e-9")
    add("survey.dN", course, names(lambda r, L: r[1][0]), "length", "abs 1e-9")
    add("survey.dE", course, names(lambda r, L: r[1][1]), "length", "abs 1e-9")
    add("survey.DLS", course, names(lambda r, L: r[0] / L), "severity", "abs 1e-9")
    add("gas.z_dak", {"T_pr": (b(1.15, 2.9), "number"), "p_pr": (b(0.2, 12), "number")}, lambda T_pr, p_pr: dak(T_pr, p_pr), "number", "rel 1e-9")
    add("gas.density", {"p": (b(5e5, 2e7), "absolute"), "T": (b(290, 420), "temperature"), "gamma_g": (b(0.56, 1.1), "number"), "Z": (b(0.6, 1.1), "number")},
        lambda p, T, gamma_g, Z: p / (Z * R * T) * gamma_g * AIR, "density")
    p_c = b(1e5, 3e6)
    add("level.height_above_intake",
        {"p_i": (p_c + rho * G * depth * b(0.15, 0.6), "absolute"), "p_c": (p_c, "absolute"), "D_i": (depth, "length"), "rho_a": (rho, "density"),
         "gamma_g": (b(0.56, 0.95), "number"), "T_avg": (b(300, 380), "temperature"), "Z": (b(0.75, 1), "number")}, height, "length", "abs 1e-6")
    add("motor.temp_by_resistance", {"R1": (b(1e6, 2e6), "resistance"), "theta1": (b(280, 310), "temperature"), "R2": (b(2e6, 3e6), "resistance")},
        lambda R1, theta1, R2: R2 / R1 * (235 + theta1 - ICE) - 235 + ICE, "temperature", "abs 1e-9")
    add("motor.rise", {"T_w": (b(340, 420), "temperature"), "T_i": (b(310, 360), "temperature")}, lambda T_w, T_i: T_w - T_i, "difference", "abs 1e-9")
    add("insulation.R_ref", {"R_T": (b(1e5, 1e9), "resistance"), "T": (b(300, 420), "temperature"), "T_ref": (b(290, 320), "temperature")},
        lambda R_T, T, T_ref: R_T * mp.exp(mp.log(2) * (T - T_ref) / 10), "resistance")
    p_r, p_b, J = b(1e7, 3e7), b(3e6, 2.5e7), b(0.5, 40) / 86400 / 1e6
    add("ipr.J", {"q": (q, "rate"), "p_r": pressure(p_r), "p_wf": pressure(p_r * b(0.2, 0.95))}, lambda q, p_r, p_wf: q / (p_r - p_wf), "index")
    add("ipr.vogel_q", {"q_test": (q, "rate"), "p_r": pressure(p_r), "p_wf_test": pressure(p_r * b(0.3, 0.9)), "p_wf": pressure(p_r * b(0.0, 0.98))},
        lambda q_test, p_r, p_wf_test, p_wf: q_test * vogel(p_wf / p_r) / vogel(p_wf_test / p_r), "rate")
    add("ipr.composite_q", {"J": (J, "index"), "p_r": pressure(p_r), "p_b": pressure(p_b), "p_wf": pressure(p_r * b(0.0, 0.99))}, composite, "rate")
    api, gravity, t = b(18, 45), b(0.6, 0.94), b(312, 395)
    fahrenheit = lambda T: T * 9 / 5 - mp.mpf("459.67")
    scf = FOOT**3 / BARREL
    add("pvt.pb_standing", {"R_s": (b(40, 240), "gor"), "gamma_g": (gravity, "number"), "API": (api, "api"), "T": (t, "temperature")},
        lambda R_s, gamma_g, API, T: PSI * mp.mpf("18.2") * (mp.exp(mp.mpf("0.83") * mp.log(R_s / scf / gamma_g) + mp.log(10) * (mp.mpf("0.00091") * fahrenheit(T)
                                                             - mp.mpf("0.0125") * API)) - mp.mpf("1.4")), "absolute")
    add("pvt.bo_standing", {"R_s": (b(40, 240), "gor"), "gamma_g": (gravity, "number"), "API": (api, "api"), "T": (t, "temperature")},
        lambda R_s, gamma_g, API, T: mp.mpf("0.9759") + mp.mpf("0.00012") * (R_s / scf * mp.sqrt(gamma_g * (mp.mpf("131.5") + API) / mp.mpf("141.5"))
                                                                            + mp.mpf("1.25") * fahrenheit(T)) ** mp.mpf("1.2"), "number")
    add("gas.free_fraction", {"GOR": (b(60, 300), "gor"), "R_s": (b(5, 60), "gor"), "q_o": (q, "rate"), "q_w": (q * b(0, 5), "rate"), "B_o": (b(1, 1.5), "number"),
                              "B_w": (b(1, 1.05), "number"), "B_g": (b(0.005, 0.2), "number")},
        lambda GOR, R_s, q_o, q_w, B_o, B_w, B_g: 1 / (1 + (q_o * B_o + q_w * B_w) / (q_o * (GOR - R_s) * B_g)), "ratio")
    add("gas.turpin", {"q_g": (q * b(0.01, 1), "rate"), "q_l": (q, "rate"), "p_i": (p_i, "absolute")},
        lambda q_g, q_l, p_i: q_g / q_l / 3 * 2000 / (p_i / PSI), "number")
    add("water.p_sat", {"T": (b(280, 640), "temperature")}, lambda T: water_pressure(T), "pressure", "rel 1e-9")
    add("water.T_sat", {"p": (b(2e3, 2e7), "absolute")}, lambda p: mp.findroot(lambda T: mp.log(water_pressure(T) / p), (350, 500), solver="anderson", tol=1e-30),
        "temperature", "abs 1e-6")
    add("cable.resistance", {"r_20": (b(2e-4, 3e-3), "line"), "L": (depth, "length"), "T": (b(290, 420), "temperature")},
        lambda r_20, L, T: L * r_20 + m_393 * L * r_20 * (T - ICE - 20), "ohm")
    add("cable.awg_resistance", {"AWG": (mp.mpf(well.random.randint(-3, 10)), "number")},
        lambda AWG: 4 / (mp.pi * 58 * 10**6) * mp.exp(2 * mp.log(92) * (AWG - 36) / 39) / mp.mpf("0.000127") ** 2, "line")
    add("elec.cable_loss", {"I": (b(10, 120), "current"), "R_c": (b(0.2, 3), "ohm")}, lambda I, R_c: R_c * 3 * I**2, "power")
    add("elec.motor_terminal_power", {"P_s": (b(4e4, 3e5), "power"), "P_c": (b(1e2, 2e4), "power")}, lambda P_s, P_c: P_s - P_c, "power")
    add("elec.input_power", {"P_s": (b(4e4, 3e5), "power"), "eta_t": (b(0.9, 1), "ratio")}, lambda P_s, eta_t: P_s / eta_t, "power")
    add("elec.motor_side_current", {"I_d": (b(40, 900), "current"), "n_t": (b(2, 9), "number")}, lambda I_d, n_t: I_d / n_t, "current")
    add("eff.motor", {"P_shaft": (b(2e4, 9e4), "power"), "P_m": (b(1e5, 2e5), "power")}, lambda P_shaft, P_m: P_shaft / P_m, "ratio")
    add("eff.pump", {"P_h": (b(2e4, 5e4), "power"), "P_shaft": (b(8e4, 2e5), "power")}, lambda P_h, P_shaft: P_h / P_shaft, "ratio")
    curves(well)
    lists(well)


m_393 = mp.mpf("0.00393")


def on_lines(x, xs, ys):
    """The line through the two rows about x, or the last two at either end: by its crossing and slope."""
    i = max(0, min(len(xs) - 2, sum(1 for v in xs if v < x) - 1))
    slope = (ys[i + 1] - ys[i]) / (xs[i + 1] - xs[i])
    return ys[i] - slope * xs[i] + slope * x


def curves(well):
    """A pump's curve of random rows, in units drawn at random; now and then the rate lies a little beyond it."""
    b, n = well.between, well.random.randint(3, 12)
    flow, head, power = (well.random.choice(UNITS[kind]) for kind in ("rate", "length", "power"))
    rates, heads, powers, shares = [], [], [], []
    for i in range(n):
        rates.append((rates[-1] if rates else mp.mpf(0)) + b(10, 90) / 86400 * (i > 0))
        heads.append((heads[-1] if heads else b(8, 12)) - b(0.05, 0.4))
        powers.append((powers[-1] if powers else b(100, 300)) + b(1, 40))
        shares.append(b(0.2, 0.7))
    f_c, f, stages, rho = b(50, 60), b(36, 65), mp.mpf(well.random.randint(20, 400)), b(800, 1150)
    text = lambda values, unit: "[" + ",".join(mp.nstr(v / unit[1], 17) for v in values) + "] " + unit[0]
    exact = lambda values, unit: [mp.mpf(mp.nstr(v / unit[1], 17)) * unit[1] for v in values]
    rates_, heads_, powers_ = exact(rates, flow), exact(heads, head), exact(powers, power)
    at = "N_st=%s; f_c=%s Hz; f=%s Hz; q=%s m3/s" % (mp.nstr(stages, 17), *(mp.nstr(v, 17) for v in (f_c, f, b(0, 1.02) * rates[-1] * f / f_c)))
    f_c, f, q = (mp.mpf(part.split("=")[1].split()[0]) for part in at.split("; ")[1:])
    q_c, slow = q * f_c / f, f / f_c
    rho_text = mp.nstr(rho, 17)
    rho = mp.mpf(rho_text)
    row = lambda quantity, inputs, expected, unit: well.rows.append("| I-%d | %s | %s | %s | rel 1e-10 | mpmath |" % (
        len(well.rows) + 1, quantity, inputs, mp.nstr(expected, 17) + unit))
    table = "Q_c=" + text(rates, flow)
    row("curve.head", "%s; H_c=%s; %s" % (table, text(heads, head), at), stages * slow**2 * on_lines(q_c, rates_, heads_), " m")
    row("curve.shaft_power", "%s; P_c=%s; %s; rho=%s kg/m3" % (table, text(powers, power), at, rho_text),
        stages * slow**3 * on_lines(q_c, rates_, powers_) * rho / mp.mpf("999.016"), " W")
    shares_ = [mp.mpf(mp.nstr(v, 17)) for v in shares]
    bare = "eta_c=[%s]" % ",".join(mp.nstr(v, 17) for v in shares)
    row("curve.shaft_power", "%s; H_c=%s; %s; %s; rho=%s kg/m3" % (table, text(heads, head), bare, at, rho_text),
        stages * slow**3 * on_lines(q_c, rates_, heads_) * q_c * rho * G / on_lines(q_c, rates_, shares_), " W")
    row("curve.efficiency", "%s; %s; %s" % (table, bare, at.split("; ", 1)[1]), on_lines(q_c, rates_, shares_), "")
    tests(well)


def tests(well):
    b, n = well.between, well.random.randint(2, 6)
    p_r, exponent, c = mp.mpf(mp.nstr(b(8e6, 3e7), 17)), b(0.5, 1), b(20, 400)
    pressures = sorted((mp.mpf(mp.nstr(p_r * b(0.05, 0.95), 17)) for _ in range(n)), reverse=True)
    rates = [mp.mpf(mp.nstr(c * (1 - (p / p_r) ** 2) ** exponent * b(0.99, 1.01), 17)) for p in pressures]
    p_wf = mp.mpf(mp.nstr(p_r * b(0.02, 0.98), 17))
    a, y = mp.matrix(n, 2), mp.matrix([mp.log(q) for q in rates])
    for i, p in enumerate(pressures):
        a[i, 0], a[i, 1] = 1, mp.log(1 - (p / p_r) ** 2)
    intercept, slope = mp.lu_solve(a.T * a, a.T * y)
    if pressures[0] - pressures[-1] < p_r / 20 or not 0 < slope < 5:
        return  # tests of all but one pressure: no digits would be left to compare
    listed = lambda values: "[" + ",".join(mp.nstr(v, 17) for v in values) + "]"
    well.rows.append("| I-%d | ipr.fetkovich_q | q_test=%s m3/d; p_test=%s Pa; p_r=%s Pa; p_wf=%s Pa | %s m3/d | rel 1e-9 | mpmath |" % (
        len(well.rows) + 1, listed(rates), listed(pressures), mp.nstr(p_r, 17), mp.nstr(p_wf, 17),
        mp.nstr(mp.exp(intercept + slope * mp.log(1 - (p_wf / p_r) ** 2)), 17)))


def lists(well):
    b = well.between
    n = well.random.randint(6, 40)
    times, values, t = [], [], mp.mpf(well.random.randint(0, 10**9))
    for _ in range(n):
        t += mp.mpf(well.random.choice([28, 28, 28, 29, 56, 200]))
        times.append(t)
        values.append(mp.mpf(mp.nstr(b(5, 15), 6)))
    text = lambda x: "[" + ",".join(mp.nstr(v, 17) for v in x) + "]"
    mean = mp.fsum(values) / n
    row = lambda quantity, inputs, expected, tolerance: well.rows.append(
        "| I-%d | %s | %s | %s | %s | mpmath |" % (len(well.rows) + 1, quantity, inputs, mp.nstr(expected, 17), tolerance))
    row("stat.mean", "x=" + text(values), mean, "rel 1e-13")
    row("stat.sd", "x=" + text(values) + "; divisor=n-1", mp.sqrt(mp.fsum((v - mean) ** 2 for v in values) / (n - 1)), "rel 1e-11")
    fit = mp.lu_solve(*normal(times, values))
    row("slope.ols", "x=%s; y=%s" % (text(times), text(values)), fit[1], "rel 1e-8")
    slopes = sorted((values[j] - values[i]) / (times[j] - times[i]) for i in range(n) for j in range(i))
    half = len(slopes) // 2
    row("slope.theil_sen", "x=%s; y=%s" % (text(times), text(values)), slopes[half] if len(slopes) % 2 else (slopes[half] + slopes[half - 1]) / 2, "rel 1e-9")
    a, e = times[0] + 7, times[-1] + 100
    held = sum_of = mp.mpf(0)
    for second in range(int(a), int(e)):  # one second at a time: no clipping to get wrong
        older = [k for k in range(n) if times[k] <= second]
        if older and second < times[older[-1]] + 90:
            held, sum_of = held + 1, sum_of + values[older[-1]]
    window = "t=%s s; x=%s; a=%s s; b=%s s; G=90 s" % (text(times), text(values), mp.nstr(a, 17), mp.nstr(e, 17))
    row("twa.hold_mean", window, sum_of / held, "rel 1e-11")
    row("twa.hold_coverage", window, held / (e - a), "rel 1e-11")
    t_p, shut = b(50, 800), [mp.mpf(x) for x in (2, 4, 8, 16, 24, 48)]
    pressures = [mp.mpf(mp.nstr(2000 - b(30, 120) * mp.log10((t_p + d) / d), 7)) for d in shut]
    slope, star = horner(t_p, shut, pressures)
    build = "t_p=%s h; Dt=%s h; p_ws=%s psi" % (mp.nstr(t_p, 17), text(shut), text(pressures))
    row("buildup.m_fit", build, slope, "rel 1e-9")
    well.rows[-1] = well.rows[-1].replace(" | rel 1e-9", " psi/cycle | rel 1e-9")
    row("buildup.p_star_fit", build, star, "rel 1e-11")
    well.rows[-1] = well.rows[-1].replace(" | rel 1e-11", " psi | rel 1e-11")


def normal(x, y):
    a = mp.matrix(len(x), 2)
    for i, v in enumerate(x):
        a[i, 0], a[i, 1] = 1, v
    return a.T * a, a.T * mp.matrix(y)


# ---- what must hold whatever the numbers ----

def run_rows(uphole, rows, extra=()):
    with tempfile.NamedTemporaryFile("w", suffix=".md") as table:
        table.write("\n".join(rows) + "\n")
        table.flush()
        return subprocess.run([uphole, "calculate", "--rows", table.name, *extra], capture_output=True, text=True)


def values_of(uphole, quantity, cases):
    """Results in the quantity's own unit, or None; by the `got` of a row that expects nothing."""
    rows = ["| P-%d | %s | %s | 0 | exact | property |" % (i + 1, quantity, case) for i, case in enumerate(cases)]
    out = []
    for line in run_rows(uphole, rows, ("--json",)).stdout.splitlines():
        got = json.loads(line)["got"]
        out.append(None if got.startswith("none:") else float(got.split()[0]))
    if len(out) != len(cases):
        sys.exit("%s: %d of %d rows came back" % (quantity, len(out), len(cases)))
    return out


def rising(values):
    return all(a < b for a, b in zip(values, values[1:]))


def properties(uphole):
    failures = []

    def must(what, holds):
        if not holds:
            failures.append(what)
    steps = range(1, 60)
    must("Vogel's rate falls as p_wf grows", rising(values_of(uphole, "ipr.vogel_q", ["q_test=50; p_r=20 MPa; p_wf_test=15 MPa; p_wf=%s MPa" % (20 - x / 3) for x in steps])))
    must("the composite rate falls as p_wf grows, through the bubble point", rising(values_of(uphole, "ipr.composite_q", ["J=5; p_r=20 MPa; p_b=11 MPa; p_wf=%s MPa" % (20 - x / 3) for x in steps])))
    must("the liquid stands higher as intake pressure grows", rising(values_of(uphole, "level.height_above_intake", ["p_i=%s MPa; p_c=1 MPa; D_i=2000 m; rho_a=850; gamma_g=0.7; T_avg=330 K; Z=0.9" % (2 + x / 5) for x in steps])))
    must("head falls as density grows", rising(values_of(uphole, "pump.pressure_head", ["p_d=20 MPa; p_i=5 MPa; rho=%s" % (1200 - 5 * x) for x in steps])))
    must("water boils hotter under more pressure", rising(values_of(uphole, "water.T_sat", ["p=%s MPa" % (x / 3) for x in steps])))
    must("more gas is free at less pressure", rising(values_of(uphole, "gas.free_fraction", ["GOR=100; R_s=%s; q_o=50; q_w=50; B_o=1.2; B_w=1; B_g=0.02" % (80 - x) for x in steps])))
    must("oil holds more gas under more pressure", rising(values_of(uphole, "pvt.rs_standing", ["p=%s psia; gamma_g=0.75; API=35; T=180 degF" % (200 + 50 * x) for x in steps])))
    must("vertical depth is never more than measured depth", all(v <= 30.0 + 1e-12 for v in values_of(uphole, "survey.dTVD", ["MD1=0 m; I1=%d deg; A1=%d deg; MD2=30 m; I2=%d deg; A2=%d deg" % (i, 7 * i % 360, i + 3, 11 * i % 360) for i in range(0, 90)])))
    must("Z tends to 1 as pressure goes", all(abs(v - 1) < 1e-4 for v in values_of(uphole, "gas.z_dak", ["T_pr=%s; p_pr=0.0001" % (1.1 + x / 40) for x in steps])))
    must("no gas, no free fraction", values_of(uphole, "gas.free_fraction", ["GOR=0; R_s=0; q_o=50; q_w=50; B_o=1.2; B_w=1; B_g=0.02"]) == [0.0])
    must("all water is water", values_of(uphole, "density.mix", ["f_w=1; rho_w=1040; rho_o=850", "f_w=0; rho_w=1040; rho_o=850"]) == [1040.0, 850.0])
    curve = "Q_c=[0,80,160,240,320] m3/d; H_c=[9.6,9.5,9.2,8.6,7.7] m; N_st=200; f_c=60 Hz"
    must("a falling curve's head falls as the rate grows", rising(values_of(uphole, "curve.head", [curve + "; f=55 Hz; q=%s m3/d" % (300 - 5 * x) for x in steps])))
    must("its head grows with the frequency", rising(values_of(uphole, "curve.head", [curve + "; f=%s Hz; q=100 m3/d" % (36 + x / 2) for x in steps])))
    must("a cable loses more as it warms and as current grows", rising(values_of(uphole, "cable.resistance", ["r_20=0.5 ohm/km; L=1000 m; T=%s degC" % (2 * x) for x in steps]))
         and rising(values_of(uphole, "elec.cable_loss", ["I=%s A; R_c=1" % x for x in steps])))
    must("Fetkovich's rate falls as p_wf grows", rising(values_of(uphole, "ipr.fetkovich_q", ["q_test=[50,80] m3/d; p_test=[15,10] MPa; p_r=20 MPa; p_wf=%s MPa" % (20 - x / 3) for x in steps])))
    must("no drawdown, no Fetkovich's rate; no flow, the curve's first row; a stopped pump has no curve",
         values_of(uphole, "ipr.fetkovich_q", ["q_test=[50,80] m3/d; p_test=[15,10] MPa; p_r=20 MPa; p_wf=20 MPa"]) + values_of(uphole, "curve.head", [curve + "; f=60 Hz; q=0",
         curve + "; f=0; q=50 m3/d"]) == [0.0, 1920.0, None])
    must("no flow, no hydraulic power", values_of(uphole, "pump.hydraulic_power", ["dp=10 MPa; Q=0"]) == [0.0])
    must("a stopped pump has no reference head, no energy for a volume, no slip",
         values_of(uphole, "affinity.normalised_head", ["H=100; f=0; f_ref=50"]) + values_of(uphole, "energy.specific", ["P_in=1 kW; Q=0"])
         + values_of(uphole, "affinity.slip", ["f=0; poles=2; n=0"]) == [None] * 3)
    must("a constant's time-weighted mean is the constant", values_of(uphole, "twa.hold_mean", ["t=[0,28,60,61] s; x=[7,7,7,7]; a=3 s; b=80 s; G=90 s"])
         + values_of(uphole, "twa.linear_mean", ["t=[0,28,60,61] s; x=[7,7,7,7]; a=3 s; b=60 s; G=90 s"]) == [7.0, 7.0])
    spike = ["x=[%s]; y=[%s]" % (",".join(str(i) for i in range(20)), ",".join(str(1e9 if i == k else 2 * i) for i in range(20))) for k in (0, 7, 19)]
    must("the robust slope does not see one spike in twenty", all(abs(v - 2) < 1e-12 for v in values_of(uphole, "slope.theil_sen", spike)))
    return failures


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("uphole")
    parser.add_argument("--wells", type=int, default=60)
    parser.add_argument("--seed", type=int, default=20310301)
    asked = parser.parse_args()
    failures = properties(asked.uphole)
    for failure in failures:
        print("does not hold:", failure)
    rows, bad = 0, 0
    for first in range(0, asked.wells, 100):
        table = []
        for number in range(first, min(first + 100, asked.wells)):
            well = Well(asked.seed * 100003 + number)
            a_random_well(well)
            table += [row.replace("| I-", "| I-%d" % (number + 1), 1) for row in well.rows]
        done = run_rows(asked.uphole, table)
        for line in done.stdout.splitlines():
            if " fail " in line[:16] and bad < 20:
                print(line)
                print("  ", next(row for row in table if row.startswith("| %s |" % line.split()[0])))
            bad += " fail " in line[:16]
        last = done.stdout.splitlines()[-1] if done.stdout else done.stderr
        if "passed" not in last:
            sys.exit("the table did not run: " + last)
        rows += len(table)
        if int(last.split()[0]) + int(last.split()[2]) != len(table):
            sys.exit("%s, of %d rows" % (last, len(table)))
    print("%d random wells, seed %d: %d results against 40 digits, %d disagree; %d properties do not hold"
          % (asked.wells, asked.seed, rows, bad, len(failures)))
    return 1 if bad or failures else 0


if __name__ == "__main__":
    sys.exit(main())
