/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_physics.c - how likely true values are in a pumped well, from depth and from the other
 * channels.
 *
 * Hydrostatics and geometry decide, so what they allow is wide on purpose: a well may stand full of
 * heavy brine, be pumped off, hold gas, be hot. Means and spreads are common practice, no source.
 * A bell rather than a window: a value far out is doubted only where another unit puts it near.
 */
#include "unit_physics.h"

#include "uphole/points.h"

#include <math.h>

#define WATER_KPA_M 9.80665 /* a column of 1000 kg/m3 */
#define SOFT_LN 0.08 /* of a pressure's edge: depths and densities are known to some per cent */
#define SOFT_K 5.0
#define SQRT_TWO_PI 2.5066282746310002

#define COLUMN_HEAVY                                                                               \
    (1.25 * WATER_KPA_M)       /* the heaviest that stands in a well without a blow-out */
#define HEAD_MOST_KPA 10000.0  /* wellhead pressures, where none is measured */
#define INTAKE_LEAST_KPA 130.0 /* absolute; a pumped-off well */
#define PRESSURE_MOST_KPA 90000.0
#define EVENLY                                                                                     \
    0.6 /* share of "any pressure up to the most"; the rest is "any order of magnitude" */

/* A running pump lifts a column with more or less gas in it, against friction: pressure above the
 * wellhead as a share of water's. */
#define LIFTED_SHARE 0.85
#define LIFTED_SPREAD 0.15

/* The earth warms by 30 K a km, within 20 to 45 nearly everywhere; the flow brings heat from below.
 */
#define SURFACE_DEGC 26.0
#define GRADIENT_K_M 0.030
#define SURFACE_SPREAD_K 10.0
#define GRADIENT_SPREAD_K_M 0.007
#define COLDER_SHARE 0.55 /* of the spread, on the cold side: the flow only warms */

static double floored(double density)
{
    return density > LIKELIHOOD_FLOOR ? density : LIKELIHOOD_FLOOR;
}

static double bell(double x, double mean, double spread)
{
    double off = (x - mean) / spread;
    return isfinite(x) ? floored(-log(spread * SQRT_TWO_PI) - 0.5 * off * off) : LIKELIHOOD_FLOOR;
}

static double edge(double x, double low, double high, double soft)
{
    double outside = x < low ? low - x : x > high ? x - high : 0.0;
    return -0.5 * (outside / soft) * (outside / soft);
}

static double soft_window(double x, double low, double high, double soft)
{
    if (!isfinite(x))
        return LIKELIHOOD_FLOOR;
    double width = high - low > soft ? high - low : soft;
    return floored(-log(width) + edge(x, low, high, soft));
}

/** Over ln(kPa). */
static double pressure_window(double kpa, double low, double high)
{
    return kpa > 0.0 ? soft_window(log(kpa), log(low), log(high), SOFT_LN) : LIKELIHOOD_FLOOR;
}

/** The same, but low pressures are as rare as a well that is nearly dry: over ln(kPa) too. */
static double pressure_up_to(double kpa, double low, double high)
{
    if (!(kpa > 0.0))
        return LIKELIHOOD_FLOOR;
    double evenly = EVENLY * fmin(kpa, high) / (high - low);
    double outside = edge(log(kpa), log(low), log(high), SOFT_LN);
    return floored(log(evenly + (1.0 - EVENLY) / log(high / low)) + outside);
}

static double absolute(const struct unit_channel *channel, double value)
{
    return channel->is_gauge_pressure ? value + ATMOSPHERE_KPA : value;
}

/** Value of another channel; NaN where there is none. Pressures absolute. */
static double other(const struct unit_channel *channels, const double *value, size_t n,
                    unsigned point)
{
    for (size_t i = 0; i < n; i++)
        if (channels[i].point == point)
            return absolute(&channels[i], value[i]);
    return NAN;
}

static double known_or(double value, double otherwise)
{
    return isfinite(value) ? value : otherwise;
}

static double intake_pressure(double kpa, double casing_kpa, const struct unit_well *well)
{
    if (!isfinite(well->depth_m))
        return kpa > 0.0 ? bell(log(kpa), log(6000.0), 1.2) + edge(log(kpa), log(INTAKE_LEAST_KPA),
                                                                   log(PRESSURE_MOST_KPA), SOFT_LN)
                         : LIKELIHOOD_FLOOR;
    double most = COLUMN_HEAVY * well->depth_m + known_or(casing_kpa, HEAD_MOST_KPA);
    double least = INTAKE_LEAST_KPA;
    if (isfinite(casing_kpa) && casing_kpa > least)
        least = casing_kpa; /* gas and liquid above it only add */
    return pressure_up_to(kpa, least, fmax(most, 2.0 * least));
}

/** The pump has filled its tubing: a column to the surface. */
static double lifted_pressure(double kpa, double tubing_kpa, const struct unit_well *well)
{
    double column = WATER_KPA_M * well->depth_m, head = known_or(tubing_kpa, 2000.0);
    double spread = LIFTED_SPREAD * column + (isfinite(tubing_kpa) ? 0.0 : 1500.0);
    /* over ln(kPa): times kPa */
    return kpa > 0.0 ? floored(bell(kpa, head + LIFTED_SHARE * column, spread) + log(kpa))
                     : LIKELIHOOD_FLOOR;
}

/** Of a pump that stands or has just started only that nothing is sucked below the intake. */
static double discharge_pressure(double kpa, double intake_kpa, double tubing_kpa,
                                 const struct unit_well *well)
{
    double least = fmax(INTAKE_LEAST_KPA, isfinite(intake_kpa) ? intake_kpa * 0.93 : 0.0);
    double below =
        kpa > 0.0 ? edge(log(kpa), log(least), log(HUGE_VAL), SOFT_LN) : LIKELIHOOD_FLOOR;
    if (!isfinite(well->depth_m))
        return kpa > 0.0 ? floored(bell(log(kpa), log(16000.0), 0.8) + below) : LIKELIHOOD_FLOOR;
    double lifted = lifted_pressure(kpa, tubing_kpa, well);
    if (well->running == 1)
        return floored(lifted + below);
    double most = COLUMN_HEAVY * well->depth_m + known_or(tubing_kpa, HEAD_MOST_KPA);
    double any = pressure_window(kpa, least, fmax(most, 1.5 * least));
    return floored(log(0.5 * exp(lifted + below) + 0.5 * exp(any)));
}

static double fluid_mean(const struct unit_well *well, double *spread)
{
    bool knows = isfinite(well->depth_m);
    *spread = knows ? SURFACE_SPREAD_K + GRADIENT_SPREAD_K_M * well->depth_m : 35.0;
    return knows ? SURFACE_DEGC + GRADIENT_K_M * well->depth_m : 85.0;
}

static double fluid_temperature(double degc, const struct unit_well *well)
{
    double spread, mean = fluid_mean(well, &spread);
    return bell(degc, mean,
                degc < mean && isfinite(well->depth_m) ? COLDER_SHARE * spread : spread);
}

/** The motor and the discharge are warmed by what they do. */
static double warmed_temperature(double degc, double fluid_degc, double rise_k, double spread_k,
                                 const struct unit_well *well)
{
    if (isfinite(fluid_degc))
        return bell(degc, fluid_degc + rise_k, spread_k);
    double spread, mean = fluid_mean(well, &spread);
    return bell(degc, mean + rise_k, hypot(spread, spread_k));
}

static const struct warmed_row {
    uint8_t point;
    double rise_k, spread_k; /* above the intake's fluid */
} WARMED[] = {
    {POINT_DISCHARGE_TEMPERATURE, 10, 12},    {POINT_MOTOR_WINDING_TEMPERATURE, 30, 25},
    {POINT_MOTOR_OIL_TEMPERATURE, 25, 22},    {7 /* gauge electronics */, 15, 20},
    {50 /* second winding sensor */, 30, 25},
};

static const struct warmed_row *warmed_row(unsigned point)
{
    for (size_t i = 0; i < sizeof WARMED / sizeof *WARMED; i++)
        if (WARMED[i].point == point)
            return &WARMED[i];
    return 0;
}

bool unit_is_judged(unsigned point)
{
    return point == POINT_INTAKE_PRESSURE || point == POINT_DISCHARGE_PRESSURE ||
           point == POINT_INTAKE_TEMPERATURE || warmed_row(point) != 0;
}

/** Value and its others by physics alone. */
static double by_physics(const struct unit_channel *channels, const double *value, size_t n,
                         size_t i, const struct unit_well *well)
{
    const struct unit_channel *channel = &channels[i];
    double kpa = absolute(channel, value[i]);
    if (channel->point == POINT_INTAKE_PRESSURE)
        return intake_pressure(kpa, well->casing_head_kpa, well);
    if (channel->point == POINT_DISCHARGE_PRESSURE)
        return discharge_pressure(kpa, other(channels, value, n, POINT_INTAKE_PRESSURE),
                                  well->tubing_head_kpa, well);
    if (channel->point == POINT_INTAKE_TEMPERATURE)
        return fluid_temperature(value[i], well);
    const struct warmed_row *row = warmed_row(channel->point);
    return warmed_temperature(value[i], other(channels, value, n, POINT_INTAKE_TEMPERATURE),
                              row->rise_k, row->spread_k, well);
}

#define STATED_SHARE                                                                               \
    0.5 /* of belief in what the site states of the channel; the rest in physics                   \
         */

static bool is_pressure(const struct unit_channel *channel)
{
    return unit_get(channel->unit)->kind == QUANTITY_PRESSURE;
}

/** Even over the stated range, in the same measure as the physics. */
static double by_statement(const struct unit_channel *channel, double value)
{
    if (!is_pressure(channel))
        return soft_window(value, channel->low, channel->high, SOFT_K);
    return pressure_window(absolute(channel, value), fmax(absolute(channel, channel->low), 1.0),
                           fmax(absolute(channel, channel->high), 2.0));
}

double unit_likelihood(const struct unit_channel *channels, const double *value, size_t n, size_t i,
                       const struct unit_well *well)
{
    if (!unit_is_judged(channels[i].point))
        return 0.0;
    double physics = by_physics(channels, value, n, i, well);
    if (!channels[i].has_window)
        return physics;
    double statement = by_statement(&channels[i], value[i]);
    return floored(log(STATED_SHARE * exp(statement) + (1.0 - STATED_SHARE) * exp(physics)));
}

/** exp(peak) of a bell. */
static double top(double spread)
{
    return 1.0 / (spread * SQRT_TWO_PI);
}

static double physics_peak(const struct unit_channel *channel, const struct unit_well *well)
{
    double spread;
    bool knows = isfinite(well->depth_m);
    (void)fluid_mean(well, &spread);
    if (channel->point == POINT_INTAKE_PRESSURE) /* high is at least twice low */
        return knows ? EVENLY * 2.0 + (1.0 - EVENLY) / log(2.0) : top(1.2);
    if (channel->point == POINT_DISCHARGE_PRESSURE && knows) {
        double column = WATER_KPA_M * well->depth_m, head = known_or(well->tubing_head_kpa, 2000.0);
        double of_lifted = LIFTED_SPREAD * column;
        /* of kpa x bell(kpa): the bell's top at a pressure of at most three spreads above its mean;
         * beyond, less */
        return fmax((head + LIFTED_SHARE * column + 3.0 * (of_lifted + 1500.0)) * top(of_lifted),
                    1.0 / log(1.5));
    }
    if (channel->point == POINT_DISCHARGE_PRESSURE)
        return top(0.8);
    if (channel->point == POINT_INTAKE_TEMPERATURE)
        return top(knows ? COLDER_SHARE * spread : spread);
    return top(warmed_row(channel->point)->spread_k);
}

double unit_likelihood_peak(const struct unit_channel *channel, const struct unit_well *well)
{
    if (!unit_is_judged(channel->point))
        return 0.0;
    double peak = physics_peak(channel, well);
    if (channel->has_window)
        peak =
            (1.0 - STATED_SHARE) * peak + STATED_SHARE / (is_pressure(channel) ? SOFT_LN : SOFT_K);
    return log(peak);
}
