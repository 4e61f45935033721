/* SPDX-License-Identifier: Apache-2.0
 *
 * points.h - the one table of points: names, kinds, units, resolution, table slots. Numbers never move; new points append.
 */
#ifndef UPHOLE_POINTS_H
#define UPHOLE_POINTS_H

#include "uphole/quantity.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum point_number {
    POINT_NONE = 0,
    POINT_INTAKE_PRESSURE = 1,
    POINT_DISCHARGE_PRESSURE = 2,
    POINT_INTAKE_TEMPERATURE = 3,
    POINT_DISCHARGE_TEMPERATURE = 4,
    POINT_MOTOR_WINDING_TEMPERATURE = 5,
    POINT_MOTOR_OIL_TEMPERATURE = 6,
    POINT_VIBRATION_X = 8,
    POINT_VIBRATION_Y = 9,
    POINT_INSULATION_RESISTANCE = 12,
    POINT_GAUGE_STATUS = 15,
    POINT_TUBING_HEAD_PRESSURE = 18,
    POINT_CASING_HEAD_PRESSURE = 19,
    POINT_DRIVE_FREQUENCY = 21,
    POINT_MOTOR_CURRENT = 22,
    POINT_MOTOR_CURRENT_A = 23,
    POINT_MOTOR_CURRENT_B = 24,
    POINT_MOTOR_CURRENT_C = 25,
    POINT_DRIVE_OUTPUT_VOLTAGE = 26,
    POINT_MOTOR_VOLTAGE = 27,
    POINT_MOTOR_POWER = 29,
    POINT_POWER_FACTOR = 30,
    POINT_DRIVE_RUN_STATE = 32,
    POINT_DRIVE_FAULT_CODE = 33,
    POINT_PUMP_DIFFERENTIAL_PRESSURE = 34,
    POINT_PUMP_HEAD = 35,
    POINT_MOTOR_TEMPERATURE_RISE = 36,
    POINT_FLUID_LEVEL_ABOVE_INTAKE = 37,
    POINT_VIBRATION_RESULTANT = 38,
    POINT_CURRENT_UNBALANCE = 39,
    POINT_INTAKE_PRESSURE_RATE = 40,
    POINT_MOTOR_TEMPERATURE_RATE = 41,
    POINT_RUN_TIME = 42,
    POINT_GAUGE_DATA_AGE = 43,
    POINT_LINE_ERROR_RATIO = 44,
    POINT_UNDELIVERED_RECORDS = 45,
    POINT_JOURNAL_TIME_LEFT = 46,
    POINT_VIBRATION_VELOCITY_X = 47,
    POINT_MOTOR_ENERGY = 52,
    POINT_DATUM_PRESSURE = 53,
    POINT_SUBMERGENCE = 54,
    POINT_FLUID_LEVEL_DEPTH = 55,
    POINT_LIQUID_DENSITY = 56,
    POINT_LIQUID_GRADIENT = 57,
    POINT_PUMP_TOTAL_HEAD = 58,
    POINT_HEAD_PER_STAGE = 59,
    POINT_REFERENCE_HEAD = 60,
    POINT_REFERENCE_RATE = 61,
    POINT_HYDRAULIC_POWER = 62,
    POINT_ELECTRICAL_POWER = 63,
    POINT_PUMP_MOTOR_EFFICIENCY = 64,
    POINT_SPECIFIC_ENERGY = 65,
    POINT_GAS_COMPRESSIBILITY_FACTOR = 66,
    POINT_FREE_GAS_FRACTION = 67,
    POINT_TURPIN_NUMBER = 68,
    POINT_BOILING_MARGIN = 69,
    POINT_MOTOR_TEMPERATURE_MARGIN = 70,
    POINT_REFERENCE_INSULATION = 71,
    POINT_DRAWDOWN = 72,
    POINT_PRODUCTIVITY_INDEX = 73,
    POINT_INFLOW_RATE = 74,
    POINT_INFLOW_SHARE = 75,
    POINT_ELECTRICAL_INPUT = 76,
    POINT_CABLE_LOSS = 77,
    POINT_MOTOR_EFFICIENCY = 78,
    POINT_PUMP_EFFICIENCY = 79,
    POINT_SYSTEM_EFFICIENCY = 80,
    POINT_CURVE_HEAD = 81,
    POINT_HEAD_AGAINST_CURVE = 82,
    POINT_FETKOVICH_RATE = 83,
    POINT_INTAKE_PRESSURE_MEAN_1MIN = 84,
    POINT_INTAKE_PRESSURE_MEAN_1H = 85,
    POINT_INTAKE_PRESSURE_MEAN_24H = 86,
    POINT_INTAKE_PRESSURE_LOW_24H = 87,
    POINT_INTAKE_PRESSURE_HIGH_24H = 88,
    POINT_INTAKE_PRESSURE_DEVIATION_1H = 89,
    POINT_INTAKE_PRESSURE_COVERAGE_24H = 90,
    POINT_MOTOR_TEMPERATURE_MEAN_1H = 91,
    POINT_MOTOR_TEMPERATURE_MEAN_24H = 92,
    POINT_MOTOR_TEMPERATURE_HIGH_24H = 93,
    POINT_MOTOR_CURRENT_MEAN_1MIN = 94,
    POINT_MOTOR_CURRENT_MEAN_1H = 95,
    POINT_MOTOR_CURRENT_MEAN_24H = 96,
    POINT_MOTOR_CURRENT_DEVIATION_1H = 97,
    POINT_DRIVE_FREQUENCY_MEAN_24H = 98,
    POINT_RUNNING_SHARE_24H = 99,
    POINT_INTAKE_PRESSURE_ROBUST_RATE = 100,
    POINT_MOTOR_TEMPERATURE_ROBUST_RATE = 101,
    POINT_MOTOR_TIME_TO_LIMIT = 102,
    POINT_INTAKE_TIME_TO_LIMIT = 103,
    POINT_INSULATION_DAILY_CHANGE = 104,
    POINT_COUNT = 105 /* numbers 1 to 104 are in use; the table has room for 120 */
};

/** M measured, D derived, S status of the chain. */
enum point_type { POINT_MEASURED = 'M', POINT_DERIVED = 'D', POINT_STATUS = 'S' };
/** Which source a point belongs to when it is mapped. */
enum point_group { POINT_GROUP_GAUGE = 1, POINT_GROUP_SURFACE, POINT_GROUP_DRIVE, POINT_GROUP_DERIVED, POINT_GROUP_CHAIN };

struct point {
    uint16_t number;
    const char *id;        /* "intake_pressure" */
    const char *trade_name;/* "pump intake pressure" */
    enum quantity kind;
    const char *unit;      /* publish unit, metric; "" for none */
    double resolution;     /* in that unit */
    const char *us_unit;   /* where a destination asks for us */
    double us_resolution;
    double typical_low, typical_high; /* common practice, no source; for commissioning only, never a limit */
    enum point_type type;
    enum point_group group;
    const char *notes;
};

/** Row of a point number, 1 to POINT_COUNT - 1; NULL outside. Inside, values are in `unit` (ratio points in percent use "%"). */
const struct point *point_get(unsigned number);
/** Number of an id, or 0. */
unsigned point_find(const char *id, size_t length);
unit_number point_unit(unsigned number); /* the point's own unit inside */
/** A point of a kind whose unit a person must have compared with a screen (pressure, temperature, vibration); others need no confirmation. */
bool point_needs_confirmation(unsigned number);
/** A point whose value is one of the gauge's sensors (1 to 15, 47 to 50): silent when the gauge is. */
int point_is_of_gauge(unsigned number);

#endif
