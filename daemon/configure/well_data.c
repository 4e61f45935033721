/* SPDX-License-Identifier: Apache-2.0
 *
 * well_data.c - dated well data: the plain keys by their table, and what hangs together: survey and
 * depths, the pump's curve, tests of the inflow.
 *
 * Tables stand in the plan itself, never as a file's name: the plan is the text by which history is
 * measured. A depth stated along the hole keeps its measured depth there, and its true vertical one
 * is worked out again whenever the text is read.
 */
#include "number_table.h"

#include "uphole/survey.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DEPTH_MOST_M 12000.0
#define RAD_PER_DEG (3.14159265358979323846 / 180.0)

static const char *const DEPTH_KEY[WELL_DEPTHS] = {"intake_depth", "gauge_depth", "datum_depth"};

static double *vertical_of(struct well_data *data, int depth)
{
    double *const at[WELL_DEPTHS] = {&data->intake_depth_m, &data->gauge_depth_m,
                                     &data->datum_depth_m};
    return at[depth];
}

/* ---- survey ---- */

static struct survey_station *stations_of(const struct well_data *data)
{
    struct survey_station *station = calloc((size_t)data->n_survey + 1, sizeof *station);
    for (unsigned i = 0; station != NULL && i < data->n_survey; i++)
        station[i] = (struct survey_station){data->survey[i].md_m,
                                             data->survey[i].inclination_deg * RAD_PER_DEG,
                                             data->survey[i].azimuth_deg * RAD_PER_DEG};
    return station;
}

/** Every course joined once, so that a depth is never the first to find a station amiss. */
static bool survey_is_sound(struct reading_room *room, const struct number_table *table,
                            const struct survey_station *station, size_t n)
{
    for (size_t i = 0; i + 1 < n; i++) {
        struct survey_course course;
        if (survey_course_make(&station[i], &station[i + 1], &course) == SURVEY_GOOD)
            continue;
        number_table_fault(room, table, (unsigned)i + 1,
                           "the hole can't turn back on itself between %g and %g m; look for a "
                           "mistake in inclination or azimuth",
                           station[i].md_m, station[i + 1].md_m);
        return false;
    }
    return true;
}

/** Stations for the depths, to be freed; NULL where there is no sound survey. */
static struct survey_station *survey_make(struct reading_room *room, const struct node *node,
                                          const struct number_table *table, struct well_data *data)
{
    if (!table->has[0] || !table->has[1] || !table->has[2]) {
        fault_at(room->faults, node,
                 "`survey` lacks a column; expected `md [m]`, `inc [deg]` and "
                 "`azi [deg]`");
        return NULL;
    }
    data->survey = calloc(table->n_rows, sizeof *data->survey);
    if (data->survey == NULL)
        return NULL;
    data->n_survey = (uint16_t)table->n_rows;
    for (unsigned i = 0; i < data->n_survey; i++)
        data->survey[i] =
            (struct survey_row){table->cell[3 * i], table->cell[3 * i + 1], table->cell[3 * i + 2]};
    struct survey_station *station = stations_of(data);
    if (station != NULL && survey_is_sound(room, table, station, data->n_survey))
        return station;
    free(station);
    return NULL;
}

static struct survey_station *survey_read(struct reading_room *room, const struct node *node,
                                          struct well_data *data)
{
    static const struct table_column COLUMNS[] = {
        {"md", "measured_depth", QUANTITY_LENGTH, 0, DEPTH_MOST_M},
        {"inc", "inclination", QUANTITY_ANGLE, 0, 180},
        {"azi", "azimuth", QUANTITY_ANGLE, -360, 720}};
    struct number_table table = {.key = "survey",
                                 .n_columns = 3,
                                 .column = COLUMNS,
                                 .rows_max = SURVEY_STATIONS_MAX,
                                 .first_ascends = true};
    struct survey_station *station = NULL;
    if (number_table_read(room, node, &table))
        station = survey_make(room, node, &table, data);
    number_table_free(&table);
    return station;
}

/* ---- depths ---- */

static bool ends_with(const struct node *node, const char *word)
{
    const size_t n = strlen(word);
    return node->kind == NODE_SCALAR && node->length >= n &&
           memcmp(node->text + node->length - n, word, n) == 0;
}

static void depth_read(struct reading_room *room, const struct node *node,
                       const struct survey_station *station, int depth, struct well_data *data)
{
    double *vertical = vertical_of(data, depth), *along = &data->measured_depth_m[depth];
    const char *key = DEPTH_KEY[depth];
    struct survey_position at;
    size_t bad;
    *vertical = *along = NAN;
    if (node == NULL)
        return;
    if (ends_with(node, " MD")) {
        if (!value_quantity(room->faults, node, key, unit_of_kind(QUANTITY_LENGTH), 0, DEPTH_MOST_M,
                            "MD", along))
            return;
        if (station == NULL)
            fault_at(room->faults, node,
                     "`%s: %.60s` is measured along the hole, which needs a "
                     "`survey`; expected one in the same entry, or a true vertical depth (`TVD`)",
                     key, node->text);
        else if (survey_position_at(station, data->n_survey, *along, &at, &bad) == SURVEY_GOOD) {
            *vertical = at.down_m;
            data->beyond_survey[depth] = *along > station[data->n_survey - 1].md_m;
        }
    } else if (ends_with(node, " TVD")) {
        (void)value_quantity(room->faults, node, key, unit_of_kind(QUANTITY_LENGTH), 0,
                             DEPTH_MOST_M, "TVD", vertical);
    } else if (value_is_text(room->faults, node, key, "a depth such as `1850 m TVD`")) {
        fault_at(room->faults, node,
                 "`%s: %.60s` doesn't say what it counts; expected a number, "
                 "its unit and `TVD`, true vertical, or `MD`, along the hole",
                 key, node->text);
    }
}

/* ---- the pump's curve ---- */

enum {
    CURVE_RATE,
    CURVE_STAGE_HEAD,
    CURVE_HEAD,
    CURVE_STAGE_POWER,
    CURVE_POWER,
    CURVE_EFFICIENCY,
    CURVE_COLUMNS
};

static bool curve_columns_are_good(struct reading_room *room, const struct node *node,
                                   const bool *has)
{
    if (!has[CURVE_RATE] || has[CURVE_STAGE_HEAD] == has[CURVE_HEAD])
        fault_at(room->faults, node,
                 "`pump_curve` needs `rate [m3/d]`, and `stage_head [m]` or "
                 "`head [m]`, one of them");
    else if (has[CURVE_STAGE_POWER] && has[CURVE_POWER])
        fault_at(room->faults, node,
                 "`pump_curve` states the power of a stage and of the whole "
                 "pump; expected one of them");
    else
        return true;
    return false;
}

static void curve_read(struct reading_room *room, const struct node *node, struct well_data *data)
{
    static const struct table_column COLUMNS[CURVE_COLUMNS] = {
        [CURVE_RATE] = {"rate", "flow", QUANTITY_FLOW, 0, 50000},
        [CURVE_STAGE_HEAD] = {"stage_head", "head_per_stage", QUANTITY_LENGTH, 0, 200},
        [CURVE_HEAD] = {"head", NULL, QUANTITY_LENGTH, 0, 20000},
        [CURVE_STAGE_POWER] = {"stage_power", "power_per_stage", QUANTITY_POWER, 0, 100},
        [CURVE_POWER] = {"power", NULL, QUANTITY_POWER, 0, 5000},
        [CURVE_EFFICIENCY] = {"efficiency", NULL, QUANTITY_RATIO, 0, 1}};
    struct number_table table = {.key = "pump_curve",
                                 .n_columns = CURVE_COLUMNS,
                                 .column = COLUMNS,
                                 .rows_max = PUMP_CURVE_ROWS_MAX,
                                 .first_ascends = true};
    if (node == NULL)
        return;
    if (number_table_read(room, node, &table) && curve_columns_are_good(room, node, table.has))
        data->n_curve = (uint16_t)table.n_rows;
    for (unsigned i = 0; i < data->n_curve; i++) {
        const double *cell = table.cell + (size_t)i * CURVE_COLUMNS;
        data->curve[i] = (struct pump_curve_row){cell[CURVE_RATE],  cell[CURVE_STAGE_HEAD],
                                                 cell[CURVE_HEAD],  cell[CURVE_STAGE_POWER],
                                                 cell[CURVE_POWER], cell[CURVE_EFFICIENCY]};
    }
    number_table_free(&table);
}

/* ---- tests of the inflow ---- */

static void tests_read(struct reading_room *room, const struct node *list, const char *owner,
                       struct well_data *data)
{
    char name[140];
    if (list == NULL)
        return;
    if (list->kind != NODE_LIST || list->n == 0 || list->n > INFLOW_TESTS_MAX) {
        fault_at(room->faults, list, "`inflow_tests` holds %s; expected a list of 1 to %d tests",
                 list->kind != NODE_LIST ? node_kind_name(list)
                 : list->n > 0           ? "too many"
                                         : "nothing",
                 INFLOW_TESTS_MAX);
        return;
    }
    (void)snprintf(name, sizeof name, "a test in %s", owner);
    for (const struct node *at = list->first; at; at = at->next)
        (void)keys_read(room->faults, at, SECTION_TEST, 0, name, &data->test[data->n_tests++]);
}

void data_read(struct reading_room *room, const struct node *node, const char *owner,
               struct well_data *data)
{
    for (int depth = 0; depth < WELL_DEPTHS; depth++)
        *vertical_of(data, depth) = data->measured_depth_m[depth] = NAN;
    if (!keys_read(room->faults, node, SECTION_DATA, 0, owner, data))
        return;
    const struct node *survey = node_find(node, "survey");
    struct survey_station *station = survey != NULL ? survey_read(room, survey, data) : NULL;
    for (int depth = 0; depth < WELL_DEPTHS && (station != NULL || survey == NULL); depth++)
        depth_read(room, node_find(node, DEPTH_KEY[depth]), station, depth, data);
    free(station);
    curve_read(room, node_find(node, "pump_curve"), data);
    tests_read(room, node_find(node, "inflow_tests"), owner, data);
}

/* ---- canonical text ---- */

static void put_number(struct text_out *out, const char *before, double value)
{
    char text[DECIMAL_TEXT_MAX];
    decimal_to_text(decimal_from_double(value), text);
    text_put(out, "%s%s", before, text);
}

static void put_curve(struct text_out *out, const struct well_data *data)
{
    static const char *const NAMES[CURVE_COLUMNS] = {"rate [m3/d]", "stage_head [m]",
                                                     "head [m]",    "stage_power [kW]",
                                                     "power [kW]",  "efficiency [1]"};
    const struct pump_curve_row *first = &data->curve[0];
    for (unsigned i = 0; i <= data->n_curve; i++) {
        const struct pump_curve_row *row = i > 0 ? &data->curve[i - 1] : first;
        const double cell[CURVE_COLUMNS] = {row->rate_m3_d, row->stage_head_m,
                                            row->head_m,    row->stage_power_kw,
                                            row->power_kw,  row->efficiency_ratio};
        const char *before = "          ";
        for (unsigned c = 0; c < CURVE_COLUMNS; c++) {
            if (isnan(cell[c]))
                continue;
            if (i == 0)
                text_put(out, "%s%s", before, NAMES[c]);
            else
                put_number(out, before, cell[c]);
            before = ",";
        }
        text_put(out, "\n");
    }
}

void data_write(struct text_out *out, const struct well_data *data)
{
    keys_write(out, SECTION_DATA, 0, 8, data);
    if (data->n_survey > 0)
        text_put(out, "        survey: |\n          md [m],inc [deg],azi [deg]\n");
    for (unsigned i = 0; i < data->n_survey; i++) {
        put_number(out, "          ", data->survey[i].md_m);
        put_number(out, ",", data->survey[i].inclination_deg);
        put_number(out, ",", data->survey[i].azimuth_deg);
        text_put(out, "\n");
    }
    const double *const vertical_at[WELL_DEPTHS] = {&data->intake_depth_m, &data->gauge_depth_m,
                                                    &data->datum_depth_m};
    for (int depth = 0; depth < WELL_DEPTHS; depth++) {
        const double along = data->measured_depth_m[depth], vertical = *vertical_at[depth];
        if (isnan(along) && isnan(vertical))
            continue;
        text_put(out, "        %s: ", DEPTH_KEY[depth]);
        put_number(out, "", isnan(along) ? vertical : along);
        text_put(out, " m %s\n", isnan(along) ? "TVD" : "MD");
    }
    if (data->n_curve > 0) {
        text_put(out, "        pump_curve: |\n");
        put_curve(out, data);
    }
    if (data->n_tests > 0)
        text_put(out, "        inflow_tests:\n");
    for (unsigned i = 0; i < data->n_tests; i++) {
        text_put(out, "          -\n");
        keys_write(out, SECTION_TEST, 0, 12, &data->test[i]);
    }
}
