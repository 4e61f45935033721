/* SPDX-License-Identifier: Apache-2.0
 *
 * test_units.c - conversions against published values, unit codes, spellings, and exact one-step
 * conversions.
 *
 * Planted defects that these must catch, and did: 32 taken off a temperature difference; the
 * rounded 6.895 kPa a psi; one byte of a UnitId swapped; a scale and a unit factor that are
 * multiplied as doubles one after the other.
 */
#include "check.h"
#include "rows_units.h"

#include "uphole/quantity.h"

#define ROWS(table) (sizeof(table) / sizeof(table)[0])

/** The pair of units of one kind that two spellings mean: first the kind of `to`, then that of
 * `from`. */
static bool find_pair(const char *from, const char *to, unit_number *source, unit_number *target)
{
    *target = unit_find(to, strlen(to), QUANTITY_NONE);
    *source = unit_find(from, strlen(from), unit_get(*target)->kind);
    if (*source == 0) {
        *source = unit_find(from, strlen(from), QUANTITY_NONE);
        *target = unit_find(to, strlen(to), unit_get(*source)->kind);
    }
    return *source != 0 && *target != 0;
}

static double convert(double value, const char *from, const char *to)
{
    unit_number source, target;
    if (!find_pair(from, to, &source, &target))
        fail_msg("no pair of units: %s, %s", from, to);
    return unit_convert(value, source, target);
}

static void each_published_conversion_holds(void **state)
{
    (void)state;
    for (size_t i = 0; i < ROWS(CONVERSION_ROWS); i++) {
        const struct conversion_row *row = &CONVERSION_ROWS[i];
        double got = convert(row->input, row->from, row->to);
        check_close(row->id, got, row->expected,
                    row->is_relative ? fabs(row->expected) * row->tolerance : row->tolerance);
    }
}

static void the_exact_step_agrees_with_the_published_conversions(void **state)
{
    (void)state;
    for (size_t i = 0; i < ROWS(CONVERSION_ROWS); i++) {
        const struct conversion_row *row = &CONVERSION_ROWS[i];
        unit_number source, target;
        struct conversion step;
        struct up_error error;
        assert_true(find_pair(row->from, row->to, &source, &target));
        struct decimal one = {1, 0}, none = {0, 0};
        if (conversion_make(one, none, source, target, &step, &error) != UP_OK)
            fail_msg("%s: %s", row->id, error.why);
        check_close(row->id, conversion_apply(&step, row->input), row->expected,
                    row->is_relative ? fabs(row->expected) * row->tolerance : row->tolerance);
    }
}

static void conversions_with_a_reason_of_their_own_hold(void **state)
{
    (void)state;
    /* UNI-015: gauge to absolute takes a stated atmosphere. API MPMS / common practice; NIST SP 811
     * App. B. */
    check_close_relative("UNI-015", 1000 + convert(101.325, "kPa", "psi"), 1014.69594878, 1e-9);
    /* UNI-016: a vacuum is a valid gauge pressure. Arithmetic on NIST SP 811 App. B. */
    check_close("UNI-016", 0.090 - convert(101.325, "kPa", "MPa"), -0.011325, 1e-12);
    /* UNI-017: a difference does not change with the reference. Arithmetic. */
    check_close("UNI-017",
                convert(convert(18.2, "MPa", "kPa") - convert(6.5, "MPa", "kPa"), "kPa", "MPa"),
                11.7, 1e-12);
    /* UNI-033: 10,000 US survey feet are 6 mm more than 10,000 international ones. NIST SP 811 App.
     * B. */
    check_close_relative("UNI-033", convert(10000, "US survey ft", "m"), 3048.006096012, 1e-9);
    check_close_relative("UNI-033", convert(10000, "ft", "m"), 3048, 1e-12);
    /* UNI-045, 046: synchronous speed of a 2-pole motor, one revolution a period. IEC 60034-1
     * terms. */
    unit_number hertz = unit_find("Hz", 2, QUANTITY_ROTATION);
    check_close("UNI-045", unit_convert(50, hertz, unit_of_kind(QUANTITY_ROTATION)), 3000, 0);
    check_close("UNI-046", unit_convert(60, hertz, unit_of_kind(QUANTITY_ROTATION)), 3600, 0);
    /* UNI-047: slip in percent. IEC 60034-1 terms. */
    check_close("UNI-047", convert((3600.0 - 3492.0) / 3600.0, "1", "%"), 3, 1e-9);
    /* UNI-053: peak in/s of a sine to rms mm/s: 25.4 / sqrt 2. UNI-054: a = 2 pi f v; ISO 2041
     * terms. */
    check_close_relative("UNI-053", convert(0.30, "in/s", "mm/s") / sqrt(2), 5.388153672, 1e-9);
    double mps2 = 2 * acos(-1) * 60 * convert(4.5, "mm/s", "m/s");
    check_close_relative("UNI-054", mps2, 1.696460033, 1e-9);
    check_close_relative("UNI-054", convert(mps2, "m/s2", "g"), 0.1729907800, 1e-9);
    /* UNI-064: rho g in kPa/m and psi/ft. NIST SP 811 App. B. */
    check_close_relative("UNI-064", convert(9.80665, "kPa/m", "psi/ft"), 0.433527504001, 1e-9);
    /* UNI-069: there and back in float64. */
    check_close_relative("UNI-069", convert(convert(12.345, "MPa", "psi"), "psi", "MPa"), 12.345,
                         1e-12);
    /* UNI-070: converted once, rounded once. Round half to even, IEEE 754. */
    char text[NUMBER_TEXT_MAX];
    number_to_text(convert(6.8947, "MPa", "psi"), 0.1, text);
    check_text("UNI-070", text, "1000.0");
    /* UNI-071: a revolution is not a radian: 1 r/min is 0.10471975512 rad/s and 0.01666666667
     * rotations a second. */
    check_close_relative("UNI-071", convert(1, "r/min", "rad/s"), 0.10471975512, 1e-9);
    check_close_relative("UNI-071", convert(1, "r/min", "Hz"), 0.01666666667, 1e-9);
    /* UNI-072: 1 degF as a temperature and as a difference. */
    check_close_relative("UNI-072", convert(1, "degF", "K"), 255.928, 1e-5);
    check_close_relative("UNI-072", convert(1, "degF (difference)", "K"), 0.5555555556, 1e-9);
}

static void a_pure_number_formula_needs_no_unit_of_its_own(void **state)
{
    (void)state;
    /* UNI-052: rms to peak of a pure sine; ISO 20816-1 uses rms. UNI-062: API MPMS ch. 11, 141.5 /
     * (131.5 + API). */
    check_close_relative("UNI-052", 4.5 * sqrt(2), 6.363961031, 1e-9);
    check_close_relative("UNI-062", 141.5 / (131.5 + 35), 0.8498498498, 1e-9);
    /* degAPI has no linear factor, so it converts to nothing but itself. */
    unit_number api = unit_find("API", 3, QUANTITY_NONE),
                density = unit_find("kg/m3", 5, QUANTITY_NONE);
    assert_true(api != 0 && isnan(unit_convert(35, api, density)));
    assert_int_equal(unit_find("\xC2\xB0"
                               "API",
                               5, QUANTITY_NONE),
                     api);
}

static unit_number by_name(const char *name, enum quantity kind)
{
    unit_number id = unit_find(name, strlen(name), kind);
    if (id == 0)
        fail_msg("no unit %s of %s", name, quantity_name(kind));
    return id;
}

static void each_published_code_stands_in_the_table(void **state)
{
    (void)state;
    for (size_t i = 0; i < ROWS(CODE_ROWS); i++) {
        const struct code_row *row = &CODE_ROWS[i];
        unit_number id = by_name(row->unit, QUANTITY_NONE);
        check_text(row->id, unit_get(id)->ucum, row->ucum);
        check_text(row->id, unit_get(id)->rec20, row->rec20);
        check_count(row->id, unit_opc_ua_id(id), row->opc_ua);
    }
}

static void a_unit_without_a_common_code_says_so(void **state)
{
    (void)state;
    /* COD-042, 043, 058: UN/ECE Rec 20; OPC 10000-8. */
    static const char *const WITHOUT[][2] = {
        {"psi/ft", "[psi]/[ft_i]"}, {"bbl/(d·psi)", "[bbl_us]/d/[psi]"}, {"kPa/h", "kPa/h"}};
    for (size_t i = 0; i < ROWS(WITHOUT); i++) {
        unit_number id = by_name(WITHOUT[i][0], QUANTITY_NONE);
        check_text(WITHOUT[i][0], unit_get(id)->ucum, WITHOUT[i][1]);
        assert_null(unit_get(id)->rec20);
        check_count(WITHOUT[i][0], unit_opc_ua_id(id), -1);
    }
    /* COD-048: B1 packs to 16945 for a client that takes plain Rec 20. */
    check_count("COD-048", unit_opc_ua_id(by_name("bbl/d", QUANTITY_NONE)), 16945);
    /* COD-059: degF/h is J23 in Rec 20 and nothing in UCUM. */
    unit_number rate = by_name("°F/h", QUANTITY_NONE);
    assert_null(unit_get(rate)->ucum);
    check_text("COD-059", unit_get(rate)->rec20, "J23");
    /* COD-010: a difference has the kelvin's code or none, never Cel or [degF]. */
    assert_null(unit_get(by_name("degF", QUANTITY_TEMPERATURE_DIFFERENCE))->ucum);
    check_count("unit 0", unit_opc_ua_id(0), -1);
}

static void no_unit_carries_a_ucum_code_that_means_something_else(void **state)
{
    (void)state;
    /* COD-044, 045, 046: `ft` is a femtotonne, `C` a coulomb, `psi` nothing. UCUM. COD-047: no code
     * holds a reference. */
    static const char *const WRONG[] = {"ft",  "C",   "psi", "F",  "h.",   "rpm",
                                        "gal", "bbl", "lb",  "hp", "psia", "psig"};
    for (unit_number id = 1; id < unit_count(); id++)
        for (size_t i = 0; i < ROWS(WRONG); i++)
            if (unit_get(id)->ucum != NULL && strcmp(unit_get(id)->ucum, WRONG[i]) == 0)
                fail_msg("%s has the UCUM code %s", unit_get(id)->name, WRONG[i]);
    check_text("COD-044", unit_get(by_name("ft", QUANTITY_LENGTH))->ucum, "[ft_i]");
    check_text("COD-045", unit_get(by_name("C", QUANTITY_TEMPERATURE))->ucum, "Cel");
    check_text("COD-046", unit_get(by_name("psi", QUANTITY_PRESSURE))->ucum, "[psi]");
    check_text("COD-047", unit_get(by_name("bar", QUANTITY_PRESSURE))->ucum, "bar");
    static const char *const NO_UNITS[] = {"psi absolute", "psi gauge", "psia", "psig", "bara",
                                           "barg",         "kPa abs",   "",     " ",    "kpa",
                                           "mpa",          "degc",      "none", "MΩΩ",  "\xFF"};
    for (size_t i = 0; i < ROWS(NO_UNITS); i++)
        check_count(NO_UNITS[i], unit_find(NO_UNITS[i], strlen(NO_UNITS[i]), QUANTITY_NONE), 0);
}

static void spellings_that_people_use_are_found(void **state)
{
    (void)state;
    static const struct {
        const char *spelling, *name;
        enum quantity kind;
    } SPELLINGS[] = {
        {"°C", "degC", QUANTITY_TEMPERATURE},
        {"°F", "degF", QUANTITY_TEMPERATURE},
        {"F", "degF", QUANTITY_TEMPERATURE},
        {"°F (difference)", "degF", QUANTITY_TEMPERATURE_DIFFERENCE},
        {"°C (difference)", "degC", QUANTITY_TEMPERATURE_DIFFERENCE},
        {"kgf/cm²", "kgf/cm2", QUANTITY_PRESSURE},
        {"technical atmosphere", "at", QUANTITY_PRESSURE},
        {"standard atmosphere", "atm", QUANTITY_PRESSURE},
        {"MΩ", "Mohm", QUANTITY_RESISTANCE},
        {"kΩ", "kohm", QUANTITY_RESISTANCE},
        {"k\xE2\x84\xA6", "kohm", QUANTITY_RESISTANCE},
        {"\xC2\xB5"
         "A",
         "uA", QUANTITY_SMALL_CURRENT},
        {"\xCE\xBC"
         "A",
         "uA", QUANTITY_SMALL_CURRENT},
        {"m³/d", "m3/d", QUANTITY_FLOW},
        {"m/s²", "m/s2", QUANTITY_ACCELERATION},
        {"g/cm³", "g/cm3", QUANTITY_DENSITY},
        {"bbl (42 US gal)", "bbl", QUANTITY_VOLUME},
        {"hp (550 ft·lbf/s)", "hp", QUANTITY_POWER},
        {"hp (550 ft.lbf/s)", "hp", QUANTITY_POWER},
        {"hp·h (550 ft·lbf/s)", "hp.h", QUANTITY_ENERGY},
        {"kW·h", "kWh", QUANTITY_ENERGY},
        {"kW.h", "kWh", QUANTITY_ENERGY},
        {"kV·A", "kVA", QUANTITY_APPARENT_POWER},
        {"mPa·s", "mPa.s", QUANTITY_VISCOSITY},
        {"m³/(d·bar)", "m3/(d.bar)", QUANTITY_PRODUCTIVITY},
        {"rpm", "r/min", QUANTITY_ROTATION},
        {"rev/s", "Hz", QUANTITY_ROTATION},
        {"API", "degAPI", QUANTITY_OIL_GRAVITY},
        {"days", "d", QUANTITY_DURATION},
    };
    for (size_t i = 0; i < ROWS(SPELLINGS); i++) {
        const struct unit *unit = unit_get(by_name(SPELLINGS[i].spelling, QUANTITY_NONE));
        check_text(SPELLINGS[i].spelling, unit->name, SPELLINGS[i].name);
        check_count(SPELLINGS[i].spelling, unit->kind, SPELLINGS[i].kind);
    }
}

static void a_name_is_looked_up_within_the_kind_asked_for(void **state)
{
    (void)state;
    unit_number temperature = unit_find("degF", 4, QUANTITY_TEMPERATURE);
    unit_number difference = unit_find("degF", 4, QUANTITY_TEMPERATURE_DIFFERENCE);
    assert_true(temperature != 0 && difference != 0 && temperature != difference);
    check_count("bare degF", unit_find("degF", 4, QUANTITY_NONE), temperature);
    check_count("a difference is no temperature",
                unit_find("°F (difference)", 16, QUANTITY_TEMPERATURE), 0);
    check_count("g is no velocity", unit_find("g", 1, QUANTITY_VELOCITY), 0);
    check_count("psi is no rate", unit_find("psi", 3, QUANTITY_PRESSURE_RATE), 0);
    assert_true(isnan(unit_convert(1, temperature, difference)));
}

static void the_table_keeps_its_own_rules(void **state)
{
    (void)state;
    for (unit_number id = 1; id < unit_count(); id++) {
        const struct unit *unit = unit_get(id);
        unit_number own = unit_of_kind(unit->kind);
        assert_true(unit->numerator > 0 && unit->denominator > 0);
        check_count(unit->name, unit_find(unit->name, strlen(unit->name), unit->kind), id);
        if (id == own && (unit->numerator != 1 || unit->addend != 0 || unit->denominator != 1))
            fail_msg("%s is the unit inside of %s, but has a factor", unit->name,
                     quantity_name(unit->kind));
        check_count(
            unit->name,
            quantity_from_name(quantity_name(unit->kind), strlen(quantity_name(unit->kind))),
            unit->kind);
        assert_non_null(unit->source);
    }
    check_text("unit 0", unit_get(0)->name, "none");
    check_text("beyond", unit_get(60000)->name, "none");
    check_count("temp_difference", quantity_from_name("temp_difference", 15),
                QUANTITY_TEMPERATURE_DIFFERENCE);
    check_count("pressure_rate", quantity_from_name("pressure_rate", 13), QUANTITY_PRESSURE_RATE);
    check_count("nonsense", quantity_from_name("nonsense", 8), QUANTITY_NONE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_published_conversion_holds),
        cmocka_unit_test(the_exact_step_agrees_with_the_published_conversions),
        cmocka_unit_test(conversions_with_a_reason_of_their_own_hold),
        cmocka_unit_test(a_pure_number_formula_needs_no_unit_of_its_own),
        cmocka_unit_test(each_published_code_stands_in_the_table),
        cmocka_unit_test(a_unit_without_a_common_code_says_so),
        cmocka_unit_test(no_unit_carries_a_ucum_code_that_means_something_else),
        cmocka_unit_test(spellings_that_people_use_are_found),
        cmocka_unit_test(a_name_is_looked_up_within_the_kind_asked_for),
        cmocka_unit_test(the_table_keeps_its_own_rules),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
