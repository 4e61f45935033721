/* SPDX-License-Identifier: Apache-2.0
 *
 * test_uncertainty.c - what a map's accuracy and a register's resolution make of a value: JCGM
 * 100:2008, 4.3.7 (limits +-a, rectangular: a / sqrt 3) and F.2.2.1 (resolution d: d / sqrt 12;
 * 0.29 d), clauses from memory.
 */
#include "well_now.h"

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

/** The well of well_now.h: pressures known within 30 kPa, steps of 1 kPa; a voltage within 20 V, a
 * current within 1 A, a power factor within 0.02, all of 0.1, 0.1 and 0.01 of a count. */
static void make_known(struct made *made, struct well_data *data)
{
    static const struct {
        unsigned point;
        const char *scale, *unit;
        double accuracy;
    } DRIVE[] = {{POINT_MOTOR_VOLTAGE, "1", "V", 20},
                 {POINT_MOTOR_CURRENT, "0.1", "A", 1},
                 {POINT_POWER_FACTOR, "0.01", "1", 0.02}};
    for (unsigned i = 0; i < made->maps[0].n_channels; i++) {
        struct channel *channel = &made->maps[0].channel[i];
        if (point_get(channel->point)->kind == QUANTITY_PRESSURE) {
            channel->has_accuracy = true;
            channel->accuracy = 30;
        }
    }
    for (uint16_t i = 0; i < 3; i++) {
        struct channel *channel =
            made_channel(&made->maps[1], DRIVE[i].point, TABLE_HOLDING, (uint16_t)(2 + i), TYPE_U16,
                         DRIVE[i].scale, DRIVE[i].unit);
        channel->has_accuracy = true;
        channel->accuracy = DRIVE[i].accuracy;
        snprintf(channel->about, sizeof channel->about, "motor side");
    }
    made_entry(made, SOURCE_DRIVE, 1);
    data->from_utc_ms = MADE_UTC_MS - 1000;
    made->well.data = data;
    made->well.n_data = 1;
}

/**
 * JCGM 100:2008, 5.1.2, in closed form: of a difference the squares add, over rho g for a head, and
 * relative ones of a product (its value: python3-uncertainties of the same numbers, as in
 * tests/formulas/libraries.py). Planted defect: measure-derived-uncertainty-adds.
 */
static void derived_points_carry_what_their_channels_make_of_them(void **state)
{
    (void)state;
    struct made *made = made_new();
    struct well_data data = DATA;
    make_known(made, &data);
    double values[POINT_COUNT], u = NAN;
    bool at_least = true;
    for (unsigned i = 0; i < POINT_COUNT; i++)
        values[i] = read_of(i) != 0.0 ? read_of(i) : NAN;
    const double u_p = hypot(30.0 / sqrt(3.0), 1.0 / sqrt(12.0)),
                 weight = 975.83673149847095 * 9.80665;
    values[POINT_PUMP_DIFFERENTIAL_PRESSURE] = 10000;
    values[POINT_PUMP_TOTAL_HEAD] = 1056.97;
    values[POINT_MOTOR_CURRENT] = 55;
    values[POINT_ELECTRICAL_POWER] = 152.03941988839605;
    values[POINT_INTAKE_PRESSURE_MEAN_24H] = 9000;
    values[POINT_LIQUID_DENSITY] = 975.8;
    values[POINT_INTAKE_PRESSURE_ROBUST_RATE] = 3;
    const struct {
        unsigned point;
        double u;
    } KNOWN[] = {{POINT_PUMP_DIFFERENTIAL_PRESSURE, sqrt(2.0) * u_p},
                 {POINT_PUMP_TOTAL_HEAD, 1000.0 * sqrt(2.0) * u_p / weight},
                 {POINT_ELECTRICAL_POWER, 2.8370759418810065},
                 {POINT_INTAKE_PRESSURE_MEAN_24H, u_p}};
    for (size_t i = 0; i < sizeof KNOWN / sizeof *KNOWN; i++) {
        assert_true(derived_standard_uncertainty(&made->plan, &made->well, MADE_UTC_MS,
                                                 KNOWN[i].point, values, &u, &at_least));
        check_close_relative(id_of(KNOWN[i].point), u, KNOWN[i].u, 1e-6);
        assert_false(at_least);
    }
    made->maps[0].channel[1].has_accuracy = false; /* the discharge pressure */
    assert_true(derived_standard_uncertainty(&made->plan, &made->well, MADE_UTC_MS,
                                             POINT_PUMP_TOTAL_HEAD, values, &u, &at_least));
    assert_true(at_least);
    static const unsigned NONE[] = {POINT_LIQUID_DENSITY, POINT_INTAKE_PRESSURE_ROBUST_RATE,
                                    POINT_INTAKE_PRESSURE, POINT_HEAD_PER_STAGE /* no value */};
    for (size_t i = 0; i < sizeof NONE / sizeof *NONE; i++)
        assert_false(derived_standard_uncertainty(&made->plan, &made->well, MADE_UTC_MS, NONE[i],
                                                  values, &u, &at_least));
    made_free(made);
}

/** Only where a destination asks; the same, live and late, since it follows from the record's own
 * readings. A lower bound (no accuracy stated) is not written as if it were the uncertainty. */
static void records_carry_it_where_a_destination_asks(void **state)
{
    (void)state;
    struct made *made = made_new();
    struct well_data data = DATA;
    struct destination_plan destination = {.medium = DESTINATION_MQTT};
    make_known(made, &data);
    made_polls(made, 0, 60000);
    for (unsigned i = 0; i < made->record.n; i++)
        assert_true(made->record.reading[i].u == 0.0);
    made->plan.destinations = &destination;
    made->plan.n_destinations = 1;
    destination.units.with_uncertainty = true;
    made_polls(made, 60000, 80000);
    const double u_p = hypot(30.0 / sqrt(3.0), 1.0 / sqrt(12.0));
    check_close("a reading", made_reading(made, POINT_INTAKE_PRESSURE)->u, u_p, 1e-9);
    check_close("a derived one", made_reading(made, POINT_PUMP_DIFFERENTIAL_PRESSURE)->u,
                sqrt(2.0) * u_p, 1e-6);
    check_close("no accuracy is stated", made_reading(made, POINT_INTAKE_TEMPERATURE)->u, 0, 0);
    check_close("of no value", made_reading(made, POINT_GAUGE_DATA_AGE)->u, 0, 0);
    made_free(made);
}

static void a_resolution_coarser_than_a_count_counts(void **state)
{
    (void)state;
    struct channel channel = {.point = POINT_INTAKE_TEMPERATURE,
                              .type = TYPE_F32,
                              .to_point = {1, 0, 1},
                              .has_resolution = true,
                              .resolution = 0.1};
    double u;
    bool at_least;
    assert_true(channel_standard_uncertainty(&channel, &u, &at_least));
    check_close("0.1 K / sqrt 12 (JCGM 100:2008, F.2.2.1)", u, 0.028867513459481, 1e-12);
    channel.type = TYPE_U16;
    channel.to_point = (struct conversion){1, 0, 2}; /* counts of 0.5 K */
    check_close("a finer one than a count does not", channel_resolution(&channel), 0.5, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(accuracy_and_resolution_add_as_rectangular_distributions),
        cmocka_unit_test(a_channel_that_is_no_point_has_none),
        cmocka_unit_test(a_resolution_coarser_than_a_count_counts),
        cmocka_unit_test(records_carry_it_where_a_destination_asks),
        cmocka_unit_test(derived_points_carry_what_their_channels_make_of_them),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
