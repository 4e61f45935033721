/* SPDX-License-Identifier: Apache-2.0
 *
 * test_unit_doubt.c - 13 kinds of mix-up in 200 random wells each, and 1,000 clean wells: what the
 * detector says of them. `test_unit_doubt table` prints the confusion matrix of docs/units.md;
 * docs_units compares the two.
 *
 * The wells come from hydrostatics, geothermal gradients and a pump that lifts a column, with
 * numbers of their own (common practice, no source): none of the detector's limits is used.
 */
#include "uphole/points.h"
#include "uphole/unit_doubt.h"

#include "check.h"

#include <stdlib.h>

#define WELLS 200
#define CLEAN_WELLS 1000

/* ---- random wells ---- */

static uint64_t chance;
static double share(void)
{
    chance = chance * 6364136223846793005u + 1442695040888963407u;
    return (double)(chance >> 11) / 9007199254740992.0;
}
static double between(double low, double high)
{
    return low + (high - low) * share();
}

enum phase { START_UP, STEADY, DRAW_DOWN, SHUT_IN, RESTART, PHASES };

struct made_well {
    double depth_m, casing_kpa, tubing_kpa, liquid, column, static_kpa,
        flowing_kpa; /* densities kg/m3 */
    double fluid_degc, warm_k;
    bool knows_depth, knows_heads, knows_running, has_discharge, has_discharge_temperature,
        has_winding, has_oil;
};

static struct made_well well_of(uint64_t seed)
{
    chance = seed * 2 + 1;
    for (int i = 0; i < 8; i++)
        share();
    struct made_well well = {.depth_m = between(500, 3600)};
    well.casing_kpa = between(120, 2500), well.tubing_kpa = between(300, 4000);
    well.liquid = between(780, 1080), well.column = well.liquid * between(0.55, 1.0);
    double full = well.casing_kpa + well.liquid * 9.80665e-3 * well.depth_m;
    well.static_kpa = well.casing_kpa + (full - well.casing_kpa) * between(0.45, 0.97);
    well.flowing_kpa =
        fmax(well.casing_kpa + (well.static_kpa - well.casing_kpa) * between(0.06, 0.7),
             well.casing_kpa + 150);
    well.fluid_degc = between(4, 26) + between(0.018, 0.042) * well.depth_m + between(0, 12);
    well.warm_k = between(8, 65);
    well.knows_depth = share() < 0.9, well.knows_heads = share() < 0.5,
    well.knows_running = share() < 0.8;
    well.has_discharge = share() < 0.8, well.has_discharge_temperature = share() < 0.5;
    well.has_winding = share() < 0.8, well.has_oil = !well.has_winding || share() < 0.2;
    return well;
}

struct moment {
    double intake_kpa, discharge_kpa, fluid_degc, discharge_degc, winding_degc;
    bool running;
    int settled; /* as struct unit_well's `running` */
};

/** `at` runs from 0 to 1 through the phase. */
static struct moment moment_of(const struct made_well *well, enum phase phase, double at)
{
    struct moment moment = {.running = phase != SHUT_IN,
                            .settled = phase == SHUT_IN                        ? 0
                                       : phase == STEADY || phase == DRAW_DOWN ? 1
                                                                               : -1};
    double load = 1.0, drawn = 1.0, warm = 1.0;
    if (phase == START_UP || phase == RESTART)
        drawn = at, warm = at * (phase == RESTART ? 1.0 : 0.8),
        load = 0.35 + 0.65 * fmin(1.0, at * 3);
    else if (phase == DRAW_DOWN)
        drawn = 1.0 + 0.1 * at;
    else if (phase == SHUT_IN)
        drawn = exp(-4 * at), warm = exp(-3 * at);
    moment.intake_kpa =
        well->static_kpa - (well->static_kpa - well->flowing_kpa) * fmin(drawn, 1.0);
    if (drawn > 1.0)
        moment.intake_kpa = fmax(well->casing_kpa + 120, well->flowing_kpa * (2.0 - drawn));
    double lifted = well->tubing_kpa + well->column * 9.80665e-3 * well->depth_m * 1.04 * load;
    moment.discharge_kpa = fmax(lifted, moment.intake_kpa * 1.05);
    if (phase == SHUT_IN) /* the column falls back through the pump */
        moment.discharge_kpa =
            moment.intake_kpa * 1.01 + (moment.discharge_kpa - moment.intake_kpa) * exp(-5 * at);
    moment.fluid_degc = well->fluid_degc - 6 * (1 - warm);
    moment.winding_degc = moment.fluid_degc + well->warm_k * warm;
    moment.discharge_degc = moment.fluid_degc + 0.25 * well->warm_k * warm;
    return moment;
}

/* ---- mix-ups ---- */

static const struct mixup {
    const char *name;
    uint8_t pressure, temperature, vibration; /* enum unit_change of all channels of the kind */
    const char *says_pressure, *says_temperature;
    bool gauge; /* gauge and absolute taken for each other: no unit, 1 atmosphere */
} MIXUPS[] = {
    {"psi, map says kPa", UNIT_HOLDS_PSI, 0, 0, "kPa", "degC", false},
    {"psi, map says MPa", UNIT_HOLDS_PSI, 0, 0, "MPa", "degC", false},
    {"kPa, map says psi (converted twice)", UNIT_HOLDS_KPA, 0, 0, "psi", "degC", false},
    {"psi to kPa twice too often", UNIT_PSI_TWICE, 0, 0, "psi", "degC", false},
    {"MPa to psi twice", UNIT_MPA_TWICE, 0, 0, "psi", "degC", false},
    {"bar, map says kPa", UNIT_HOLDS_BAR, 0, 0, "kPa", "degC", false},
    {"MPa, map says kPa", UNIT_HOLDS_MPA, 0, 0, "kPa", "degC", false},
    {"kPa, map says bar", UNIT_HOLDS_KPA, 0, 0, "bar", "degC", false},
    {"degF, map says degC", 0, UNIT_HOLDS_DEGF, 0, "kPa", "degC", false},
    {"degC to degF twice", 0, UNIT_DEGF_TWICE, 0, "kPa", "degC", false},
    {"degC, map says degF", 0, UNIT_HOLDS_DEGC, 0, "kPa", "degF", false},
    {"psi and degF, map says kPa and degC", UNIT_HOLDS_PSI, UNIT_HOLDS_DEGF, 0, "kPa", "degC",
     false},
    {"kgf/cm2, map says bar", UNIT_HOLDS_KGF_CM2, 0, 0, "bar", "degC", false},
    {"g, map says m/s2", 0, 0, UNIT_HOLDS_G, "kPa", "degC", false},
    {"gauge, map says absolute", 0, 0, 0, "kPa", "degC", true},
};
#define MIXUPS_COUNT (sizeof MIXUPS / sizeof *MIXUPS)

static unit_number unit_of(const char *name)
{
    return unit_find(name, strlen(name), QUANTITY_NONE);
}

struct made_input {
    struct unit_channel channels[UNIT_CHANNELS_MAX];
    size_t n;
    struct unit_well well;
};

static void add(struct made_input *input, unsigned point, const char *says, double truth,
                uint8_t change)
{
    struct unit_channel *channel = &input->channels[input->n++];
    *channel = (struct unit_channel){.point = (uint16_t)point, .unit = unit_of(says)};
    double ratio, offset;
    assert_true(unit_change_line(change, channel->unit, &ratio, &offset));
    channel->value = truth * ratio + offset;
}

static struct made_input input_of(const struct made_well *well, const struct moment *moment,
                                  const struct mixup *mixup)
{
    struct made_input input = {0};
    double air = mixup->gauge ? -101.3 : 0.0;
    add(&input, POINT_INTAKE_PRESSURE, mixup->says_pressure, moment->intake_kpa + air,
        mixup->pressure);
    if (well->has_discharge)
        add(&input, POINT_DISCHARGE_PRESSURE, mixup->says_pressure, moment->discharge_kpa + air,
            mixup->pressure);
    add(&input, POINT_INTAKE_TEMPERATURE, mixup->says_temperature, moment->fluid_degc,
        mixup->temperature);
    if (well->has_discharge_temperature)
        add(&input, POINT_DISCHARGE_TEMPERATURE, mixup->says_temperature, moment->discharge_degc,
            mixup->temperature);
    if (well->has_winding)
        add(&input, POINT_MOTOR_WINDING_TEMPERATURE, mixup->says_temperature, moment->winding_degc,
            mixup->temperature);
    if (well->has_oil)
        add(&input, POINT_MOTOR_OIL_TEMPERATURE, mixup->says_temperature, moment->winding_degc - 5,
            mixup->temperature);
    add(&input, POINT_VIBRATION_X, "m/s2", moment->running ? 3.0 : 0.2, mixup->vibration);
    input.well.depth_m = well->knows_depth ? well->depth_m : NAN;
    input.well.casing_head_kpa = well->knows_heads ? well->casing_kpa : NAN;
    input.well.tubing_head_kpa = well->knows_heads ? well->tubing_kpa : NAN;
    input.well.running = well->knows_running ? moment->settled : -1;
    return input;
}

/** What was said of the channels that the mix-up concerns, taken together: the strongest word. */
enum said { SAID_RIGHT, SAID_SOMEHOW, SAID_CANT_TELL, SAID_FITS, SAID_WRONG, SAID_COUNT };
static const char *const SAID[SAID_COUNT] = {"named", "other unit, which is open", "can't tell",
                                             "as configured", "wrong name"};

static enum said said_of(const struct made_input *input, const struct unit_finding *found,
                         const struct mixup *mixup)
{
    bool differs = false, somehow = false, is_wrong = false, cant_tell = false;
    for (size_t i = 0; i < input->n; i++) {
        enum quantity kind = unit_get(input->channels[i].unit)->kind;
        uint8_t meant = kind == QUANTITY_PRESSURE      ? mixup->pressure
                        : kind == QUANTITY_TEMPERATURE ? mixup->temperature
                                                       : mixup->vibration;
        if (found[i].verdict == UNIT_DIFFERS) {
            /* bar and kgf/cm2 are 2 % apart: either name is right */
            double truth =
                unit_change_undo(meant, input->channels[i].unit, input->channels[i].value);
            if (meant == UNIT_AS_CONFIGURED || fabs(found[i].true_value / truth - 1) > 0.03)
                is_wrong = true;
            differs = true;
        }
        somehow = somehow || found[i].verdict == UNIT_DIFFERS_SOMEHOW;
        cant_tell = cant_tell || ((meant != UNIT_AS_CONFIGURED || mixup->gauge) &&
                                  found[i].verdict == UNIT_OPEN);
    }
    if (is_wrong)
        return SAID_WRONG;
    return differs ? SAID_RIGHT : somehow ? SAID_SOMEHOW : cant_tell ? SAID_CANT_TELL : SAID_FITS;
}

struct row {
    unsigned said[SAID_COUNT]; /* wells, by the strongest that was said of them */
};

/** A well's whole story with the mix-up; the detector has no memory, so what it says of a moment it
 * says at the first scan. */
static void judge(const struct mixup *mixup, uint64_t seed, struct row *row)
{
    struct made_well well = well_of(seed);
    enum said best = SAID_FITS;
    for (unsigned phase = 0; phase < PHASES && best != SAID_WRONG; phase++)
        for (double at = 0.1; at < 1.0; at += 0.4) {
            struct moment moment = moment_of(&well, (enum phase)phase, at);
            struct made_input input = input_of(&well, &moment, mixup);
            struct unit_finding found[UNIT_CHANNELS_MAX];
            struct unit_finding again[UNIT_CHANNELS_MAX];
            bool doubted = unit_doubt(input.channels, input.n, &input.well, found);
            assert_int_equal(unit_is_doubted(input.channels, input.n, &input.well, again), doubted);
            enum said said = said_of(&input, found, mixup);
            if (said == SAID_WRONG || (best != SAID_WRONG && said < best))
                best = said;
        }
    row->said[best]++;
}

static void all_mixups(struct row *rows)
{
    for (size_t m = 0; m < MIXUPS_COUNT; m++)
        for (uint64_t seed = 0; seed < WELLS; seed++)
            judge(&MIXUPS[m], seed + 1 + m * 1000, &rows[m]);
}

static void print_table(void)
{
    static struct row rows[MIXUPS_COUNT];
    all_mixups(rows);
    printf("| the registers hold |");
    for (unsigned s = 0; s < SAID_COUNT; s++)
        printf(" %s |", SAID[s]);
    printf("\n|---|");
    for (unsigned s = 0; s < SAID_COUNT; s++)
        printf("---:|");
    printf("\n");
    for (size_t m = 0; m < MIXUPS_COUNT; m++) {
        printf("| %s |", MIXUPS[m].name);
        for (unsigned s = 0; s < SAID_COUNT; s++)
            printf(" %u |", rows[m].said[s]);
        printf("\n");
    }
}

static void hardly_a_mixup_is_given_a_wrong_name(void **state)
{
    (void)state;
    static struct row rows[MIXUPS_COUNT];
    all_mixups(rows);
    for (size_t m = 0; m < MIXUPS_COUNT; m++)
        if (rows[m].said[SAID_WRONG] * 50 > WELLS) /* 2 %: physics gives odds, not proof */
            fail_msg("%s: %u of %u wells get a wrong name", MIXUPS[m].name,
                     rows[m].said[SAID_WRONG], WELLS);
}

static void no_clean_well_is_doubted(void **state)
{
    (void)state;
    static const char *const PRESSURES[] = {"kPa", "MPa", "psi", "bar"}, *const TEMPERATURES[] = {
                                                                             "degC", "degF"};
    for (uint64_t seed = 0; seed < CLEAN_WELLS; seed++) {
        struct made_well well = well_of(seed + 500000);
        struct mixup clean = {.name = "clean",
                              .says_pressure = PRESSURES[seed % 4],
                              .says_temperature = TEMPERATURES[seed / 4 % 2]};
        for (unsigned phase = 0; phase < PHASES; phase++)
            for (double at = 0; at <= 1.0; at += 0.1) {
                struct moment moment = moment_of(&well, (enum phase)phase, at);
                struct made_input input = input_of(&well, &moment, &clean);
                struct unit_finding found[UNIT_CHANNELS_MAX], again[UNIT_CHANNELS_MAX];
                bool doubted = unit_doubt(input.channels, input.n, &input.well, found);
                /* the short way must say the same */
                assert_int_equal(unit_is_doubted(input.channels, input.n, &input.well, again),
                                 doubted);
                if (!doubted)
                    continue;
                for (size_t i = 0; i < input.n; i++)
                    if (found[i].verdict >= UNIT_DIFFERS)
                        fail_msg("well %u, phase %u at %.1f: point %u at %g is doubted (%s, odds "
                                 "%g); depth %g",
                                 (unsigned)seed, phase, at, found[i].point, input.channels[i].value,
                                 unit_change_name(found[i].change), found[i].odds, well.depth_m);
            }
    }
}

int main(int argc, char **argv)
{
    if (argc > 1 && strcmp(argv[1], "table") == 0) {
        print_table();
        return 0;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(hardly_a_mixup_is_given_a_wrong_name),
        cmocka_unit_test(no_clean_well_is_doubted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
