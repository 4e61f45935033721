/* SPDX-License-Identifier: Apache-2.0
 *
 * units.c - the one table of units, with exact factors.
 *
 * Every factor is a fraction of whole numbers, derived from exact bases: 1 ft = 0.3048 m, 1 in =
 * 0.0254 m, 1 lb = 0.45359237 kg, g = 9.80665 m/s2, 1 US gal = 231 in3, 1 bbl = 42 US gal, 1 atm =
 * 101325 Pa, 0 degC = 273.15 K (NIST SP 811 (2008), appendix B). So
 *
 *   1 lbf  = 0.45359237 * 9.80665 N        = 4.4482216152605 N
 *   1 psi  = 1 lbf / (0.0254 m)^2          = 4.4482216152605 / 0.64516 kPa       = 8896443230521 /
 * 1290320000000 kPa 1 hp   = 550 * 0.3048 m * 1 lbf / s    = 745.69987158227022 W                =
 * 37284993579113511 / (5 * 10^16) kW 1 gal  = 231 * (0.0254 m)^3            = 473176473 /
 * 125000000000 m3 1 bbl  = 42 gal                        = 9936705933 / 62500000000 m3
 *
 * Within a kind the unit inside comes first. Kinds stand in the order in which a bare name is
 * looked up: `degF` alone is a temperature. UCUM and Rec 20 codes: UCUM 2.1; UN/ECE Recommendation
 * 20; those marked (m) are from memory. UCUM's special units (Cel, [degF]) are temperatures only: a
 * difference has the code of the kelvin or none.
 */
#include "units.h"

#define SI "BIPM SI Brochure, 9th ed. (2019)"
#define NIST "NIST SP 811 (2008), app. B"
#define ARITHMETIC "arithmetic on the bases of NIST SP 811 (2008), app. B"

#define UNIT(name, kind, ucum, rec20, numerator, addend, denominator, source)                      \
    {                                                                                              \
        {name,  kind, ucum, rec20, (double)(numerator), (double)(addend), (double)(denominator),   \
         source},                                                                                  \
            numerator, denominator, addend                                                         \
    }

/* clang-format off */
static const struct unit_row UNITS[] = {
    UNIT("none", QUANTITY_NONE, NULL, NULL, 1, 0, 1, "no dimension"),

    UNIT("kPa",     QUANTITY_PRESSURE, "kPa",     "KPA", 1, 0, 1, SI),
    UNIT("MPa",     QUANTITY_PRESSURE, "MPa",     "MPA", 1000, 0, 1, SI),
    UNIT("Pa",      QUANTITY_PRESSURE, "Pa",      "PAL", 1, 0, 1000, SI), /* code (m) */
    UNIT("bar",     QUANTITY_PRESSURE, "bar",     "BAR", 100, 0, 1, NIST),
    UNIT("mbar",    QUANTITY_PRESSURE, "mbar",    "MBR", 1, 0, 10, NIST), /* code (m) */
    UNIT("psi",     QUANTITY_PRESSURE, "[psi]",   "PS",  8896443230521, 0, 1290320000000, NIST),
    UNIT("kgf/cm2", QUANTITY_PRESSURE, "kgf/cm2", "E42", 196133, 0, 2000, NIST), /* 9.80665 N / 10^-4 m2 = 98.0665 kPa */
    UNIT("at",      QUANTITY_PRESSURE, "att",     "ATT", 196133, 0, 2000, NIST), /* technical atmosphere = 1 kgf/cm2 */
    UNIT("atm",     QUANTITY_PRESSURE, "atm",     "ATM", 4053, 0, 40, NIST),     /* 101.325 kPa */

    UNIT("degC", QUANTITY_TEMPERATURE, "Cel",    "CEL", 1, 0, 1, SI),
    UNIT("degF", QUANTITY_TEMPERATURE, "[degF]", "FAH", 5, -160, 9, NIST),     /* (x - 32) * 5/9 */
    UNIT("K",    QUANTITY_TEMPERATURE, "K",      "KEL", 100, -27315, 100, SI), /* x - 273.15 */

    UNIT("K",    QUANTITY_TEMPERATURE_DIFFERENCE, "K",  "KEL", 1, 0, 1, SI),
    UNIT("degC", QUANTITY_TEMPERATURE_DIFFERENCE, "K",  "KEL", 1, 0, 1, SI),
    UNIT("degF", QUANTITY_TEMPERATURE_DIFFERENCE, NULL, NULL,  5, 0, 9, NIST),

    UNIT("m/s2", QUANTITY_ACCELERATION, "m/s2", "MSK", 1, 0, 1, SI),
    UNIT("g",    QUANTITY_ACCELERATION, "[g]",  "K40", 196133, 0, 20000, NIST), /* 9.80665 */

    UNIT("mm/s", QUANTITY_VELOCITY, "mm/s",     "C16", 1, 0, 1, SI),
    UNIT("in/s", QUANTITY_VELOCITY, "[in_i]/s", "IU",  127, 0, 5, NIST), /* 25.4 */
    UNIT("m/s",  QUANTITY_VELOCITY, "m/s",      "MTS", 1000, 0, 1, SI),  /* code (m) */

    UNIT("m",            QUANTITY_LENGTH, "m",       "MTR", 1, 0, 1, SI),
    UNIT("ft",           QUANTITY_LENGTH, "[ft_i]",  "FOT", 381, 0, 1250, NIST), /* 0.3048 */
    UNIT("in",           QUANTITY_LENGTH, "[in_i]",  "INH", 127, 0, 5000, NIST), /* 0.0254; code (m) */
    UNIT("mm",           QUANTITY_LENGTH, "mm",      "MMT", 1, 0, 1000, SI),     /* code (m) */
    UNIT("cm",           QUANTITY_LENGTH, "cm",      "CMT", 1, 0, 100, SI),      /* code (m) */
    UNIT("US survey ft", QUANTITY_LENGTH, "[ft_us]", "M51", 1200, 0, 3937, NIST), /* code (m) */

    UNIT("kW",          QUANTITY_POWER, "kW",   "KWT", 1, 0, 1, SI),
    UNIT("W",           QUANTITY_POWER, "W",    "WTT", 1, 0, 1000, SI),
    UNIT("MW",          QUANTITY_POWER, "MW",   "MAW", 1000, 0, 1, SI), /* code (m) */
    UNIT("hp",          QUANTITY_POWER, "[HP]", "BHP", 37284993579113511, 0, 50000000000000000, NIST),
    UNIT("metric hp",   QUANTITY_POWER, NULL,   "HJ",  588399, 0, 800000, NIST), /* 75 m.kgf/s = 735.49875 W */
    UNIT("electric hp", QUANTITY_POWER, NULL,   "K43", 373, 0, 500, NIST),       /* 746 W */

    UNIT("mA", QUANTITY_SMALL_CURRENT, "mA", "4K",  1, 0, 1, SI),
    UNIT("uA", QUANTITY_SMALL_CURRENT, "uA", "B84", 1, 0, 1000, SI),
    UNIT("A",  QUANTITY_SMALL_CURRENT, "A",  "AMP", 1000, 0, 1, SI),

    UNIT("A",  QUANTITY_CURRENT, "A",  "AMP", 1, 0, 1, SI),
    UNIT("mA", QUANTITY_CURRENT, "mA", "4K",  1, 0, 1000, SI),
    UNIT("kA", QUANTITY_CURRENT, "kA", "B22", 1000, 0, 1, SI), /* code (m) */

    UNIT("V",  QUANTITY_VOLTAGE, "V",  "VLT", 1, 0, 1, SI),
    UNIT("kV", QUANTITY_VOLTAGE, "kV", "KVT", 1000, 0, 1, SI),
    UNIT("mV", QUANTITY_VOLTAGE, "mV", "2Z",  1, 0, 1000, SI), /* code (m) */

    UNIT("kohm", QUANTITY_RESISTANCE, "kOhm", "B49", 1, 0, 1, SI),
    UNIT("ohm",  QUANTITY_RESISTANCE, "Ohm",  "OHM", 1, 0, 1000, SI), /* code (m) */
    UNIT("Mohm", QUANTITY_RESISTANCE, "MOhm", "B75", 1000, 0, 1, SI),
    UNIT("Gohm", QUANTITY_RESISTANCE, "GOhm", "A87", 1000000, 0, 1, SI), /* code (m) */

    UNIT("Hz",  QUANTITY_FREQUENCY, "Hz",  "HTZ", 1, 0, 1, SI),
    UNIT("kHz", QUANTITY_FREQUENCY, "kHz", "KHZ", 1000, 0, 1, SI), /* code (m) */
    UNIT("mHz", QUANTITY_FREQUENCY, "mHz", NULL,  1, 0, 1000, SI),

    UNIT("kPa/h",     QUANTITY_PRESSURE_RATE, "kPa/h",     NULL, 1, 0, 1, SI),
    UNIT("psi/h",     QUANTITY_PRESSURE_RATE, "[psi]/h",   NULL, 8896443230521, 0, 1290320000000, NIST),
    UNIT("MPa/h",     QUANTITY_PRESSURE_RATE, "MPa/h",     NULL, 1000, 0, 1, SI),
    UNIT("bar/h",     QUANTITY_PRESSURE_RATE, "bar/h",     NULL, 100, 0, 1, NIST),
    UNIT("kgf/cm2/h", QUANTITY_PRESSURE_RATE, "kgf/cm2/h", NULL, 196133, 0, 2000, NIST),
    UNIT("kPa/min",   QUANTITY_PRESSURE_RATE, "kPa/min",   NULL, 60, 0, 1, SI),
    UNIT("MPa/min",   QUANTITY_PRESSURE_RATE, "MPa/min",   NULL, 60000, 0, 1, SI),
    UNIT("bar/min",   QUANTITY_PRESSURE_RATE, "bar/min",   NULL, 6000, 0, 1, NIST),
    UNIT("psi/min",   QUANTITY_PRESSURE_RATE, "[psi]/min", NULL, 26689329691563, 0, 64516000000, NIST),
    UNIT("kPa/s",     QUANTITY_PRESSURE_RATE, "kPa/s",     NULL, 3600, 0, 1, SI),

    UNIT("K/h",      QUANTITY_TEMPERATURE_RATE, "K/h",   "F10", 1, 0, 1, SI),
    UNIT("degC/h",   QUANTITY_TEMPERATURE_RATE, "K/h",   "F10", 1, 0, 1, SI),
    UNIT("degF/h",   QUANTITY_TEMPERATURE_RATE, NULL,    "J23", 5, 0, 9, NIST),
    UNIT("K/min",    QUANTITY_TEMPERATURE_RATE, "K/min", "F11", 60, 0, 1, SI), /* code (m) */
    UNIT("degC/min", QUANTITY_TEMPERATURE_RATE, "K/min", "F11", 60, 0, 1, SI), /* code (m) */
    UNIT("degF/min", QUANTITY_TEMPERATURE_RATE, NULL,    "J24", 100, 0, 3, NIST), /* 60 * 5/9; code (m) */

    UNIT("s",   QUANTITY_DURATION, "s",   "SEC", 1, 0, 1, SI),
    UNIT("ms",  QUANTITY_DURATION, "ms",  "C26", 1, 0, 1000, SI),
    UNIT("min", QUANTITY_DURATION, "min", "MIN", 60, 0, 1, SI),
    UNIT("h",   QUANTITY_DURATION, "h",   "HUR", 3600, 0, 1, SI),
    UNIT("d",   QUANTITY_DURATION, "d",   "DAY", 86400, 0, 1, SI),

    UNIT("1", QUANTITY_RATIO, "1", "C62", 1, 0, 1, "pure number"), /* code (m) */
    UNIT("%", QUANTITY_RATIO, "%", "P1",  1, 0, 100, "pure number"), /* code (m) */

    UNIT("kWh",  QUANTITY_ENERGY, "kW.h",   "KWH", 1, 0, 1, SI),
    UNIT("MWh",  QUANTITY_ENERGY, "MW.h",   "MWH", 1000, 0, 1, SI), /* code (m) */
    UNIT("Wh",   QUANTITY_ENERGY, "W.h",    "WHR", 1, 0, 1000, SI), /* code (m) */
    UNIT("MJ",   QUANTITY_ENERGY, "MJ",     "3B",  5, 0, 18, SI),   /* 1 / 3.6; code (m) */
    UNIT("hp.h", QUANTITY_ENERGY, "[HP].h", NULL,  37284993579113511, 0, 50000000000000000, NIST),

    UNIT("m3/d",       QUANTITY_FLOW, "m3/d",         "G52", 1, 0, 1, SI),
    UNIT("bbl/d",      QUANTITY_FLOW, "[bbl_us]/d",   "B1",  9936705933, 0, 62500000000, NIST),
    UNIT("m3/h",       QUANTITY_FLOW, "m3/h",         "MQH", 24, 0, 1, SI),
    UNIT("US gal/min", QUANTITY_FLOW, "[gal_us]/min", "G2",  4258588257, 0, 781250000, NIST), /* 1440 gal a day */
    UNIT("L/min",      QUANTITY_FLOW, "L/min",        "L2",  36, 0, 25, SI), /* 1.44 m3/d; code (m) */
    UNIT("L/s",        QUANTITY_FLOW, "L/s",          "G51", 432, 0, 5, SI), /* 86.4 m3/d; code (m) */

    UNIT("m3",     QUANTITY_VOLUME, "m3",       "MTQ", 1, 0, 1, SI),                      /* code (m) */
    UNIT("bbl",    QUANTITY_VOLUME, "[bbl_us]", "BLL", 9936705933, 0, 62500000000, NIST), /* code (m) */
    UNIT("US gal", QUANTITY_VOLUME, "[gal_us]", "GLL", 473176473, 0, 125000000000, NIST), /* code (m) */
    UNIT("ft3",    QUANTITY_VOLUME, "[cft_i]",  "FTQ", 55306341, 0, 1953125000, NIST),    /* code (m) */
    UNIT("L",      QUANTITY_VOLUME, "L",        "LTR", 1, 0, 1000, SI),                   /* code (m) */

    UNIT("kg/m3",     QUANTITY_DENSITY, "kg/m3",            "KMQ", 1, 0, 1, SI),
    UNIT("g/cm3",     QUANTITY_DENSITY, "g/cm3",            "23",  1000, 0, 1, SI),
    UNIT("lb/US gal", QUANTITY_DENSITY, "[lb_av]/[gal_us]", "GE",  736351250, 0, 6145149, NIST),
    UNIT("lb/ft3",    QUANTITY_DENSITY, "[lb_av]/[cft_i]",  "87",  28349523125, 0, 1769802912, NIST), /* code (m) */

    UNIT("kPa/m",  QUANTITY_PRESSURE_GRADIENT, "kPa/m",          "P81", 1, 0, 1, SI),
    UNIT("psi/ft", QUANTITY_PRESSURE_GRADIENT, "[psi]/[ft_i]",   NULL,  8896443230521, 0, 393289536000, NIST),
    UNIT("bar/m",  QUANTITY_PRESSURE_GRADIENT, "bar/m",          NULL,  100, 0, 1, NIST),
    UNIT("MPa/m",  QUANTITY_PRESSURE_GRADIENT, "MPa/m",          NULL,  1000, 0, 1, SI),

    /* A revolution is 2 pi rad, so 1 rad/s = 30/pi r/min; the fraction is a convergent of 30/pi, off by less than 1e-31 of it. */
    UNIT("r/min", QUANTITY_ROTATION, "/min",  "RPM", 1, 0, 1, "ISO 80000-3"),
    UNIT("Hz",    QUANTITY_ROTATION, "/s",    "RPS", 60, 0, 1, "ISO 80000-3"), /* revolutions a second; code (m) */
    UNIT("rad/s", QUANTITY_ROTATION, "rad/s", "2A",  7129656070887379, 0, 746615837830722, "ISO 80000-3"), /* code (m) */

    /* 180/pi, a convergent off by less than 1e-31 of it. */
    UNIT("deg", QUANTITY_ANGLE, "deg", "DD",  1, 0, 1, SI),
    UNIT("rad", QUANTITY_ANGLE, "rad", "C81", 56041457966866918, 0, 978107959139835, SI), /* code (m) */

    UNIT("mPa.s", QUANTITY_VISCOSITY, "mPa.s", "C24", 1, 0, 1, SI),
    UNIT("cP",    QUANTITY_VISCOSITY, "cP",    "C7",  1, 0, 1, NIST),
    UNIT("Pa.s",  QUANTITY_VISCOSITY, "Pa.s",  "C65", 1000, 0, 1, SI), /* code (m) */

    UNIT("mm2/s", QUANTITY_KINEMATIC_VISCOSITY, "mm2/s", "C17", 1, 0, 1, SI),
    UNIT("cSt",   QUANTITY_KINEMATIC_VISCOSITY, "cSt",   "4C",  1, 0, 1, NIST), /* code (m) */
    UNIT("m2/s",  QUANTITY_KINEMATIC_VISCOSITY, "m2/s",  "S4",  1000000, 0, 1, SI), /* code (m) */

    UNIT("m3/(d.bar)",  QUANTITY_PRODUCTIVITY, "m3/(d.bar)",       "G86", 1, 0, 1, SI),
    UNIT("bbl/(d.psi)", QUANTITY_PRODUCTIVITY, "[bbl_us]/d/[psi]", NULL, 4757525194608, 0, 2063182567375, ARITHMETIC), /* bbl / 0.0689... bar */
    UNIT("m3/(d.kPa)",  QUANTITY_PRODUCTIVITY, "m3/(d.kPa)",       NULL, 100, 0, 1, SI),
    UNIT("m3/(d.MPa)",  QUANTITY_PRODUCTIVITY, "m3/(d.MPa)",       NULL, 1, 0, 10, SI),

    UNIT("kVA", QUANTITY_APPARENT_POWER, "kV.A", "KVA", 1, 0, 1, SI),
    UNIT("VA",  QUANTITY_APPARENT_POWER, "V.A",  "D46", 1, 0, 1000, SI), /* code (m) */
    UNIT("MVA", QUANTITY_APPARENT_POWER, "MV.A", "MVA", 1000, 0, 1, SI), /* code (m) */

    UNIT("degAPI", QUANTITY_OIL_GRAVITY, NULL, "J13", 1, 0, 1, "API MPMS ch. 11: 141.5 / (131.5 + degAPI) is the relative density"), /* code (m) */

    UNIT("m3/m3",   QUANTITY_GAS_OIL_RATIO, "m3/m3",            "H60", 1, 0, 1, SI), /* code (m) */
    UNIT("ft3/bbl", QUANTITY_GAS_OIL_RATIO, "[cft_i]/[bbl_us]", NULL,  96, 0, 539, NIST), /* 1728 in3 / 9702 in3 */

    UNIT("kWh/m3",  QUANTITY_SPECIFIC_ENERGY, "kW.h/m3",         NULL, 1, 0, 1, SI),
    UNIT("kWh/bbl", QUANTITY_SPECIFIC_ENERGY, "kW.h/[bbl_us]",   NULL, 62500000000, 0, 9936705933, NIST),

    UNIT("ohm/km",      QUANTITY_RESISTANCE_PER_LENGTH, "Ohm/km", "F56", 1, 0, 1, SI), /* code (m) */
    UNIT("ohm/m",       QUANTITY_RESISTANCE_PER_LENGTH, "Ohm/m",  "H26", 1000, 0, 1, SI), /* code (m) */
    UNIT("ohm/1000 ft", QUANTITY_RESISTANCE_PER_LENGTH, NULL,     NULL,  1250, 0, 381, NIST), /* 1 / 0.3048 */
};
/* clang-format on */

#define UNIT_COUNT (sizeof UNITS / sizeof UNITS[0])

size_t unit_count(void)
{
    return UNIT_COUNT;
}

const struct unit_row *unit_row_get(unit_number id)
{
    return &UNITS[id < UNIT_COUNT ? id : 0];
}

const struct unit *unit_get(unit_number id)
{
    return &unit_row_get(id)->unit;
}

unit_number unit_of_kind(enum quantity kind)
{
    for (unit_number id = 1; id < UNIT_COUNT; id++)
        if (UNITS[id].unit.kind == kind)
            return id;
    return 0;
}

int32_t unit_opc_ua_id(unit_number id)
{
    const char *code = unit_get(id)->rec20;
    int32_t packed = 0;
    if (code == NULL)
        return -1;
    for (; *code != '\0'; code++) /* at most three characters, so 24 bits */
        packed = packed * 256 + (unsigned char)*code;
    return packed;
}
