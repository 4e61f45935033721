/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_survey.c - reads a deviation survey from a CSV file.
 */
#include "calculate.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SURVEY_LINE_MAX 512
#define RAD_PER_DEG (3.14159265358979323846 / 180.0)
#define FOOT_M 0.3048

/** Three numbers between commas. */
static bool read_station(const char *line, double station[static 3])
{
    const char *at = line;
    for (int i = 0; i < 3; i++) {
        char *end;
        station[i] = strtod(at, &end);
        if (end == at || !isfinite(station[i]))
            return false;
        at = end + strspn(end, " \t");
        if (i < 2 && *at++ != ',')
            return false;
    }
    return *at == '\0' || *at == '\r' || *at == '\n' || *at == ',';
}

static bool is_heading(const char *line)
{
    return strpbrk(line, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ") != NULL;
}

/** Of the heading: whether depths are in feet. */
static double depth_factor(const char *heading)
{
    const size_t first = strcspn(heading, ",");
    return first >= 3 && memcmp(heading + first - 3, "_ft", 3) == 0 ? FOOT_M : 1.0;
}

enum up_rc calculate_survey_read(const char *path, double *md, double *inclination, double *azimuth,
                                 size_t room, size_t *n, struct up_error *error)
{
    char line[SURVEY_LINE_MAX];
    double factor = 1.0;
    enum up_rc rc = UP_OK;
    bool headed = false;
    FILE *file = fopen(path, "re");
    *n = 0;
    if (file == NULL)
        return UP_FAIL_ERRNO(error, UP_E_MISSING, "%.200s can't be read: %s", path,
                             strerror(errno));
    for (int number = 1; rc == UP_OK && fgets(line, sizeof line, file) != NULL; number++) {
        double station[3];
        if (line[0] == '#' || line[strspn(line, " \t\r\n")] == '\0')
            continue;
        if (read_station(line, station)) {
            if (*n == room) {
                rc = UP_FAIL(error, UP_E_INPUT, "%.200s:%d: more than %zu stations", path, number,
                             room);
                continue;
            }
            md[*n] = station[0] * factor;
            inclination[*n] = station[1] * RAD_PER_DEG;
            azimuth[*n] = station[2] * RAD_PER_DEG;
            (*n)++;
        } else if (*n == 0 && !headed && is_heading(line)) {
            headed = true;
            factor = depth_factor(line);
        } else {
            rc = UP_FAIL(error, UP_E_INPUT,
                         "%.200s:%d: expected measured depth, inclination and azimuth, as in "
                         "1200.0,15.2,48.9",
                         path, number);
        }
    }
    fclose(file);
    return rc;
}
