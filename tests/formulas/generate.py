# SPDX-License-Identifier: Apache-2.0
"""A build-up of a well with wellbore storage left out: the line source in an infinite reservoir, superposed, by mpmath's exponential integral.

Written apart from the program: SI, E1 in place of its logarithm, no constant of oil-field units.
"""
import mpmath

PSI = 0.45359237 * 9.80665 / 0.0254**2
DARCY = 9.869233e-13  # 1 cP, 1 atm/cm, 1 cm/s
STB_D = 0.158987294928 / 86400


class Well:
    def __init__(self, k_md, s, q_stb_d=350.0, B=1.25, mu_cp=1.4, h_ft=40.0, phi=0.17, ct_psi=1.6e-5, rw_ft=0.35, p_i_psi=3200.0):
        self.k, self.s, self.B, self.mu, self.h, self.phi = k_md * DARCY / 1e3, s, B, mu_cp * 1e-3, h_ft * 0.3048, phi
        self.ct, self.rw, self.p_i = ct_psi / PSI, rw_ft * 0.3048, p_i_psi * PSI
        self.q = q_stb_d * STB_D

    def drop(self, q, t):
        """Pressure drop at the wall, the skin included, t seconds after a rate q began."""
        x = self.phi * self.mu * self.ct * self.rw**2 / (4 * self.k * t)
        return q * self.B * self.mu / (4 * mpmath.pi * self.k * self.h) * (mpmath.e1(x) + 2 * self.s)

    def shut_in(self, history, dt):
        """history: (rate in stb/d, until s); psi at dt seconds after its end."""
        end, began, before, drop = history[-1][1], 0.0, 0.0, mpmath.mpf(0)
        for rate, until in history + [(0.0, None)]:
            if rate != before:
                drop += self.drop((rate - before) * STB_D, end - began + dt)
            began, before = until, rate
        return float((self.p_i - drop) / PSI)

    def flowing(self, rate, t):
        return float((self.p_i - self.drop(rate * STB_D, t)) / PSI)
