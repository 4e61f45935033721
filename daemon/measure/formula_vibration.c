/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_vibration.c - one frequency, sine: acceleration, velocity, displacement; rms and peak.
 *
 * A number without "rms" or "peak" is taken as its own unit says; one written with the other word
 * is turned by sqrt(2), which is exact for a sine only.
 */
#include "formula_groups.h"

#include <math.h>

#define ROOT_2 1.4142135623730951
#define TURN 6.28318530717958647692

/** The value as a peak. */
static double peak_of(const struct formula_given *given)
{
    return given->qualifier == QUALIFIER_RMS ? ROOT_2 * given->value : given->value;
}

FORMULA_FUNCTION(velocity_peak)
{
    const double w = TURN * given[1].value;
    formula_step(steps, "w = 2 pi f", w, "rad/s");
    out->value = peak_of(&given[0]) / w;
}

FORMULA_FUNCTION(velocity_rms)
{
    velocity_peak(given, steps, out);
    formula_step(steps, "v peak = a / w", out->value, "mm/s");
    out->value /= ROOT_2;
}

FORMULA_FUNCTION(displacement)
{
    const double w = TURN * given[1].value;
    formula_step(steps, "v peak", peak_of(&given[0]), "mm/s");
    out->value = 2.0 * peak_of(&given[0]) / w;
}

FORMULA_FUNCTION(acceleration_peak)
{
    const double w = TURN * given[1].value;
    formula_step(steps, "w = 2 pi f", w, "rad/s");
    out->value = peak_of(&given[0]) * w;
}

static void rms_about(const struct formula_given *given, double mean, struct formula_result *out)
{
    double sum = 0.0;
    for (size_t i = 0; i < given->n; i++)
        sum += (given->list[i] - mean) * (given->list[i] - mean);
    if (given->n == 0)
        formula_none(out, REASON_TOO_FEW, 0);
    else
        out->value = sqrt(sum / (double)given->n);
}

FORMULA_FUNCTION(rms)
{
    (void)steps;
    rms_about(&given[0], 0.0, out);
}

FORMULA_FUNCTION(rms_without_mean)
{
    double mean = 0.0;
    for (size_t i = 0; i < given[0].n; i++)
        mean += (given[0].list[i] - mean) / (double)(i + 1);
    formula_step(steps, "mean", mean, "g");
    rms_about(&given[0], mean, out);
}

FORMULA_FUNCTION(vector)
{
    (void)steps;
    out->value = hypot(given[0].value, given[1].value);
}

FORMULA_FUNCTION(crest_factor)
{
    (void)given;
    (void)steps;
    out->value = ROOT_2;
}

/* clang-format off */
#define AT_FREQUENCY INPUT("f", "Hz", "the one frequency", .bound = BOUND_POSITIVE)
static const struct formula_input ACCELERATION[] = {INPUT("a", "m/s2 peak", "acceleration"), AT_FREQUENCY};
static const struct formula_input VELOCITY_RMS[] = {INPUT("v", "mm/s rms", "velocity"), AT_FREQUENCY};
static const struct formula_input VELOCITY_PEAK[] = {INPUT("v", "mm/s peak", "velocity"), AT_FREQUENCY};
static const struct formula_input VELOCITY[] = {INPUT("v", "mm/s", "velocity")};
static const struct formula_input SAMPLES[] = {INPUT("x", "m/s2", "samples", .list = true)};
static const struct formula_input AXES[] = {INPUT("x", "m/s2", "first radial axis"), INPUT("y", "m/s2", "second radial axis, same kind")};
static const struct formula_input WAVEFORM[] = {INPUT("waveform", "", "shape", .take = TAKE_OPTION, .choices = "sine")};

#define ONE_FREQUENCY "one dominant frequency; of a broadband number an estimate only"
static const struct formula ROWS[] = {
    FORMULA("vib.velocity_peak", "Velocity, peak, from acceleration", "v = a / (2 pi f)", "mm/s", ONE_FREQUENCY, "harmonic motion", ACCELERATION, velocity_peak),
    FORMULA("vib.velocity_rms", "Velocity, rms, from acceleration", "v = a / (2 pi f sqrt(2)), a peak", "mm/s", ONE_FREQUENCY, "harmonic motion", ACCELERATION, velocity_rms),
    FORMULA("vib.displacement_pp", "Displacement, peak to peak, from velocity", "2 sqrt(2) v / (2 pi f), v rms", "um", ONE_FREQUENCY, "harmonic motion", VELOCITY_RMS, displacement),
    FORMULA("vib.acceleration_peak", "Acceleration, peak, from velocity", "a = 2 pi f v", "g", ONE_FREQUENCY, "harmonic motion", VELOCITY_PEAK, acceleration_peak),
    FORMULA("vib.unit", "A velocity in another unit", "v", "mm/s", "", "NIST SP 811 (2008) app. B", VELOCITY, formula_itself),
    FORMULA("vib.rms", "Root mean square of samples", "sqrt(sum x_i^2 / n)", "g", "the mean is not removed", "definition", SAMPLES, rms),
    FORMULA("vib.rms_ac", "Root mean square of samples about their mean", "sqrt(sum (x_i - mean)^2 / n)", "g", "", "definition", SAMPLES, rms_without_mean),
    FORMULA("vib.vector", "Radial vibration, resultant", "sqrt(x^2 + y^2)", "g", "both axes of one kind, rms or peak", "root of the sum of squares", AXES, vector),
    FORMULA("vib.crest_factor", "Crest factor of a waveform", "peak / rms", "", "", "definition", WAVEFORM, crest_factor),
};
/* clang-format on */

const struct formula_group FORMULA_VIBRATION = FORMULA_ROWS(ROWS);
