/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_survey.c - measured depth to true vertical depth: minimum curvature, in the forms that
 * keep their digits at small angles.
 */
#include "formula_groups.h"

#include <math.h>

#define HALF_TURN 3.14159265358979323846
#define SMALL_RAD 1e-4
#define CHAIN_STATIONS 6

/** Two stations and the arc between them. */
struct course {
    double length_m, i1, a1, i2, a2, beta, ratio;
};

/** Ratio factor of an arc; by series below SMALL_RAD, whatever the fraction of a course. */
static double ratio_of(double beta)
{
    const double b2 = beta * beta;
    return beta < SMALL_RAD ? 1.0 + b2 / 12.0 + b2 * b2 / 120.0 : 2.0 / beta * tan(0.5 * beta);
}

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
    course->ratio = ratio_of(course->beta);
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

/** Azimuth of the tangent at a fraction of the arc. */
static double azimuth_at(const struct course *c, double fraction)
{
    if (c->beta < SMALL_RAD * SMALL_RAD)
        return c->a1;
    const double w1 = sin((1.0 - fraction) * c->beta), w2 = sin(fraction * c->beta);
    return atan2(w1 * sin(c->i1) * sin(c->a1) + w2 * sin(c->i2) * sin(c->a2),
                 w1 * sin(c->i1) * cos(c->a1) + w2 * sin(c->i2) * cos(c->a2));
}

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
    formula_step(steps, "f = (MD - MD1) / L", fraction, "");
    formula_step(steps, "I at MD", inclination, "deg");
    out->value =
        0.5 * fraction * course.length_m * (cos(course.i1) + cos(inclination)) * ratio_of(part);
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

/* ---- a whole survey: lists MD, I, A, and the measured depth that is asked for ---- */

/** Where a survey is at one measured depth. */
struct position {
    double north_m, east_m, down_m, severity;
};

static void station_pair(const struct formula_given *lists, size_t i, struct formula_given pair[6])
{
    for (unsigned k = 0; k < 6; k++)
        pair[k] = (struct formula_given){.present = true, .value = lists[k % 3].list[i + k / 3]};
}

/** Walks the courses down to the depth; the last one in part, by the tangent on its arc. */
static bool walk(const struct formula_given *given, struct position *at, struct formula_result *out)
{
    const size_t n = given[0].n;
    const double wanted = given[3].value;
    *at = (struct position){0};
    if (n < 2 || given[1].n != n || given[2].n != n) {
        formula_none(out, REASON_CONFIG_MISSING, 0);
        return false;
    }
    at->down_m = given[0].list[0]; /* vertical from the surface to the first station */
    if (wanted <= given[0].list[0]) {
        at->down_m = wanted;
        if (wanted < given[0].list[0])
            out->flags |= FLAG_EXTRAPOLATED;
        return true;
    }
    for (size_t i = 0; i + 1 < n && given[0].list[i] < wanted; i++) {
        struct formula_given pair[7] = {0};
        struct course course;
        station_pair(given, i, pair);
        if (!make_course(pair, &course, out)) {
            out->culprit = 0;
            return false;
        }
        at->severity = course.beta / course.length_m;
        if (wanted < given[0].list[i + 1]) {
            const double fraction = (wanted - given[0].list[i]) / course.length_m;
            course.i2 = inclination_at(&course, fraction);
            course.a2 = azimuth_at(&course, fraction);
            course.length_m *= fraction;
            course.beta *= fraction;
            course.ratio = ratio_of(course.beta);
        }
        at->north_m += north(&course);
        at->east_m += east(&course);
        at->down_m += down(&course);
    }
    const double beyond_m = wanted - given[0].list[n - 1];
    if (beyond_m > 0.0) {
        const double i = given[1].list[n - 1], a = given[2].list[n - 1];
        at->down_m += beyond_m * cos(i);
        at->north_m += beyond_m * sin(i) * cos(a);
        at->east_m += beyond_m * sin(i) * sin(a);
        at->severity = 0.0;
        out->flags |= FLAG_EXTRAPOLATED;
    }
    return true;
}

#define OF_SURVEY(name, part)                                                                      \
    FORMULA_FUNCTION(name)                                                                         \
    {                                                                                              \
        struct position at;                                                                        \
        (void)steps;                                                                               \
        if (walk(given, &at, out))                                                                 \
            out->value = at.part;                                                                  \
    }
OF_SURVEY(depth_at, down_m)
OF_SURVEY(north_at, north_m)
OF_SURVEY(east_at, east_m)
OF_SURVEY(severity_at, severity)

void survey_depth(const double *md_m, const double *inclination_rad, const double *azimuth_rad,
                  size_t n, double at_m, struct formula_result *out)
{
    const struct formula_given given[4] = {{.list = md_m, .n = n, .present = true},
                                           {.list = inclination_rad, .n = n, .present = true},
                                           {.list = azimuth_rad, .n = n, .present = true},
                                           {.value = at_m, .present = true}};
    *out = (struct formula_result){.culprit = FORMULA_NO_INPUT};
    depth_at(given, 0, out);
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

static const struct formula_input SURVEY[] = {
    INPUT("MD", "m", "measured depths, ascending", .take = TAKE_CONFIGURED, .list = true), INPUT("I", "deg", "inclinations", .take = TAKE_CONFIGURED, .list = true),
    INPUT("A", "deg", "azimuths", .take = TAKE_CONFIGURED, .list = true), INPUT("MD_at", "m", "the measured depth asked for", .take = TAKE_CONFIGURED, .bound = BOUND_NOT_NEGATIVE)};

#define SURVEY_VALIDITY "vertical down to the first station; straight on, extrapolated, below the last"
#define MINIMUM_CURVATURE "minimum curvature: Taylor and Mason 1972 (SPE 3362), Zaremba 1973 (SPE 3664), API Bulletin D20 (from memory)"
#define COURSE_VALIDITY "dogleg below half a turn; measured depth strictly increasing; inclination 0 to 180 deg"
static const struct formula ROWS[] = {
    FORMULA("survey.TVD_at", "Vertical depth at a measured depth", "the sum of dTVD, the last arc in part", "m", SURVEY_VALIDITY, MINIMUM_CURVATURE, SURVEY, depth_at),
    FORMULA("survey.N_at", "North at a measured depth", "the sum of dN, the last arc in part", "m", SURVEY_VALIDITY, MINIMUM_CURVATURE, SURVEY, north_at),
    FORMULA("survey.E_at", "East at a measured depth", "the sum of dE, the last arc in part", "m", SURVEY_VALIDITY, MINIMUM_CURVATURE, SURVEY, east_at),
    FORMULA("survey.DLS_at", "Dogleg severity at a measured depth", "beta / L of the course there", "deg/30m", SURVEY_VALIDITY, MINIMUM_CURVATURE, SURVEY, severity_at),
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
