/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_survey.c - measured depth to true vertical depth: minimum curvature, in the forms that
 * keep their digits at small angles.
 */
#include "formula_groups.h"

#include <math.h>

#define HALF_TURN 3.14159265358979323846
#define SMALL_RAD 1e-4
#define DEGREES_30M (HALF_TURN / 180.0 / 30.0) /* deg/30m in rad/m */
#define CHAIN_STATIONS 6

/** Two stations and the arc between them. */
struct course {
    double length_m, i1, a1, i2, a2, beta, ratio;
};

/** sin^2(beta/2) = sin^2((I2-I1)/2) + sin I1 sin I2 sin^2((A2-A1)/2). Ratio factor by series below
 * SMALL_RAD. */
static bool make_course(const struct formula_given *given, struct course *course,
                        struct formula_result *out)
{
    course->length_m = given[3].value - given[0].value;
    course->i1 = given[1].value;
    course->a1 = given[2].value;
    course->i2 = given[4].value;
    course->a2 = given[5].value;
    if (!(course->length_m > 0.0)) {
        formula_none(out, REASON_CONFIG_MISSING, 3); /* stations out of order are no survey */
        return false;
    }
    for (unsigned i = 1; i <= 4; i += 3)
        if (given[i].value < 0.0 || given[i].value > HALF_TURN) {
            formula_none(out, REASON_DOMAIN, i);
            return false;
        }
    const double di = sin(0.5 * (course->i2 - course->i1)),
                 da = sin(0.5 * (course->a2 - course->a1));
    const double square = di * di + sin(course->i1) * sin(course->i2) * da * da;
    course->beta = 2.0 * asin(sqrt(square < 1.0 ? square : 1.0));
    if (course->beta > HALF_TURN - 1e-6) {
        formula_none(out, REASON_DOMAIN, FORMULA_NO_INPUT);
        return false;
    }
    const double b2 = course->beta * course->beta;
    course->ratio = course->beta < SMALL_RAD ? 1.0 + b2 / 12.0 + b2 * b2 / 120.0
                                             : 2.0 / course->beta * tan(0.5 * course->beta);
    return true;
}

static void course_steps(const struct course *course, struct formula_steps *steps)
{
    formula_step(steps, "L = MD2 - MD1", course->length_m, "m");
    formula_step(steps, "beta", course->beta, "deg");
    formula_step(steps, "RF = (2/beta) tan(beta/2)", course->ratio, "");
}

static double north(const struct course *c)
{
    return 0.5 * c->length_m * (sin(c->i1) * cos(c->a1) + sin(c->i2) * cos(c->a2)) * c->ratio;
}

static double east(const struct course *c)
{
    return 0.5 * c->length_m * (sin(c->i1) * sin(c->a1) + sin(c->i2) * sin(c->a2)) * c->ratio;
}

static double down(const struct course *c)
{
    return 0.5 * c->length_m * (cos(c->i1) + cos(c->i2)) * c->ratio;
}

static double dogleg(const struct course *c)
{
    return c->beta;
}

static double ratio_factor(const struct course *c)
{
    return c->ratio;
}

static double severity(const struct course *c)
{
    return c->beta / c->length_m;
}

static void of_course(const struct formula_given *given, struct formula_steps *steps,
                      struct formula_result *out, double (*quantity)(const struct course *))
{
    struct course course;
    if (!make_course(given, &course, out))
        return;
    course_steps(&course, steps);
    out->value = quantity(&course);
}

#define OF_COURSE(name, quantity)                                                                  \
    static void name(const struct formula_given *given, struct formula_steps *steps,               \
                     struct formula_result *out)                                                   \
    {                                                                                              \
        of_course(given, steps, out, quantity);                                                    \
    }
OF_COURSE(survey_north, north)
OF_COURSE(survey_east, east)
OF_COURSE(survey_down, down)
OF_COURSE(survey_dogleg, dogleg)
OF_COURSE(survey_ratio, ratio_factor)
OF_COURSE(survey_severity, severity)

/** Inclination of the tangent at a fraction of the arc: t = [sin((1-f) b) t1 + sin(f b) t2] / sin
 * b. */
static double inclination_at(const struct course *c, double fraction)
{
    if (c->beta < SMALL_RAD * SMALL_RAD)
        return c->i1;
    const double w1 = sin((1.0 - fraction) * c->beta) / sin(c->beta),
                 w2 = sin(fraction * c->beta) / sin(c->beta);
    const double n = w1 * sin(c->i1) * cos(c->a1) + w2 * sin(c->i2) * cos(c->a2),
                 e = w1 * sin(c->i1) * sin(c->a1) + w2 * sin(c->i2) * sin(c->a2),
                 v = w1 * cos(c->i1) + w2 * cos(c->i2);
    return atan2(hypot(n, e), v);
}

static bool make_partial(const struct formula_given *given, struct course *course, double *fraction,
                         struct formula_result *out)
{
    if (!make_course(given, course, out))
        return false;
    *fraction = (given[6].value - given[0].value) / course->length_m;
    if (*fraction >= 0.0 && *fraction <= 1.0)
        return true;
    formula_none(out, REASON_DOMAIN, 6);
    return false;
}

static void interpolated_depth(const struct formula_given *given, struct formula_steps *steps,
                               struct formula_result *out)
{
    struct course course;
    double fraction;
    if (!make_partial(given, &course, &fraction, out))
        return;
    course_steps(&course, steps);
    const double inclination = inclination_at(&course, fraction), part = fraction * course.beta;
    const double ratio = part < SMALL_RAD ? 1.0 + part * part / 12.0 : 2.0 / part * tan(0.5 * part);
    formula_step(steps, "f = (MD - MD1) / L", fraction, "");
    formula_step(steps, "I at MD", inclination, "deg");
    out->value = 0.5 * fraction * course.length_m * (cos(course.i1) + cos(inclination)) * ratio;
}

static void interpolated_inclination(const struct formula_given *given, struct formula_steps *steps,
                                     struct formula_result *out)
{
    struct course course;
    double fraction;
    if (!make_partial(given, &course, &fraction, out))
        return;
    course_steps(&course, steps);
    out->value = inclination_at(&course, fraction);
}

static void extrapolated_depth(const struct formula_given *given, struct formula_steps *steps,
                               struct formula_result *out)
{
    const double beyond_m = given[3].value - given[0].value;
    formula_step(steps, "MD - MD_last", beyond_m, "m");
    out->value = given[1].value + beyond_m * cos(given[2].value);
    if (beyond_m < 0.0)
        formula_none(out, REASON_DOMAIN, 3);
    out->flags |= FLAG_EXTRAPOLATED;
}

/** Stations MD0 I0 A0, MD1 I1 A1, ... at input 1 on, three each; the depth of the last one given.
 */
static void chained_depth(const struct formula_given *given, struct formula_steps *steps,
                          struct formula_result *out)
{
    double depth_m = formula_or(&given[0], given[1].value);
    for (unsigned station = 1; station < CHAIN_STATIONS; station++) {
        const struct formula_given *at = given + 1 + 3 * (station - 1);
        struct course course;
        if (!at[3].present)
            break;
        if (!make_course(at, &course, out)) {
            if (out->culprit != FORMULA_NO_INPUT)
                out->culprit = (uint8_t)(out->culprit + 1 + 3 * (station - 1));
            return;
        }
        depth_m += down(&course);
        formula_step(steps, "TVD of the next station", depth_m, "m");
    }
    out->value = depth_m;
}

/* clang-format off */
#define STATION(n, more) INPUT("MD" n, "m", "measured depth, station " n, .take = TAKE_CONFIGURED more), \
    INPUT("I" n, "deg", "inclination from vertical", .take = TAKE_CONFIGURED more), \
    INPUT("A" n, "deg", "azimuth, clockwise from the survey's north", .take = TAKE_CONFIGURED more)
#define MAYBE , .optional = true
static const struct formula_input COURSE[] = {STATION("1", ), STATION("2", )};
static const struct formula_input PARTIAL[] = {STATION("1", ), STATION("2", ),
    INPUT("MD", "m", "measured depth between the stations", .take = TAKE_CONFIGURED)};
static const struct formula_input BEYOND[] = {
    INPUT("MD_last", "m", "measured depth of the last station", .take = TAKE_CONFIGURED), INPUT("TVD_last", "m", "its true vertical depth", .take = TAKE_CONFIGURED),
    INPUT("I_last", "deg", "its inclination", .take = TAKE_CONFIGURED), INPUT("MD", "m", "measured depth below it", .take = TAKE_CONFIGURED)};
static const struct formula_input CHAIN[] = {
    INPUT("TVD0", "m", "true vertical depth of the first station", .take = TAKE_CONFIGURED, .optional = true),
    STATION("0", ), STATION("1", ), STATION("2", MAYBE), STATION("3", MAYBE), STATION("4", MAYBE), STATION("5", MAYBE),
    INPUT("report", "", "which station's depth", .take = TAKE_OPTION, .choices = "last")};

#define MINIMUM_CURVATURE "minimum curvature: Taylor and Mason 1972 (SPE 3362), Zaremba 1973 (SPE 3664), API Bulletin D20 (from memory)"
#define COURSE_VALIDITY "dogleg below half a turn; measured depth strictly increasing; inclination 0 to 180 deg"
static const struct formula ROWS[] = {
    FORMULA("survey.beta", "Dogleg angle of a course", "sin^2(beta/2) = sin^2((I2-I1)/2) + sin I1 sin I2 sin^2((A2-A1)/2)", "rad", COURSE_VALIDITY,
            MINIMUM_CURVATURE, COURSE, survey_dogleg),
    FORMULA("survey.RF", "Ratio factor of a course", "RF = (2/beta) tan(beta/2)", "", COURSE_VALIDITY, MINIMUM_CURVATURE, COURSE, survey_ratio),
    FORMULA("survey.dN", "North along a course", "dN = L/2 (sin I1 cos A1 + sin I2 cos A2) RF", "m", COURSE_VALIDITY, MINIMUM_CURVATURE, COURSE, survey_north),
    FORMULA("survey.dE", "East along a course", "dE = L/2 (sin I1 sin A1 + sin I2 sin A2) RF", "m", COURSE_VALIDITY, MINIMUM_CURVATURE, COURSE, survey_east),
    FORMULA("survey.dTVD", "Vertical depth along a course", "dTVD = L/2 (cos I1 + cos I2) RF", "m", COURSE_VALIDITY, MINIMUM_CURVATURE, COURSE, survey_down),
    FORMULA("survey.DLS", "Dogleg severity", "DLS = beta / L", "deg/30m", COURSE_VALIDITY, MINIMUM_CURVATURE, COURSE, survey_severity),
    FORMULA("survey.interp_dTVD", "Vertical depth to a point between two stations", "the arc to MD, with its own tangent there", "m", COURSE_VALIDITY,
            "interpolation on the arc: Sawaryn and Thorogood (SPE 84246, from memory)", PARTIAL, interpolated_depth),
    FORMULA("survey.interp_inc", "Inclination between two stations", "t = [sin((1-f) beta) t1 + sin(f beta) t2] / sin beta", "deg", COURSE_VALIDITY,
            "interpolation on the arc: Sawaryn and Thorogood (SPE 84246, from memory)", PARTIAL, interpolated_inclination),
    FORMULA("survey.extrapolate_TVD", "Vertical depth below the last station", "TVD = TVD_last + (MD - MD_last) cos I_last", "m",
            "straight on from the last station: always extrapolated", "geometry", BEYOND, extrapolated_depth),
    FORMULA("survey.TVD_chain", "Vertical depth along several stations", "the sum of dTVD", "m", COURSE_VALIDITY, MINIMUM_CURVATURE, CHAIN, chained_depth),
};
/* clang-format on */

const struct formula_group FORMULA_SURVEY = FORMULA_ROWS(ROWS);
