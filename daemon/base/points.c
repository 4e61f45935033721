/* SPDX-License-Identifier: Apache-2.0
 *
 * points.c - the one table of points. A new point is a new row at the end; numbers fix slots of the
 * Modbus table for ever.
 *
 * Columns: number, id, trade name, kind, unit (inside and metric), resolution, US unit, its
 * resolution, typical range in `unit`, type, group, notes. All typical ranges are common practice,
 * no source: they serve plausibility checks at commissioning and are no limit for running a pump.
 */
#include "uphole/points.h"

#include <string.h>

/* clang-format off */
static const struct point POINTS[] = {
    [1] = {1, "intake_pressure", "pump intake pressure", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 500, 35000, POINT_MEASURED, POINT_GROUP_GAUGE, "the most used point"},
    [2] = {2, "discharge_pressure", "pump discharge pressure", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 2000, 60000, POINT_MEASURED, POINT_GROUP_GAUGE, "often not fitted: raw 65535 (65.535 MPa at 0.001 MPa) (common practice, no source)"},
    [3] = {3, "intake_temperature", "intake (well fluid) temperature", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, 20, 150, POINT_MEASURED, POINT_GROUP_GAUGE, "fluid near the gauge, not the motor"},
    [4] = {4, "discharge_temperature", "pump discharge temperature", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, 20, 160, POINT_MEASURED, POINT_GROUP_GAUGE, "often not fitted: exactly 0 degC; zeros while starting are neither values nor markers"},
    [5] = {5, "motor_winding_temperature", "motor winding temperature", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, 40, 200, POINT_MEASURED, POINT_GROUP_GAUGE, "not always fitted"},
    [6] = {6, "motor_oil_temperature", "motor oil temperature", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, 40, 180, POINT_MEASURED, POINT_GROUP_GAUGE, "a 'motor temperature' measured in oil belongs here"},
    [7] = {7, "gauge_temperature", "gauge electronics temperature", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, 20, 150, POINT_MEASURED, POINT_GROUP_GAUGE, ""},
    [8] = {8, "vibration_x", "vibration, first radial axis", QUANTITY_ACCELERATION, "m/s2", 0.01, "g", 0.001, 0, 50, POINT_MEASURED, POINT_GROUP_GAUGE, "the map says rms or peak"},
    [9] = {9, "vibration_y", "vibration, second radial axis", QUANTITY_ACCELERATION, "m/s2", 0.01, "g", 0.001, 0, 50, POINT_MEASURED, POINT_GROUP_GAUGE, "the map says rms or peak"},
    [10] = {10, "vibration_z", "vibration, axial", QUANTITY_ACCELERATION, "m/s2", 0.01, "g", 0.001, 0, 50, POINT_MEASURED, POINT_GROUP_GAUGE, "often not fitted"},
    [11] = {11, "leakage_current", "leakage current to earth", QUANTITY_SMALL_CURRENT, "mA", 0.01, "mA", 0.01, 0, 25, POINT_MEASURED, POINT_GROUP_GAUGE, "the trend matters more than the value"},
    [12] = {12, "insulation_resistance", "insulation resistance of the downhole circuit", QUANTITY_RESISTANCE, "kohm", 1, "kohm", 1, 0, 20000, POINT_MEASURED, POINT_GROUP_GAUGE, "seen through the gauge circuit; not a bench insulation test"},
    [13] = {13, "gauge_supply_voltage", "gauge supply voltage on the cable", QUANTITY_VOLTAGE, "V", 0.1, "V", 0.1, 20, 150, POINT_MEASURED, POINT_GROUP_GAUGE, "DC, at the surface unit"},
    [14] = {14, "gauge_supply_current", "gauge supply current", QUANTITY_SMALL_CURRENT, "mA", 0.01, "mA", 0.01, 5, 50, POINT_MEASURED, POINT_GROUP_GAUGE, ""},
    [15] = {15, "gauge_status", "gauge status word", QUANTITY_STATE, "", 1, "", 1, 0, 65535, POINT_STATUS, POINT_GROUP_GAUGE, "raw bits; the map gives the meaning"},
    [16] = {16, "surface_unit_temperature", "temperature inside the surface unit", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, -40, 70, POINT_MEASURED, POINT_GROUP_SURFACE, ""},
    [17] = {17, "surface_unit_supply_voltage", "supply voltage of the surface unit", QUANTITY_VOLTAGE, "V", 0.1, "V", 0.1, 22, 28, POINT_MEASURED, POINT_GROUP_SURFACE, "nominal 24 V DC, about 50 W (common practice, no source)"},
    [18] = {18, "tubing_head_pressure", "tubing head pressure", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 0, 20000, POINT_MEASURED, POINT_GROUP_SURFACE, "if wired to an analogue input"},
    [19] = {19, "casing_head_pressure", "casing head (annulus) pressure", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 0, 10000, POINT_MEASURED, POINT_GROUP_SURFACE, "needed for fluid level"},
    [20] = {20, "wellhead_temperature", "flowing wellhead temperature", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, -20, 120, POINT_MEASURED, POINT_GROUP_SURFACE, ""},
    [21] = {21, "drive_frequency", "drive output frequency", QUANTITY_FREQUENCY, "Hz", 0.01, "Hz", 0.01, 0, 80, POINT_MEASURED, POINT_GROUP_DRIVE, "0 = stopped"},
    [22] = {22, "motor_current", "motor current, mean of phases", QUANTITY_CURRENT, "A", 0.1, "A", 0.1, 0, 250, POINT_MEASURED, POINT_GROUP_DRIVE, "the map says which side of the step-up transformer"},
    [23] = {23, "motor_current_a", "motor current, phase A", QUANTITY_CURRENT, "A", 0.1, "A", 0.1, 0, 250, POINT_MEASURED, POINT_GROUP_DRIVE, ""},
    [24] = {24, "motor_current_b", "motor current, phase B", QUANTITY_CURRENT, "A", 0.1, "A", 0.1, 0, 250, POINT_MEASURED, POINT_GROUP_DRIVE, ""},
    [25] = {25, "motor_current_c", "motor current, phase C", QUANTITY_CURRENT, "A", 0.1, "A", 0.1, 0, 250, POINT_MEASURED, POINT_GROUP_DRIVE, ""},
    [26] = {26, "drive_output_voltage", "drive output voltage, line to line", QUANTITY_VOLTAGE, "V", 1, "V", 1, 0, 500, POINT_MEASURED, POINT_GROUP_DRIVE, "before the step-up transformer"},
    [27] = {27, "motor_voltage", "motor voltage at surface, line to line", QUANTITY_VOLTAGE, "V", 1, "V", 1, 0, 5000, POINT_MEASURED, POINT_GROUP_DRIVE, "often computed by the drive"},
    [28] = {28, "dc_bus_voltage", "drive direct-current bus voltage", QUANTITY_VOLTAGE, "V", 1, "V", 1, 0, 900, POINT_MEASURED, POINT_GROUP_DRIVE, ""},
    [29] = {29, "motor_power", "active power to the motor", QUANTITY_POWER, "kW", 0.1, "hp", 0.1, 0, 750, POINT_MEASURED, POINT_GROUP_DRIVE, ""},
    [30] = {30, "power_factor", "power factor", QUANTITY_RATIO, "1", 0.01, "1", 0.01, 0, 1, POINT_MEASURED, POINT_GROUP_DRIVE, ""},
    [31] = {31, "drive_temperature", "drive heat-sink temperature", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, -20, 100, POINT_MEASURED, POINT_GROUP_DRIVE, ""},
    [32] = {32, "drive_run_state", "run state", QUANTITY_STATE, "", 1, "", 1, 0, 3, POINT_STATUS, POINT_GROUP_DRIVE, "0 unknown, 1 stopped, 2 running, 3 tripped; read only"},
    [33] = {33, "drive_fault_code", "last trip code", QUANTITY_COUNT, "", 1, "", 1, 0, 65535, POINT_STATUS, POINT_GROUP_DRIVE, "number only; the map may hold a text"},
    [34] = {34, "pump_differential_pressure", "pump differential pressure", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 0, 50000, POINT_DERIVED, POINT_GROUP_DERIVED, "discharge - intake; same reference on both"},
    [35] = {35, "pump_head", "pump head", QUANTITY_LENGTH, "m", 1, "ft", 1, 0, 5000, POINT_DERIVED, POINT_GROUP_DERIVED, "1000 x kPa / (density kg/m3 x 9.80665)"},
    [36] = {36, "motor_temperature_rise", "motor temperature above intake fluid", QUANTITY_TEMPERATURE_DIFFERENCE, "K", 0.1, "degF", 0.1, 0, 80, POINT_DERIVED, POINT_GROUP_DERIVED, "winding (else oil) - intake"},
    [37] = {37, "fluid_level_above_intake", "fluid level above the pump intake", QUANTITY_LENGTH, "m", 1, "ft", 1, 0, 3000, POINT_DERIVED, POINT_GROUP_DERIVED, "1000 x (intake - casing head) / (density x 9.80665); vertical; ignores the gas column"},
    [38] = {38, "vibration_resultant", "radial vibration, resultant", QUANTITY_ACCELERATION, "m/s2", 0.01, "g", 0.001, 0, 70, POINT_DERIVED, POINT_GROUP_DERIVED, "sqrt(x2 + y2), same kind (rms or peak) on both"},
    [39] = {39, "current_unbalance", "current unbalance", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 0, 20, POINT_DERIVED, POINT_GROUP_DERIVED, "largest departure from the mean / mean x 100"},
    [40] = {40, "intake_pressure_rate", "rate of change of intake pressure", QUANTITY_PRESSURE_RATE, "kPa/h", 1, "psi/h", 0.1, -2000, 2000, POINT_DERIVED, POINT_GROUP_DERIVED, "least squares over a stated window; never across a gap"},
    [41] = {41, "motor_temperature_rate", "rate of change of motor temperature", QUANTITY_TEMPERATURE_RATE, "K/h", 0.1, "degF/h", 0.1, -60, 60, POINT_DERIVED, POINT_GROUP_DERIVED, "least squares over a stated window; never across a gap"},
    [42] = {42, "run_time", "time since the last start", QUANTITY_DURATION, "h", 0.1, "h", 0.1, 0, 100000, POINT_DERIVED, POINT_GROUP_DERIVED, "from 21 or 32; `not_mapped` if neither is mapped"},
    [43] = {43, "gauge_data_age", "age of the newest gauge data, upper bound", QUANTITY_DURATION, "s", 1, "s", 1, 0, 88, POINT_STATUS, POINT_GROUP_CHAIN, "now - read time + gauge refresh"},
    [44] = {44, "line_error_ratio", "failed reads in the last 100", QUANTITY_RATIO, "%", 1, "%", 1, 0, 100, POINT_STATUS, POINT_GROUP_CHAIN, ""},
    [45] = {45, "undelivered_records", "records waiting for delivery", QUANTITY_COUNT, "", 1, "", 1, 0, 1000000, POINT_STATUS, POINT_GROUP_CHAIN, "one per destination"},
    [46] = {46, "journal_time_left", "time until the journal space is used up", QUANTITY_DURATION, "h", 1, "h", 1, 0, 10000, POINT_STATUS, POINT_GROUP_CHAIN, "at the present rate"},
    [47] = {47, "vibration_velocity_x", "vibration velocity, first radial axis", QUANTITY_VELOCITY, "mm/s", 0.01, "in/s", 0.001, 0, 45, POINT_MEASURED, POINT_GROUP_GAUGE, "the map says rms or peak"},
    [48] = {48, "vibration_velocity_y", "vibration velocity, second radial axis", QUANTITY_VELOCITY, "mm/s", 0.01, "in/s", 0.001, 0, 45, POINT_MEASURED, POINT_GROUP_GAUGE, "the map says rms or peak"},
    [49] = {49, "vibration_velocity_z", "vibration velocity, axial", QUANTITY_VELOCITY, "mm/s", 0.01, "in/s", 0.001, 0, 45, POINT_MEASURED, POINT_GROUP_GAUGE, "the map says rms or peak"},
    [50] = {50, "motor_winding_temperature_2", "motor winding temperature, second sensor", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, 40, 200, POINT_MEASURED, POINT_GROUP_GAUGE, "not always fitted"},
    [51] = {51, "motor_load", "motor load", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 0, 120, POINT_MEASURED, POINT_GROUP_DRIVE, "of the rated current or power, as the map says"},
    [52] = {52, "motor_energy", "energy taken by the motor", QUANTITY_ENERGY, "kWh", 1, "kWh", 1, 0, 100000000, POINT_MEASURED, POINT_GROUP_DRIVE, "a counter of the drive; it may start anew"},
    [53] = {53, "datum_pressure", "pressure at the datum", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 500, 60000, POINT_DERIVED, POINT_GROUP_DERIVED, "intake pressure + density x g x (datum depth - gauge depth)"},
    [54] = {54, "submergence", "liquid above the pump intake, with the weight of the gas column", QUANTITY_LENGTH, "m", 1, "ft", 1, 0, 3000, POINT_DERIVED, POINT_GROUP_DERIVED, "p_i = p_c exp(k (D - h)) + annulus density x g x h"},
    [55] = {55, "fluid_level_depth", "vertical depth of the fluid level", QUANTITY_LENGTH, "m", 1, "ft", 1, 0, 4000, POINT_DERIVED, POINT_GROUP_DERIVED, "intake depth - submergence"},
    [56] = {56, "liquid_density", "density of the produced liquid", QUANTITY_DENSITY, "kg/m3", 1, "kg/m3", 1, 700, 1200, POINT_DERIVED, POINT_GROUP_DERIVED, "from the well data: oil gravity, water cut, water density"},
    [57] = {57, "liquid_gradient", "pressure gradient of the produced liquid", QUANTITY_PRESSURE_GRADIENT, "kPa/m", 0.01, "psi/ft", 0.001, 6, 12, POINT_DERIVED, POINT_GROUP_DERIVED, "density x g"},
    [58] = {58, "pump_total_head", "pump head with the spacing of its ports", QUANTITY_LENGTH, "m", 1, "ft", 1, 0, 5000, POINT_DERIVED, POINT_GROUP_DERIVED, "pump head + port spacing"},
    [59] = {59, "head_per_stage", "head of one stage", QUANTITY_LENGTH, "m", 0.01, "ft", 0.1, 0, 20, POINT_DERIVED, POINT_GROUP_DERIVED, "total head / stages"},
    [60] = {60, "reference_head", "pump head at the reference frequency", QUANTITY_LENGTH, "m", 1, "ft", 1, 0, 5000, POINT_DERIVED, POINT_GROUP_DERIVED, "total head x (reference frequency / drive frequency)2"},
    [61] = {61, "reference_rate", "rate through the pump at the reference frequency", QUANTITY_FLOW, "m3/d", 1, "bbl/d", 1, 0, 3000, POINT_DERIVED, POINT_GROUP_DERIVED, "pump rate x reference frequency / drive frequency"},
    [62] = {62, "hydraulic_power", "hydraulic power of the pump", QUANTITY_POWER, "kW", 0.1, "hp", 0.1, 0, 500, POINT_DERIVED, POINT_GROUP_DERIVED, "differential pressure x pump rate"},
    [63] = {63, "electrical_power", "active power from voltage, current and power factor", QUANTITY_POWER, "kW", 0.1, "hp", 0.1, 0, 750, POINT_DERIVED, POINT_GROUP_DERIVED, "sqrt(3) V I pf"},
    [64] = {64, "pump_motor_efficiency", "efficiency of pump and motor", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 0, 85, POINT_DERIVED, POINT_GROUP_DERIVED, "hydraulic power / motor power"},
    [65] = {65, "specific_energy", "energy for a volume of liquid", QUANTITY_SPECIFIC_ENERGY, "kWh/m3", 0.01, "kWh/bbl", 0.01, 0, 50, POINT_DERIVED, POINT_GROUP_DERIVED, "motor power / liquid rate"},
    [66] = {66, "gas_compressibility_factor", "compressibility factor of the gas at the intake", QUANTITY_RATIO, "1", 0.001, "1", 0.001, 0.5, 1.1, POINT_DERIVED, POINT_GROUP_DERIVED, "Sutton 1985; Dranchuk and Abou-Kassem 1975"},
    [67] = {67, "free_gas_fraction", "free gas at the pump intake", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 0, 60, POINT_DERIVED, POINT_GROUP_DERIVED, "Standing's solution gas and oil volume; before any separation"},
    [68] = {68, "turpin_number", "Turpin's number", QUANTITY_RATIO, "1", 0.01, "1", 0.01, 0, 3, POINT_DERIVED, POINT_GROUP_DERIVED, "2000 (q_g / q_l) / (3 p_i psia); stable below 1"},
    [69] = {69, "boiling_margin", "margin of the motor to the boiling point of water", QUANTITY_TEMPERATURE_DIFFERENCE, "K", 0.1, "degF", 0.1, 0, 250, POINT_DERIVED, POINT_GROUP_DERIVED, "saturation temperature at the intake pressure - motor temperature"},
    [70] = {70, "motor_temperature_margin", "margin of the motor to its winding limit", QUANTITY_TEMPERATURE_DIFFERENCE, "K", 0.1, "degF", 0.1, 0, 120, POINT_DERIVED, POINT_GROUP_DERIVED, "winding limit - motor temperature; no allowance for the hot spot"},
    [71] = {71, "reference_insulation", "insulation resistance at the reference temperature", QUANTITY_RESISTANCE, "kohm", 1, "kohm", 1, 0, 1000000, POINT_DERIVED, POINT_GROUP_DERIVED, "R x 2^((T - reference) / 10 K); for trends"},
    [72] = {72, "drawdown", "drawdown", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 0, 30000, POINT_DERIVED, POINT_GROUP_DERIVED, "static pressure - datum pressure"},
    [73] = {73, "productivity_index", "productivity index of the present state", QUANTITY_PRODUCTIVITY, "m3/(d.bar)", 0.01, "bbl/(d.psi)", 0.001, 0, 200, POINT_DERIVED, POINT_GROUP_DERIVED, "liquid rate / drawdown"},
    [74] = {74, "inflow_rate", "rate that the inflow curve gives at the present pressure", QUANTITY_FLOW, "m3/d", 1, "bbl/d", 1, 0, 5000, POINT_DERIVED, POINT_GROUP_DERIVED, "straight line above the bubble point, Vogel below"},
    [75] = {75, "inflow_share", "present rate of the most that the well could give", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 0, 100, POINT_DERIVED, POINT_GROUP_DERIVED, "inflow rate / inflow rate without back pressure"},
    [76] = {76, "electrical_input", "active power at the output of the drive", QUANTITY_POWER, "kW", 0.1, "hp", 0.1, 0, 800, POINT_DERIVED, POINT_GROUP_DERIVED, "motor power as measured there, else motor power / transformer efficiency"},
    [77] = {77, "cable_loss", "power lost in the cable", QUANTITY_POWER, "kW", 0.1, "hp", 0.1, 0, 80, POINT_DERIVED, POINT_GROUP_DERIVED, "3 I2 R of the conductor at its temperature"},
    [78] = {78, "motor_efficiency", "efficiency of the motor", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 60, 95, POINT_DERIVED, POINT_GROUP_DERIVED, "shaft power of the pump curve / power at the motor's terminals"},
    [79] = {79, "pump_efficiency", "efficiency of the pump", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 0, 80, POINT_DERIVED, POINT_GROUP_DERIVED, "hydraulic power / shaft power of the pump curve"},
    [80] = {80, "system_efficiency", "efficiency from the drive's output to the liquid", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 0, 60, POINT_DERIVED, POINT_GROUP_DERIVED, "hydraulic power / electrical input"},
    [81] = {81, "curve_head", "head of the pump curve at the present rate and frequency", QUANTITY_LENGTH, "m", 1, "ft", 1, 0, 5000, POINT_DERIVED, POINT_GROUP_DERIVED, "curve head per stage x stages x (drive frequency / curve frequency)2"},
    [82] = {82, "head_against_curve", "pump head of that of its curve", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 0, 120, POINT_DERIVED, POINT_GROUP_DERIVED, "total head / curve head"},
    [83] = {83, "fetkovich_rate", "rate that Fetkovich's curve gives at the present pressure", QUANTITY_FLOW, "m3/d", 1, "bbl/d", 1, 0, 5000, POINT_DERIVED, POINT_GROUP_DERIVED, "C (static pressure2 - datum pressure2)n"},
    [84] = {84, "intake_pressure_mean_1min", "mean intake pressure of a minute", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 500, 35000, POINT_DERIVED, POINT_GROUP_DERIVED, "time-weighted, each reading held until the next, at most until it is stale"},
    [85] = {85, "intake_pressure_mean_1h", "mean intake pressure of an hour", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 500, 35000, POINT_DERIVED, POINT_GROUP_DERIVED, "as above"},
    [86] = {86, "intake_pressure_mean_24h", "mean intake pressure of a day", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 500, 35000, POINT_DERIVED, POINT_GROUP_DERIVED, "as above"},
    [87] = {87, "intake_pressure_low_24h", "lowest intake pressure of a day", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 500, 35000, POINT_DERIVED, POINT_GROUP_DERIVED, "lowest reading"},
    [88] = {88, "intake_pressure_high_24h", "highest intake pressure of a day", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 500, 35000, POINT_DERIVED, POINT_GROUP_DERIVED, "highest reading"},
    [89] = {89, "intake_pressure_deviation_1h", "standard deviation of the intake pressure over an hour", QUANTITY_PRESSURE, "kPa", 1, "psi", 0.1, 0, 500, POINT_DERIVED, POINT_GROUP_DERIVED, "time-weighted, about the hour's mean"},
    [90] = {90, "intake_pressure_coverage_24h", "share of a day with Good intake pressure", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 0, 100, POINT_DERIVED, POINT_GROUP_DERIVED, "time covered by Good readings / time"},
    [91] = {91, "motor_temperature_mean_1h", "mean motor temperature of an hour", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, 40, 200, POINT_DERIVED, POINT_GROUP_DERIVED, "winding, else oil; time-weighted"},
    [92] = {92, "motor_temperature_mean_24h", "mean motor temperature of a day", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, 40, 200, POINT_DERIVED, POINT_GROUP_DERIVED, "winding, else oil; time-weighted"},
    [93] = {93, "motor_temperature_high_24h", "highest motor temperature of a day", QUANTITY_TEMPERATURE, "degC", 0.1, "degF", 0.1, 40, 200, POINT_DERIVED, POINT_GROUP_DERIVED, "winding, else oil; highest reading"},
    [94] = {94, "motor_current_mean_1min", "mean motor current of a minute", QUANTITY_CURRENT, "A", 0.1, "A", 0.1, 0, 250, POINT_DERIVED, POINT_GROUP_DERIVED, "time-weighted, with the time that the pump stands"},
    [95] = {95, "motor_current_mean_1h", "mean motor current of an hour", QUANTITY_CURRENT, "A", 0.1, "A", 0.1, 0, 250, POINT_DERIVED, POINT_GROUP_DERIVED, "as above"},
    [96] = {96, "motor_current_mean_24h", "mean motor current of a day", QUANTITY_CURRENT, "A", 0.1, "A", 0.1, 0, 250, POINT_DERIVED, POINT_GROUP_DERIVED, "as above"},
    [97] = {97, "motor_current_deviation_1h", "standard deviation of the motor current over an hour", QUANTITY_CURRENT, "A", 0.01, "A", 0.01, 0, 50, POINT_DERIVED, POINT_GROUP_DERIVED, "time-weighted, about the hour's mean"},
    [98] = {98, "drive_frequency_mean_24h", "mean drive frequency of a day", QUANTITY_FREQUENCY, "Hz", 0.01, "Hz", 0.01, 0, 80, POINT_DERIVED, POINT_GROUP_DERIVED, "time-weighted, with the time that the pump stands"},
    [99] = {99, "running_share_24h", "share of a day in which the pump ran", QUANTITY_RATIO, "%", 0.1, "%", 0.1, 0, 100, POINT_DERIVED, POINT_GROUP_DERIVED, "time running / time in which the drive told"},
    [100] = {100, "intake_pressure_robust_rate", "robust rate of change of intake pressure", QUANTITY_PRESSURE_RATE, "kPa/h", 1, "psi/h", 0.1, -2000, 2000, POINT_DERIVED, POINT_GROUP_DERIVED, "median slope of the minutes of an hour (Theil, Sen)"},
    [101] = {101, "motor_temperature_robust_rate", "robust rate of change of motor temperature", QUANTITY_TEMPERATURE_RATE, "K/h", 0.1, "degF/h", 0.1, -60, 60, POINT_DERIVED, POINT_GROUP_DERIVED, "median slope of the minutes of an hour (Theil, Sen)"},
    [102] = {102, "motor_time_to_limit", "time until the motor reaches its winding limit at the present rate", QUANTITY_DURATION, "h", 0.1, "h", 0.1, 0, 1000, POINT_DERIVED, POINT_GROUP_DERIVED, "(winding limit - motor temperature) / robust rate"},
    [103] = {103, "intake_time_to_limit", "time until the intake pressure falls to its limit at the present rate", QUANTITY_DURATION, "h", 0.1, "h", 0.1, 0, 1000, POINT_DERIVED, POINT_GROUP_DERIVED, "(intake pressure - limit) / -robust rate"},
    [104] = {104, "insulation_daily_change", "change of the insulation resistance at the reference temperature in a day", QUANTITY_RATIO, "%", 0.01, "%", 0.01, -20, 20, POINT_DERIVED, POINT_GROUP_DERIVED, "median slope of the logarithm over the days of a month (Theil, Sen)"},
};
/* clang-format on */
_Static_assert(sizeof POINTS / sizeof POINTS[0] == POINT_COUNT, "one row a point number");

const struct point *point_get(unsigned number)
{
    return number >= 1 && number < POINT_COUNT ? &POINTS[number] : NULL;
}

unsigned point_find(const char *id, size_t length)
{
    for (unsigned number = 1; number < POINT_COUNT; number++)
        if (strlen(POINTS[number].id) == length && memcmp(POINTS[number].id, id, length) == 0)
            return number;
    return 0;
}

unit_number point_unit(unsigned number)
{
    const struct point *point = point_get(number);
    if (point == NULL)
        return 0;
    return unit_find(point->unit, strlen(point->unit), point->kind);
}

bool point_needs_confirmation(unsigned number)
{
    const struct point *point = point_get(number);
    return point != NULL &&
           (point->kind == QUANTITY_PRESSURE || point->kind == QUANTITY_TEMPERATURE ||
            point->kind == QUANTITY_ACCELERATION || point->kind == QUANTITY_VELOCITY);
}

int point_is_of_gauge(unsigned number)
{
    const struct point *point = point_get(number);
    return point != NULL && point->group == POINT_GROUP_GAUGE;
}
