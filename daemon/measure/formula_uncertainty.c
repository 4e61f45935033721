/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_uncertainty.c - uncertainty by the GUM: closed forms for the head, and the guide's own
 * worked examples.
 *
 * Any formula's uncertainty is had by formula_uncertainty (numerically); the closed forms here are
 * a check of it and carry correlation.
 */
#include "formula_groups.h"

#include <math.h>

#define TERMS_MOST 64

/** p_d, p_i, rho, u_pd, u_pi, u_rho, r. */
FORMULA_FUNCTION(head_uncertainty)
{
    const double weight = given[2].value * STANDARD_GRAVITY;
    const double head = (given[0].value - given[1].value) / weight;
    const double u_d = given[3].value, u_i = given[4].value, r = formula_or(&given[6], 0.0);
    const double pressures = u_d * u_d + u_i * u_i - 2.0 * r * u_d * u_i;
    const double density = head * given[5].value / given[2].value;
    if (fabs(r) > 1.0) {
        formula_none(out, REASON_DOMAIN, 6);
        return;
    }
    formula_step(steps, "H", head, "m");
    formula_step(steps, "of the pressures", sqrt(fmax(0.0, pressures)) / weight, "m");
    formula_step(steps, "of the density", fabs(density), "m");
    out->value = sqrt(fmax(0.0, pressures) / (weight * weight) + density * density);
}

FORMULA_FUNCTION(head_by_density)
{
    const double rho = given[2].value;
    (void)steps;
    out->value = -(given[0].value - given[1].value) / (rho * rho * STANDARD_GRAVITY);
}

FORMULA_FUNCTION(rectangular)
{
    (void)steps;
    out->value = given[0].value / sqrt(3.0);
}

FORMULA_FUNCTION(resolution)
{
    (void)steps;
    out->value = given[0].value / sqrt(12.0);
}

/** u_c^2, terms |c_i u_i|, degrees of freedom. */
FORMULA_FUNCTION(degrees_of_freedom)
{
    double sum = 0.0;
    if (given[1].n != given[2].n || given[1].n > TERMS_MOST) {
        formula_none(out, REASON_DOMAIN, 2);
        return;
    }
    for (size_t i = 0; i < given[1].n; i++) {
        const double square = given[1].list[i] * given[1].list[i];
        sum += square * square / given[2].list[i];
    }
    formula_step(steps, "sum (c_i u_i)^4 / nu_i", sum, "nm^4");
    out->value = given[0].value * given[0].value / sum;
}

/** Means of V, I, phi, and the covariances of these means. */
struct resistance {
    double mean[3], covariance[3][3];
};

static bool read_resistance(const struct formula_given *given, struct resistance *r,
                            struct formula_result *out)
{
    const size_t n = given[0].n;
    *r = (struct resistance){0};
    if (n < 2 || given[1].n != n || given[2].n != n) {
        formula_none(out, n < 2 ? REASON_TOO_FEW : REASON_DOMAIN, 0);
        return false;
    }
    for (unsigned a = 0; a < 3; a++)
        for (size_t i = 0; i < n; i++)
            r->mean[a] += given[a].list[i] / (double)n;
    for (unsigned a = 0; a < 3; a++)
        for (unsigned b = 0; b < 3; b++)
            for (size_t i = 0; i < n; i++)
                r->covariance[a][b] += (given[a].list[i] - r->mean[a]) *
                                       (given[b].list[i] - r->mean[b]) /
                                       ((double)n * (double)(n - 1));
    return true;
}

FORMULA_FUNCTION(gum_resistance)
{
    struct resistance r;
    (void)steps;
    if (read_resistance(given, &r, out))
        out->value = r.mean[0] / r.mean[1] * cos(r.mean[2]);
}

FORMULA_FUNCTION(gum_resistance_uncertainty)
{
    struct resistance r;
    if (!read_resistance(given, &r, out))
        return;
    const double value = r.mean[0] / r.mean[1] * cos(r.mean[2]);
    const double c[3] = {value / r.mean[0], -value / r.mean[1], -value * tan(r.mean[2])};
    double square = 0.0;
    for (unsigned a = 0; a < 3; a++)
        for (unsigned b = 0; b < 3; b++)
            square += c[a] * c[b] * r.covariance[a][b];
    formula_step(steps, "R", value, "ohm");
    out->value = sqrt(square);
}

FORMULA_FUNCTION(gum_correlation)
{
    struct resistance r;
    (void)steps;
    if (read_resistance(given, &r, out))
        out->value = r.covariance[0][1] / sqrt(r.covariance[0][0] * r.covariance[1][1]);
}

FORMULA_FUNCTION(efficiency_uncertainty)
{
    (void)steps;
    out->value = sqrt(given[0].value * given[0].value + given[1].value * given[1].value +
                      given[2].value * given[2].value);
}

/* clang-format off */
#define HEAD INPUT("p_d", "Pa", "discharge pressure"), INPUT("p_i", "Pa", "intake pressure"), CONFIGURED("rho", "kg/m3", "density", BOUND_POSITIVE)
static const struct formula_input OF_HEAD[] = {HEAD, CONFIGURED("u_pd", "Pa", "standard uncertainty of p_d", BOUND_NOT_NEGATIVE),
    CONFIGURED("u_pi", "Pa", "standard uncertainty of p_i", BOUND_NOT_NEGATIVE), CONFIGURED("u_rho", "kg/m3", "standard uncertainty of rho", BOUND_NOT_NEGATIVE),
    INPUT("r", "", "correlation of the pressures; 0 where it is not known", .take = TAKE_CONFIGURED, .optional = true)};
static const struct formula_input SENSITIVITY[] = {HEAD};
static const struct formula_input LIMITS[] = {CONFIGURED("a", "Pa", "half width of the limits", BOUND_NOT_NEGATIVE)};
static const struct formula_input STEP[] = {CONFIGURED("d", "Pa", "resolution", BOUND_NOT_NEGATIVE)};
static const struct formula_input FREEDOM[] = {INPUT("u_c2", "nm2", "combined variance", .bound = BOUND_POSITIVE), INPUT("terms", "nm", "|c_i u_i|", .list = true),
    INPUT("nu", "", "degrees of freedom of each", .list = true)};
static const struct formula_input BRIDGE[] = {INPUT("V", "V", "voltages", .list = true), INPUT("I", "mA", "currents", .list = true), INPUT("phi", "rad", "phase angles", .list = true)};
static const struct formula_input RELATIVE[] = {CONFIGURED("w_dp", "", "relative, of dp", BOUND_NOT_NEGATIVE), CONFIGURED("w_Q", "", "relative, of Q", BOUND_NOT_NEGATIVE),
    CONFIGURED("w_P", "", "relative, of P", BOUND_NOT_NEGATIVE)};

#define GUM "JCGM 100:2008, first order (clauses from memory)"
static const struct formula ROWS[] = {
    FORMULA("gum.u_head", "Standard uncertainty of the pressure head", "u_H^2 = [u_pd^2 + u_pi^2 - 2 r u_pd u_pi] / (rho g)^2 + (H u_rho / rho)^2", "m",
            "inputs known to about 10 % or better; near dp = 0 absolute, never relative", GUM, OF_HEAD, head_uncertainty),
    FORMULA("gum.sensitivity_rho", "Sensitivity of the head to density", "-H / rho", "m/(kg/m3)", "", GUM, SENSITIVITY, head_by_density),
    FORMULA("gum.rectangular", "Standard uncertainty of limits", "a / sqrt(3)", "MPa", "nothing known but the limits", GUM, LIMITS, rectangular),
    FORMULA("gum.resolution", "Standard uncertainty of a resolution", "d / sqrt(12)", "MPa", "", GUM, STEP, resolution),
    FORMULA("gum.nu_eff", "Effective degrees of freedom", "u_c^4 / sum[(c_i u_i)^4 / nu_i]", "", "", "Welch and Satterthwaite, in " GUM, FREEDOM, degrees_of_freedom),
    FORMULA("gum.h2_R", "Resistance of the guide's example H.2", "R = (V / I) cos phi, of the means", "ohm", "", GUM, BRIDGE, gum_resistance),
    FORMULA("gum.h2_uR", "Its standard uncertainty, correlated inputs", "sum c_i c_j u(x_i, x_j)", "ohm", "", GUM, BRIDGE, gum_resistance_uncertainty),
    FORMULA("gum.h2_corr_VI", "Correlation of voltage and current in H.2", "r(V, I)", "", "", GUM, BRIDGE, gum_correlation),
    FORMULA("gum.u_efficiency_rel", "Relative uncertainty of an efficiency", "sqrt(w_dp^2 + w_Q^2 + w_P^2)", "", "uncorrelated", GUM, RELATIVE, efficiency_uncertainty),
};
/* clang-format on */

const struct formula_group FORMULA_UNCERTAINTY = FORMULA_ROWS(ROWS);
