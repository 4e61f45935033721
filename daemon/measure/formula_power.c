/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_power.c - electrical power, losses in the cable, power_efficiency, specific energy, and
 * the affinity laws.
 */
#include "formula_groups.h"

#include <math.h>

#define ROOT_3 1.7320508075688772
#define COPPER_PER_K 0.00393 /* IEC 60028, of resistance at 20 degC */
#define RATIO_LEAST 0.6      /* of frequencies; common practice, no source */
#define RATIO_MOST 1.3
#define EFFICIENCY_MOST 0.85 /* above it the inputs are wrong; common practice, no source */

FORMULA_FUNCTION(apparent_power)
{
    (void)steps;
    out->value = ROOT_3 * given[0].value * given[1].value;
}

FORMULA_SHARED(power_active)
{
    const double apparent = ROOT_3 * given[0].value * given[1].value;
    formula_step(steps, "S = sqrt(3) V I", apparent, "kVA");
    out->value = apparent * given[2].value;
}

FORMULA_SHARED(cable_loss)
{
    (void)steps;
    out->value = 3.0 * given[0].value * given[0].value * given[1].value;
}

FORMULA_SHARED(copper_resistance)
{
    (void)steps;
    out->value = given[0].value * (1.0 + COPPER_PER_K * (given[1].value - ICE_POINT_K - 20.0));
}

FORMULA_FUNCTION(voltage_drop)
{
    const double pf = given[3].value, sine = sqrt(1.0 - pf * pf);
    formula_step(steps, "sin phi", sine, "");
    out->value = ROOT_3 * given[0].value * (given[1].value * pf + given[2].value * sine);
}

FORMULA_FUNCTION(unbalance)
{
    const double mean = (given[0].value + given[1].value + given[2].value) / 3.0;
    double largest = 0.0;
    for (unsigned i = 0; i < 3; i++)
        largest = fmax(largest, fabs(given[i].value - mean));
    formula_step(steps, "I_mean", mean, "A");
    formula_step(steps, "max |I_k - I_mean|", largest, "A");
    if (mean > 0.0)
        out->value = largest / mean;
    else
        formula_none(out, REASON_DOMAIN, FORMULA_NO_INPUT);
}

static void judge_efficiency(struct formula_result *out)
{
    if (out->value > EFFICIENCY_MOST)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

FORMULA_SHARED(power_efficiency)
{
    (void)steps;
    out->value = given[0].value / given[1].value;
    judge_efficiency(out);
}

FORMULA_FUNCTION(system_efficiency)
{
    const double hydraulic = given[0].value * given[1].value;
    formula_step(steps, "P_h = dp Q", hydraulic, "kW");
    out->value = hydraulic / given[2].value;
    judge_efficiency(out);
}

FORMULA_FUNCTION(least_energy)
{
    (void)steps;
    out->value = given[0].value; /* 1 Pa is 1 J/m3 */
}

/* ---- affinity: Q as n, H as n^2, P as n^3 ---- */

void affinity_judge(double ratio, struct formula_result *out)
{
    if (ratio < RATIO_LEAST || ratio > RATIO_MOST)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

static void affine(const struct formula_given *given, struct formula_steps *steps,
                   struct formula_result *out, int power)
{
    const double ratio = given[2].value / given[1].value;
    if (!(given[1].value > 0.0) || !(given[2].value > 0.0)) {
        formula_none(out, REASON_PUMP_STOPPED, given[1].value > 0.0 ? 2 : 1);
        return;
    }
    formula_step(steps, "f2 / f1", ratio, "");
    out->value = given[0].value * pow(ratio, power);
    affinity_judge(ratio, out);
}

FORMULA_SHARED(affinity_rate)
{
    affine(given, steps, out, 1);
}

FORMULA_SHARED(affinity_head)
{
    affine(given, steps, out, 2);
}

FORMULA_FUNCTION(affine_power)
{
    affine(given, steps, out, 3);
}

FORMULA_FUNCTION(sync_speed)
{
    (void)steps;
    out->value = 2.0 * given[0].value / given[1].value; /* revolutions a second */
}

FORMULA_FUNCTION(slip)
{
    const double sync = 2.0 * given[0].value / given[1].value;
    if (!(sync > 0.0)) {
        formula_none(out, REASON_PUMP_STOPPED, 0);
        return;
    }
    formula_step(steps, "n_sync = 120 f / poles", sync, "rpm");
    out->value = (sync - given[2].value) / sync;
}

/* clang-format off */
#define CURRENT(symbol, words) INPUT(symbol, "A", words, .bound = BOUND_NOT_NEGATIVE)
#define VOLTAGE INPUT("V", "V", "voltage, line to line, rms, at the same point as the current", .bound = BOUND_NOT_NEGATIVE)
#define POWER_FACTOR CONFIGURED("pf", "", "power factor", BOUND_RATIO)
static const struct formula_input APPARENT[] = {VOLTAGE, CURRENT("I", "line current, rms")};
static const struct formula_input ACTIVE[] = {VOLTAGE, CURRENT("I", "line current, rms"), POWER_FACTOR};
static const struct formula_input LOSS[] = {CURRENT("I", "line current, rms"), CONFIGURED("R_c", "ohm", "resistance of one conductor, hot", BOUND_NOT_NEGATIVE)};
static const struct formula_input COPPER[] = {CONFIGURED("R_20", "ohm", "resistance at 20 degC", BOUND_POSITIVE), INPUT("T", "degC", "temperature of the conductor")};
static const struct formula_input DROP[] = {CURRENT("I", "line current, rms"), CONFIGURED("R_c", "ohm", "resistance of one conductor, hot", BOUND_NOT_NEGATIVE),
    CONFIGURED("X_c", "ohm", "reactance of one conductor", BOUND_NOT_NEGATIVE), POWER_FACTOR};
static const struct formula_input PHASES[] = {CURRENT("I_a", "phase A"), CURRENT("I_b", "phase B"), CURRENT("I_c", "phase C")};
static const struct formula_input PUMP_MOTOR[] = {INPUT("P_h", "W", "hydraulic power", .bound = BOUND_POSITIVE), INPUT("P_m", "W", "power at the motor", .bound = BOUND_POSITIVE)};
static const struct formula_input SYSTEM[] = {INPUT("dp", "Pa", "differential pressure", .bound = BOUND_POSITIVE),
    INPUT("Q", "m3/d", "liquid rate at pump conditions", .bound = BOUND_NOT_NEGATIVE), INPUT("P_in", "kW", "power at the meter", .bound = BOUND_POSITIVE)};
static const struct formula_input SPECIFIC[] = {INPUT("P_in", "kW", "power at the meter", .bound = BOUND_NOT_NEGATIVE), INPUT("Q", "m3/d", "liquid rate", .bound = BOUND_POSITIVE)};
static const struct formula_input LEAST[] = {INPUT("dp", "Pa", "differential pressure", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input FROM_EFFICIENCY[] = {INPUT("dp", "Pa", "differential pressure", .bound = BOUND_NOT_NEGATIVE),
    INPUT("eta", "", "efficiency", .bound = BOUND_POSITIVE)};
#define FREQUENCIES INPUT("f1", "Hz", "frequency now"), INPUT("f2", "Hz", "the other frequency")
#define TO_REFERENCE INPUT("f", "Hz", "frequency now"), INPUT("f_ref", "Hz", "reference frequency", .take = TAKE_CONFIGURED)
static const struct formula_input RATE[] = {INPUT("Q1", "m3/d", "rate at f1"), FREQUENCIES};
static const struct formula_input HEAD[] = {INPUT("H1", "m", "head at f1"), FREQUENCIES};
static const struct formula_input POWER[] = {INPUT("P1", "kW", "power at f1"), FREQUENCIES};
static const struct formula_input SPEED[] = {INPUT("n_60", "rpm", "speed at f1"), FREQUENCIES};
static const struct formula_input NORMAL_HEAD[] = {INPUT("H", "m", "head"), TO_REFERENCE};
static const struct formula_input NORMAL_RATE[] = {INPUT("Q", "m3/d", "rate"), TO_REFERENCE};
static const struct formula_input NORMAL_POWER[] = {INPUT("P", "kW", "power"), TO_REFERENCE};
static const struct formula_input SYNC[] = {INPUT("f", "Hz", "frequency", .bound = BOUND_NOT_NEGATIVE), CONFIGURED("poles", "", "poles of the motor", BOUND_POSITIVE)};
static const struct formula_input SLIP[] = {INPUT("f", "Hz", "frequency", .bound = BOUND_NOT_NEGATIVE), CONFIGURED("poles", "", "poles of the motor", BOUND_POSITIVE),
    INPUT("n", "rpm", "speed", .bound = BOUND_NOT_NEGATIVE)};

#define SINE "sinusoidal quantities; behind a variable-frequency drive prefer the drive's own power"
#define AFFINITY "frequency ratio 0.6 to 1.3 (common practice, no source); slip neglected; compares states of the pump, does not predict a rate"
static const struct formula ROWS[] = {
    FORMULA("elec.apparent_power", "Apparent power", "S = sqrt(3) V I", "kVA", SINE, "three-phase circuit", APPARENT, apparent_power),
    FORMULA("elec.active_power", "Active power", "P = sqrt(3) V I pf", "kW", SINE, "three-phase circuit", ACTIVE, power_active),
    FORMULA("elec.cable_loss", "Loss in the cable", "P_c = 3 I^2 R_c", "W", "", "Joule", LOSS, cable_loss),
    FORMULA("elec.copper_resistance", "Resistance of copper at a temperature", "R_T = R_20 [1 + 0.00393 (T - 20 degC)]", "ohm", "", "IEC 60028", COPPER, copper_resistance),
    FORMULA("elec.voltage_drop", "Voltage drop along the cable", "dV = sqrt(3) I (R_c pf + X_c sin phi)", "V", "approximate", "three-phase circuit", DROP, voltage_drop),
    FORMULA("elec.current_imbalance", "Current unbalance", "max |I_k - I_mean| / I_mean", "", "",
            "common practice, no source; NEMA MG 1 defines the unbalance of voltages so (from memory)", PHASES, unbalance),
    FORMULA("eff.pump_motor", "Efficiency of pump and motor", "eta = P_h / P_m", "", "above 0.85 the inputs are wrong (common practice, no source)",
            "definition", PUMP_MOTOR, power_efficiency),
    FORMULA("eff.system", "Efficiency of the system", "eta = dp Q / P_in", "", "pump work over power at the meter; above 0.85 the inputs are wrong (common practice, no source)",
            "definition", SYSTEM, system_efficiency),
    FORMULA("energy.specific", "Energy for a volume", "SE = P_in / Q", "kWh/m3", "", "definition", SPECIFIC, formula_quotient),
    FORMULA("energy.specific_min", "Least energy for a volume", "dp", "kWh/m3", "an ideal pump and motor", "definition", LEAST, least_energy),
    FORMULA("energy.specific_from_eff", "Energy for a volume from the efficiency", "SE = dp / eta", "kWh/m3", "", "definition", FROM_EFFICIENCY, formula_quotient),
    FORMULA("affinity.rate", "Rate at another frequency", "Q2 = Q1 f2 / f1", "m3/d", AFFINITY, "affinity laws", RATE, affinity_rate),
    FORMULA("affinity.head", "Head at another frequency", "H2 = H1 (f2 / f1)^2", "m", AFFINITY, "affinity laws", HEAD, affinity_head),
    FORMULA("affinity.power", "Power at another frequency", "P2 = P1 (f2 / f1)^3", "kW", AFFINITY, "affinity laws", POWER, affine_power),
    FORMULA("affinity.normalised_rate", "Rate at the reference frequency", "Q f_ref / f", "m3/d", AFFINITY, "affinity laws", NORMAL_RATE, affinity_rate),
    FORMULA("affinity.normalised_head", "Head at the reference frequency", "H (f_ref / f)^2", "m", AFFINITY, "affinity laws", NORMAL_HEAD, affinity_head),
    FORMULA("affinity.normalised_power", "Power at the reference frequency", "P (f_ref / f)^3", "kW", AFFINITY, "affinity laws", NORMAL_POWER, affine_power),
    FORMULA("affinity.speed_50Hz", "Speed at another frequency", "n2 = n1 f2 / f1", "rpm", AFFINITY, "affinity laws", SPEED, affinity_rate),
    FORMULA("affinity.sync_speed", "Synchronous speed", "n_sync = 120 f / poles", "rpm", "", "definition", SYNC, sync_speed),
    FORMULA("affinity.slip", "Slip", "(n_sync - n) / n_sync", "", "", "definition", SLIP, slip),
};
/* clang-format on */

const struct formula_group FORMULA_POWER = FORMULA_ROWS(ROWS);
