/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_survey.c - measured depth to true vertical depth: minimum curvature, its working shown;
 * the arcs themselves are walked by base/survey.c.
 */
#include "formula_groups.h"

#include "uphole/survey.h"

#include <math.h>

#define HALF_TURN 3.14159265358979323846
#define CHAIN_STATIONS 6

/** What is wrong with two stations at `given`, of which MD, I and A stand at 0 to 2 and 3 to 5. */
static void say(enum survey_fault fault, const struct survey_station *first,
                struct formula_result *out)
{
    if (fault == SURVEY_NOT_DEEPER)
        formula_none(out, REASON_CONFIG_MISSING, 3); /* stations out of order are no survey */
    else if (fault == SURVEY_INCLINATION)
        formula_none(out, REASON_DOMAIN,
                     first->inclination_rad >= 0.0 && first->inclination_rad <= HALF_TURN ? 4 : 1);
    else if (fault == SURVEY_TURNED)
        formula_none(out, REASON_DOMAIN, FORMULA_NO_INPUT);
}

static struct survey_station station_of(const struct formula_given *given)
{
    return (struct survey_station){given[0].value, given[1].value, given[2].value};
}

static bool make_course(const struct formula_given *given, struct survey_course *course,
                        struct formula_result *out)
{
    const struct survey_station first = station_of(given), second = station_of(given + 3);
    const enum survey_fault fault = survey_course_make(&first, &second, course);
    say(fault, &first, out);
    return fault == SURVEY_GOOD;
}

static void course_steps(const struct survey_course *course, struct formula_steps *steps)
{
    formula_step(steps, "L = MD2 - MD1", course->length_m, "m");
    formula_step(steps, "beta", course->beta, "deg");
    formula_step(steps, "RF = (2/beta) tan(beta/2)", course->ratio, "");
}

static double dogleg(const struct survey_course *c)
{
    return c->beta;
}

static double ratio_factor(const struct survey_course *c)
{
    return c->ratio;
}

static double severity(const struct survey_course *c)
{
    return c->beta / c->length_m;
}

static void of_course(const struct formula_given *given, struct formula_steps *steps,
                      struct formula_result *out, double (*quantity)(const struct survey_course *))
{
    struct survey_course course;
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
OF_COURSE(survey_north, survey_course_north)
OF_COURSE(survey_east, survey_course_east)
OF_COURSE(survey_down, survey_course_down)
OF_COURSE(survey_dogleg, dogleg)
OF_COURSE(survey_ratio, ratio_factor)
OF_COURSE(survey_severity, severity)

static bool make_partial(const struct formula_given *given, struct survey_course *course,
                         double *fraction, struct formula_result *out)
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
    struct survey_course course;
    double fraction;
    if (!make_partial(given, &course, &fraction, out))
        return;
    course_steps(&course, steps);
    const struct survey_course part = survey_course_part(&course, fraction);
    formula_step(steps, "f = (MD - MD1) / L", fraction, "");
    formula_step(steps, "I at MD", part.i2, "deg");
    out->value = survey_course_down(&part);
}

static void interpolated_inclination(const struct formula_given *given, struct formula_steps *steps,
                                     struct formula_result *out)
{
    struct survey_course course;
    double fraction;
    if (!make_partial(given, &course, &fraction, out))
        return;
    course_steps(&course, steps);
    out->value = survey_course_inclination(&course, fraction);
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
        struct survey_course course;
        if (!at[3].present)
            break;
        if (!make_course(at, &course, out)) {
            if (out->culprit != FORMULA_NO_INPUT)
                out->culprit = (uint8_t)(out->culprit + 1 + 3 * (station - 1));
            return;
        }
        depth_m += survey_course_down(&course);
        formula_step(steps, "TVD of the next station", depth_m, "m");
    }
    out->value = depth_m;
}

/* ---- a whole survey: lists MD, I, A, and the measured depth that is asked for ---- */

/** Walks the courses down to the depth; the last one in part, by the tangent on its arc. */
static bool walk(const struct formula_given *given, struct survey_position *at,
                 struct formula_result *out)
{
    struct survey_station station[SURVEY_STATIONS_MAX];
    const size_t n = given[0].n;
    size_t bad = 0;
    if (n < 2 || n > SURVEY_STATIONS_MAX || given[1].n != n || given[2].n != n) {
        formula_none(out, REASON_CONFIG_MISSING, 0);
        return false;
    }
    for (size_t i = 0; i < n; i++)
        station[i] = (struct survey_station){given[0].list[i], given[1].list[i], given[2].list[i]};
    const enum survey_fault fault = survey_position_at(station, n, given[3].value, at, &bad);
    if (fault != SURVEY_GOOD) {
        say(fault, &station[bad - 1], out);
        out->culprit = 0;
        return false;
    }
    if (at->is_extrapolated)
        out->flags |= FLAG_EXTRAPOLATED;
    return true;
}

#define OF_SURVEY(name, part)                                                                      \
    FORMULA_FUNCTION(name)                                                                         \
    {                                                                                              \
        struct survey_position at;                                                                 \
        (void)steps;                                                                               \
        if (walk(given, &at, out))                                                                 \
            out->value = at.part;                                                                  \
    }
OF_SURVEY(depth_at, down_m)
OF_SURVEY(north_at, north_m)
OF_SURVEY(east_at, east_m)
OF_SURVEY(severity_at, severity_rad_m)

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
