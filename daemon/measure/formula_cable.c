/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_cable.c - power on its way from the drive to the shaft: transformer, cable, motor.
 *
 * Each step is the loss of one thing, so that efficiencies come apart; none of them is guessed.
 */
#include "formula_groups.h"

#include "fold_state.h"

#include <math.h>

#define QUARTER_TURN_OVER_2 0.78539816339744830962 /* pi / 4 */
#define COPPER_S_M 58e6                            /* conductivity at 20 degC: IEC 60028, 58 MS/m */
#define MOTOR_MOST 0.95                            /* of a submersible motor's efficiency */

/** Solid round wire: a diameter of 0.005 in at 36 AWG, 0.46 in at 4/0, in 39 equal ratios. */
static double awg_ohm_m(double gauge)
{
    const double d_m = 0.005 * 0.0254 * pow(92.0, (36.0 - gauge) / 39.0);
    return 1.0 / (COPPER_S_M * QUARTER_TURN_OVER_2 * d_m * d_m);
}

double cable_size_ohm_km(enum cable_size size)
{
    /* Gauge numbers; 0 is 1/0. */
    static const double GAUGE[CABLE_SIZES] = {
        [CABLE_AWG_1_0] = 0.0, [CABLE_AWG_1] = 1.0, [CABLE_AWG_2] = 2.0, [CABLE_AWG_3] = 3.0,
        [CABLE_AWG_4] = 4.0,   [CABLE_AWG_6] = 6.0, [CABLE_AWG_8] = 8.0};
    /* IEC 60228, class 2, plain copper: greatest resistance at 20 degC, ohm/km. */
    static const double STRANDED[CABLE_SIZES] = {
        [CABLE_MM2_6] = 3.08,   [CABLE_MM2_10] = 1.83,  [CABLE_MM2_16] = 1.15,
        [CABLE_MM2_25] = 0.727, [CABLE_MM2_35] = 0.524, [CABLE_MM2_50] = 0.387,
        [CABLE_MM2_70] = 0.268};
    if (size <= CABLE_UNSTATED || size >= CABLE_SIZES)
        return NAN;
    return size < CABLE_MM2_6 ? 1000.0 * awg_ohm_m(GAUGE[size]) : STRANDED[size];
}

FORMULA_FUNCTION(gauge_resistance)
{
    (void)steps;
    out->value = awg_ohm_m(given[0].value);
    if (given[0].value < -3.0 || given[0].value > 40.0)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

FORMULA_SHARED(cable_resistance)
{
    const double cold = given[0].value * given[1].value;
    const struct formula_given at[2] = {{.value = cold, .present = true}, given[2]};
    formula_step(steps, "R_20 = r_20 L", cold, "ohm");
    copper_resistance(at, steps, out);
    if (!(out->value > 0.0))
        formula_none(out, REASON_DOMAIN, 2);
}

FORMULA_SHARED(cable_terminal_power)
{
    (void)steps;
    out->value = given[0].value - given[1].value;
    if (!(out->value > 0.0))
        formula_none(out, REASON_DOMAIN, 1); /* the cable can't take more than comes */
}

FORMULA_SHARED(motor_efficiency)
{
    (void)steps;
    out->value = given[0].value / given[1].value;
    if (out->value > MOTOR_MOST)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

/* clang-format off */
static const struct formula_input GAUGE[] = {CONFIGURED("AWG", "", "gauge number; 1/0 is 0, 2/0 is -1", BOUND_NONE)};
static const struct formula_input CABLE[] = {CONFIGURED("r_20", "ohm/km", "resistance of one conductor at 20 degC", BOUND_POSITIVE), CONFIGURED("L", "m", "length of the cable", BOUND_NOT_NEGATIVE),
    INPUT("T", "degC", "mean temperature of the conductor", .take = TAKE_CONFIGURED)};
static const struct formula_input CURRENT[] = {INPUT("I_d", "A", "current on the drive side", .bound = BOUND_NOT_NEGATIVE), CONFIGURED("n_t", "", "ratio of the voltages, motor side over drive side", BOUND_POSITIVE)};
static const struct formula_input VOLTAGE[] = {INPUT("V_d", "V", "voltage on the drive side", .bound = BOUND_NOT_NEGATIVE), CONFIGURED("n_t", "", "ratio of the voltages, motor side over drive side", BOUND_POSITIVE)};
static const struct formula_input THROUGH[] = {INPUT("P_d", "kW", "power at the output of the drive", .bound = BOUND_NOT_NEGATIVE), CONFIGURED("eta_t", "", "efficiency of the transformer", BOUND_RATIO)};
static const struct formula_input BEFORE[] = {INPUT("P_s", "kW", "power behind the transformer", .bound = BOUND_NOT_NEGATIVE), CONFIGURED("eta_t", "", "efficiency of the transformer", BOUND_RATIO)};
static const struct formula_input TERMINALS[] = {INPUT("P_s", "kW", "power behind the transformer", .bound = BOUND_POSITIVE), INPUT("P_c", "kW", "loss in the cable", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input MOTOR[] = {INPUT("P_shaft", "kW", "power at the shaft", .bound = BOUND_POSITIVE), INPUT("P_m", "kW", "power at the motor's terminals", .bound = BOUND_POSITIVE)};
static const struct formula_input PUMP[] = {INPUT("P_h", "kW", "hydraulic power", .bound = BOUND_POSITIVE), INPUT("P_shaft", "kW", "power at the shaft", .bound = BOUND_POSITIVE)};

#define TRANSFORMER "ideal but for its loss: no magnetising current"
static const struct formula ROWS[] = {
    FORMULA("cable.awg_resistance", "Resistance of a solid copper wire by its gauge", "r_20 = 1 / [58 MS/m (pi / 4) d^2], d = 0.005 in 92^[(36 - AWG) / 39]", "ohm/km", "solid round wire of annealed copper; stranded ones have about 2 % more (common practice, no source)",
            "ASTM B258 (as public tables give it); IEC 60028", GAUGE, gauge_resistance),
    FORMULA("cable.resistance", "Resistance of a cable's conductor, hot", "R_c = r_20 L [1 + 0.00393 (T - 20 degC)]", "ohm", "direct current; skin effect is left out, below 1 % up to 50 mm2 at 60 Hz (common practice, no source)",
            "IEC 60028", CABLE, cable_resistance),
    FORMULA("elec.motor_side_current", "Current behind the transformer", "I = I_d / n_t", "A", TRANSFORMER, "definition", CURRENT, formula_quotient),
    FORMULA("elec.motor_side_voltage", "Voltage behind the transformer", "V = V_d n_t", "V", TRANSFORMER, "definition", VOLTAGE, formula_product),
    FORMULA("elec.motor_side_power", "Power behind the transformer", "P_s = P_d eta_t", "kW", "", "definition", THROUGH, formula_product),
    FORMULA("elec.input_power", "Power at the output of the drive", "P_d = P_s / eta_t", "kW", "", "definition", BEFORE, formula_quotient),
    FORMULA("elec.motor_terminal_power", "Power at the motor's terminals", "P_m = P_s - P_c", "kW", "", "definition", TERMINALS, cable_terminal_power),
    FORMULA("eff.motor", "Efficiency of the motor", "eta_m = P_shaft / P_m", "", "above 0.95 the inputs are wrong (common practice, no source)", "definition; IEC 60034-2-1 (from memory)", MOTOR, motor_efficiency),
    FORMULA("eff.pump", "Efficiency of the pump", "eta_p = P_h / P_shaft", "", "above 0.85 the inputs are wrong (common practice, no source)", "definition; ISO 9906 (from memory)", PUMP, power_efficiency),
};
/* clang-format on */

const struct formula_group FORMULA_CABLE = FORMULA_ROWS(ROWS);
