/* SPDX-License-Identifier: Apache-2.0
 *
 * survey.h - from measured depth to true vertical depth: minimum curvature, pure geometry.
 *
 * Source of the method: Taylor and Mason 1972 (SPE 3362), Zaremba 1973 (SPE 3664), API Bulletin D20 (from memory). Angles in rad, depths in m.
 */
#ifndef UPHOLE_SURVEY_H
#define UPHOLE_SURVEY_H

#include <stdbool.h>
#include <stddef.h>

#define SURVEY_STATIONS_MAX 1000

/** One station: measured depth along the hole, inclination from the vertical, azimuth clockwise from the survey's north. */
struct survey_station {
    double md_m, inclination_rad, azimuth_rad;
};

/** Two stations and the arc of a circle between them. */
struct survey_course {
    double length_m, i1, a1, i2, a2;
    double beta;  /* the dogleg: angle between the tangents at both ends */
    double ratio; /* ratio factor, (2 / beta) tan(beta / 2) */
};

enum survey_fault {
    SURVEY_GOOD = 0,
    SURVEY_NOT_DEEPER,  /* the second station isn't deeper along the hole than the first */
    SURVEY_INCLINATION, /* below 0 or above half a turn */
    SURVEY_TURNED       /* the tangents point against each other: no one arc joins them */
};
/** The arc between two stations, in the forms that keep their digits at small angles. */
enum survey_fault survey_course_make(const struct survey_station *first, const struct survey_station *second, struct survey_course *course);
double survey_course_north(const struct survey_course *course);
double survey_course_east(const struct survey_course *course);
double survey_course_down(const struct survey_course *course);
/** Direction of the hole at a fraction of the arc, 0 to 1. */
double survey_course_inclination(const struct survey_course *course, double fraction);
double survey_course_azimuth(const struct survey_course *course, double fraction);
/** The first part of a course, a fraction of it long: an arc of the same circle. */
struct survey_course survey_course_part(const struct survey_course *course, double fraction);

/** Where a hole is at one measured depth. */
struct survey_position {
    double north_m, east_m, down_m;
    double severity_rad_m; /* dogleg of the course there, by its length */
    bool is_extrapolated;  /* straight on below the last station, or above the first one */
};
/**
 * Walks `n` stations, 2 at least, in ascending order of measured depth, down to `md_m`. Above the first station the hole counts as vertical.
 * What is wrong with two stations, `*bad` the index of the second; SURVEY_GOOD else.
 */
enum survey_fault survey_position_at(const struct survey_station *station, size_t n, double md_m, struct survey_position *at, size_t *bad);

#endif
