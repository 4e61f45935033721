/* SPDX-License-Identifier: Apache-2.0
 *
 * survey.c - minimum curvature: the hole between two stations is an arc of a circle.
 *
 * Geometry alone, without units or files: what states depths (configure) and what shows the working
 * (measure's formulas) walk the same arcs.
 */
#include "uphole/survey.h"

#include <math.h>

#define HALF_TURN 3.14159265358979323846
#define SMALL_RAD 1e-4

/** Ratio factor of an arc; by series below SMALL_RAD, whatever the fraction of a course. */
static double ratio_of(double beta)
{
    const double b2 = beta * beta;
    return beta < SMALL_RAD ? 1.0 + b2 / 12.0 + b2 * b2 / 120.0 : 2.0 / beta * tan(0.5 * beta);
}

static bool is_inclination(double rad)
{
    return rad >= 0.0 && rad <= HALF_TURN;
}

/* sin^2(beta/2) = sin^2((I2-I1)/2) + sin I1 sin I2 sin^2((A2-A1)/2) */
enum survey_fault survey_course_make(const struct survey_station *first,
                                     const struct survey_station *second,
                                     struct survey_course *course)
{
    *course = (struct survey_course){.length_m = second->md_m - first->md_m,
                                     .i1 = first->inclination_rad,
                                     .a1 = first->azimuth_rad,
                                     .i2 = second->inclination_rad,
                                     .a2 = second->azimuth_rad};
    if (!(course->length_m > 0.0))
        return SURVEY_NOT_DEEPER;
    if (!is_inclination(course->i1) || !is_inclination(course->i2))
        return SURVEY_INCLINATION;
    const double di = sin(0.5 * (course->i2 - course->i1)),
                 da = sin(0.5 * (course->a2 - course->a1));
    const double square = di * di + sin(course->i1) * sin(course->i2) * da * da;
    course->beta = 2.0 * asin(sqrt(square < 1.0 ? square : 1.0));
    if (course->beta > HALF_TURN - 1e-6)
        return SURVEY_TURNED;
    course->ratio = ratio_of(course->beta);
    return SURVEY_GOOD;
}

double survey_course_north(const struct survey_course *c)
{
    return 0.5 * c->length_m * (sin(c->i1) * cos(c->a1) + sin(c->i2) * cos(c->a2)) * c->ratio;
}

double survey_course_east(const struct survey_course *c)
{
    return 0.5 * c->length_m * (sin(c->i1) * sin(c->a1) + sin(c->i2) * sin(c->a2)) * c->ratio;
}

double survey_course_down(const struct survey_course *c)
{
    return 0.5 * c->length_m * (cos(c->i1) + cos(c->i2)) * c->ratio;
}

double survey_course_azimuth(const struct survey_course *c, double fraction)
{
    if (c->beta < SMALL_RAD * SMALL_RAD)
        return c->a1;
    const double w1 = sin((1.0 - fraction) * c->beta), w2 = sin(fraction * c->beta);
    return atan2(w1 * sin(c->i1) * sin(c->a1) + w2 * sin(c->i2) * sin(c->a2),
                 w1 * sin(c->i1) * cos(c->a1) + w2 * sin(c->i2) * cos(c->a2));
}

/* The tangent on the arc: t = [sin((1-f) b) t1 + sin(f b) t2] / sin b. */
double survey_course_inclination(const struct survey_course *c, double fraction)
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

struct survey_course survey_course_part(const struct survey_course *whole, double fraction)
{
    struct survey_course part = *whole;
    part.i2 = survey_course_inclination(whole, fraction);
    part.a2 = survey_course_azimuth(whole, fraction);
    part.length_m *= fraction;
    part.beta *= fraction;
    part.ratio = ratio_of(part.beta);
    return part;
}

/** Straight on below the last station. */
static void go_beyond(const struct survey_station *last, double md_m, struct survey_position *at)
{
    const double beyond_m = md_m - last->md_m;
    if (!(beyond_m > 0.0))
        return;
    at->down_m += beyond_m * cos(last->inclination_rad);
    at->north_m += beyond_m * sin(last->inclination_rad) * cos(last->azimuth_rad);
    at->east_m += beyond_m * sin(last->inclination_rad) * sin(last->azimuth_rad);
    at->severity_rad_m = 0.0;
    at->is_extrapolated = true;
}

enum survey_fault survey_position_at(const struct survey_station *station, size_t n, double md_m,
                                     struct survey_position *at, size_t *bad)
{
    *at = (struct survey_position){.down_m = station[0].md_m};
    if (md_m <= station[0].md_m) {
        at->down_m = md_m;
        at->is_extrapolated = md_m < station[0].md_m;
        return SURVEY_GOOD;
    }
    for (size_t i = 0; i + 1 < n && station[i].md_m < md_m; i++) {
        struct survey_course course;
        const enum survey_fault fault = survey_course_make(&station[i], &station[i + 1], &course);
        *bad = i + 1;
        if (fault != SURVEY_GOOD)
            return fault;
        at->severity_rad_m = course.beta / course.length_m;
        if (md_m < station[i + 1].md_m)
            course = survey_course_part(&course, (md_m - station[i].md_m) / course.length_m);
        at->north_m += survey_course_north(&course);
        at->east_m += survey_course_east(&course);
        at->down_m += survey_course_down(&course);
    }
    go_beyond(&station[n - 1], md_m, at);
    return SURVEY_GOOD;
}
