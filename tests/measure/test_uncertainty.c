/* SPDX-License-Identifier: Apache-2.0
 *
 * test_uncertainty.c - what a map's accuracy and a register's resolution make of a value: JCGM
 * 100:2008, 4.3.7 (limits +-a, rectangular: a / sqrt 3) and F.2.2.1 (resolution d: d / sqrt 12;
 * 0.29 d), clauses from memory.
 */
#include "made.h"

/* Roots as the guide prints them: 1/sqrt 3 = 0.57735..., 1/sqrt 12 = 0.28868... */
#define ACCURACY 0.5773502691896258
#define RESOLUTION 0.2886751345948129

/* clang-format off */
static const struct row {
    const char *what;
    unsigned point;
    enum register_type type;
    const char *scale, *unit;
    double accuracy; /* in the point's unit; 0: not stated */
    double expected; /* NaN: nothing is known */
    bool at_least;
} ROWS[] = {
    {"0.03 MPa and counts of 1 kPa", POINT_INTAKE_PRESSURE, TYPE_U16, "0.001", "MPa", 30, 17.322913534776223, false}, /* sqrt(300 + 1/12) kPa, by hand */
    {"1 K and counts of 0.1 degC", POINT_INTAKE_TEMPERATURE, TYPE_S16, "0.1", "degC", 1, 0.5780715065341542, false}, /* sqrt(1/3 + 0.01/12) */
    {"2 degF in a float", POINT_INTAKE_TEMPERATURE, TYPE_F32, "1", "degF", 2 / 1.8, 2 / 1.8 * ACCURACY, false},
    {"counts of 1 degF are 5/9 K", POINT_INTAKE_TEMPERATURE, TYPE_S16, "1", "degF", 0, RESOLUTION / 1.8, true},
    {"a scale that falls", POINT_INTAKE_TEMPERATURE, TYPE_S16, "-0.1", "degC", 0, 0.1 * RESOLUTION, true},
    {"counts of 1 psi", POINT_INTAKE_PRESSURE, TYPE_U32, "1", "psi", 0, 6.894757293168361 * RESOLUTION, true},
    {"packed decimal", POINT_INTAKE_PRESSURE, TYPE_BCD32, "1", "kPa", 0, RESOLUTION, true},
    {"pairs modulo 10,000", POINT_INTAKE_PRESSURE, TYPE_M10K32, "0.1", "kPa", 0, 0.1 * RESOLUTION, true},
    {"a float without an accuracy", POINT_INTAKE_PRESSURE, TYPE_F32, "1", "kPa", 0, NAN, true},
    {"a double without an accuracy", POINT_INTAKE_PRESSURE, TYPE_F64, "1", "kPa", 0, NAN, true},
    {"a state has none", POINT_DRIVE_RUN_STATE, TYPE_U16, "1", "", 0, NAN, true},
};
/* clang-format on */

/* Planted defect: measure-resolution-unscaled. */
static void accuracy_and_resolution_add_as_rectangular_distributions(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        static struct map map;
        map.n_channels = 0;
        struct channel *channel = ROWS[i].unit[0] != '\0'
                                      ? made_channel(&map, ROWS[i].point, TABLE_INPUT, 0,
                                                     ROWS[i].type, ROWS[i].scale, ROWS[i].unit)
                                      : &map.channel[0];
        if (ROWS[i].unit[0] == '\0')
            *channel = (struct channel){.point = (uint16_t)ROWS[i].point,
                                        .type = (uint8_t)ROWS[i].type,
                                        .to_point = {1, 0, 1}};
        channel->has_accuracy = ROWS[i].accuracy > 0.0;
        channel->accuracy = ROWS[i].accuracy;
        double u = NAN;
        bool at_least = false;
        check_count(ROWS[i].what, channel_standard_uncertainty(channel, &u, &at_least),
                    !isnan(ROWS[i].expected));
        if (isnan(ROWS[i].expected))
            continue;
        check_close_relative(ROWS[i].what, u, ROWS[i].expected, 1e-12);
        check_count(ROWS[i].what, at_least, ROWS[i].at_least);
    }
}

static void a_channel_that_is_no_point_has_none(void **state)
{
    (void)state;
    const struct channel channel = {.type = TYPE_U16, .to_point = {1, 0, 1}};
    double u;
    bool at_least;
    assert_false(channel_standard_uncertainty(&channel, &u, &at_least));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(accuracy_and_resolution_add_as_rectangular_distributions),
        cmocka_unit_test(a_channel_that_is_no_point_has_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
