/* SPDX-License-Identifier: Apache-2.0
 *
 * exercise_faults.c - the table of faults to practise. A new one is a row: the maps with which it
 * can be, what puts it in and says the right answer, the evidence, the trap.
 */
#include "exercise.h"

#include <math.h>
#include <string.h>

#include "registers.h"

#define SCALED "scaled-16"
#define FLOATS "float-low-first"

enum { TURN_A = 16, TURN_B, TURN_C }; /* beyond those that all exercises draw */

static struct virtual_unit_options *unit_of(struct exercise *exercise)
{
    return &exercise->cabinet.units[0];
}

/* ---- the line ---- */

static enum up_rc put_unit_id(struct exercise *exercise, struct up_error *error)
{
    const unsigned paper = exercise->paper_unit_id;
    const unsigned other = (paper + exercise_draw(exercise, TURN_A, 58)) % 60 + 1; /* never it */
    unit_of(exercise)->unit_id = (uint8_t)other;
    return exercise_set_answer(exercise, error, "unit id %u", other);
}

static const struct {
    uint32_t baud;
    char parity;
} OTHER_SETTINGS[] = {{9600, 'N'},   {19200, 'E'}, {19200, 'N'}, {9600, 'E'}, {38400, 'N'},
                      {115200, 'N'}, {57600, 'N'}, {9600, 'O'},  {4800, 'N'}, {38400, 'E'}};
#define OTHER_SETTINGS_N (sizeof OTHER_SETTINGS / sizeof OTHER_SETTINGS[0])

static enum up_rc put_settings(struct exercise *exercise, struct up_error *error)
{
    struct line_plan *line = &exercise->cabinet.line;
    unsigned at = exercise_draw(exercise, TURN_A, OTHER_SETTINGS_N);
    if (OTHER_SETTINGS[at].baud == line->baud && OTHER_SETTINGS[at].parity == line->parity)
        at = (at + 1) % OTHER_SETTINGS_N;
    line->baud = OTHER_SETTINGS[at].baud;
    line->parity = OTHER_SETTINGS[at].parity;
    return exercise_set_answer(exercise, error, "settings %u 8%c1", line->baud, line->parity);
}

static enum up_rc put_controller(struct exercise *exercise, struct up_error *error)
{
    struct simulate_controller *controller = &exercise->cabinet.controller;
    const struct map *map = &exercise->map;
    const struct channel *first = map_channel(map, POINT_INTAKE_PRESSURE);
    const unsigned every_s = 2 + 2 * exercise_draw(exercise, TURN_A, 3);
    if (!first || !map->has_status)
        return UP_FAIL(error, UP_E_RANGE, "the map %s has no status and intake pressure to ask for",
                       map->name);
    *controller = (struct simulate_controller){
        .every_ms = every_s * 1000, .unit_id = unit_of(exercise)->unit_id, .n_questions = 2};
    controller->question[0] = (struct read_request){map->status_table, map->status_address, 1};
    controller->question[1] = (struct read_request){
        first->table, first->address, (uint16_t)(4 + 2 * exercise_draw(exercise, TURN_B, 6))};
    return exercise_set_answer(exercise, error, "another master every %u s", every_s);
}

/* Three ways in which few bytes come, or odd ones; the person is to tell them apart. */
static enum up_rc put_wiring(struct exercise *exercise, struct up_error *error)
{
    struct simulate_line *cabinet = &exercise->cabinet;
    switch (exercise_draw(exercise, TURN_A, 3)) {
    case 0:
        cabinet->pair.swapped = true;
        return exercise_set_answer(exercise, error, "swapped pair");
    case 1:
        cabinet->pair.no_bias = true;
        return exercise_set_answer(exercise, error, "missing bias");
    default:
        exercise->paper.medium = cabinet->line.medium = LINE_MEDIUM_TCP;
        cabinet->n_units = 0; /* behind the converter nobody answers */
        cabinet->missing_exception =
            exercise_draw(exercise, TURN_B, 2) ? MODBUS_PATH_UNAVAILABLE : MODBUS_TARGET_SILENT;
        return exercise_set_answer(exercise, error, "converter exception %02X",
                                   cabinet->missing_exception);
    }
}

/* ---- the map ---- */

static void shift(uint16_t *address, int by)
{
    *address = (uint16_t)(*address + by);
}

/* The unit keeps everything one register higher or lower than the office's map says. What must
 * never be touched stays where it is. */
static enum up_rc put_off_by_one(struct exercise *exercise, struct up_error *error)
{
    struct map *truth = &exercise->truth;
    const bool has_room = truth->has_status && truth->status_address > 0;
    const int by = has_room && exercise_draw(exercise, TURN_A, 2) ? -1 : 1;
    for (unsigned i = 0; i < truth->n_channels; i++)
        shift(&truth->channel[i].address, by);
    for (unsigned i = 0; i < truth->n_readable; i++) {
        if (truth->readable[i].first > 0 || by > 0)
            shift(&truth->readable[i].first, by);
        shift(&truth->readable[i].last, by);
    }
    shift(&truth->status_address, by);
    shift(&truth->counter_address, by);
    shift(&truth->unit_register_address, by);
    for (unsigned i = 0; i < truth->n_unit_registers; i++)
        shift(&truth->unit_registers[i].address, by);
    return exercise_set_answer(exercise, error, "off by one %s", by > 0 ? "higher" : "lower");
}

static const struct {
    enum word_order words;
    enum byte_order bytes;
    const char *says;
} ORDERS[] = {{WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, "high word first"},
              {WORDS_HIGH_FIRST, BYTES_LOW_FIRST, "high word first, bytes swapped"},
              {WORDS_LOW_FIRST, BYTES_LOW_FIRST, "low word first, bytes swapped"}};

static enum up_rc put_word_order(struct exercise *exercise, struct up_error *error)
{
    struct map *truth = &exercise->truth;
    const unsigned order = exercise_draw(exercise, TURN_A, 3);
    for (unsigned i = 0; i < truth->n_channels; i++) {
        struct channel *channel = &truth->channel[i];
        if (channel->n_words != 2 || channel->type == TYPE_TEXT)
            continue;
        for (unsigned m = 0; m < channel->n_markers; m++) {
            struct marker *marker = &channel->not_fitted[m];
            const uint64_t bits = (uint64_t)marker->words[1] << 16 | marker->words[0];
            put_registers(marker->words, 2, ORDERS[order].words, ORDERS[order].bytes, bits);
        }
        channel->words = (uint8_t)ORDERS[order].words;
        channel->bytes = (uint8_t)ORDERS[order].bytes;
    }
    return exercise_set_answer(exercise, error, "word order %s", ORDERS[order].says);
}

/* ---- units ---- */

/* No power of ten of the map's own unit among them: bar for MPa is the same as a scale that is off.
 */
static const struct {
    const char *map;
    enum quantity kind;
    const char *unit;
    struct decimal scale; /* of whole numbers; a float32 holds the value itself */
} OTHER_UNITS[] = {
    {SCALED, QUANTITY_PRESSURE, "psi", {1, 0}},
    {SCALED, QUANTITY_PRESSURE, "kgf/cm2", {1, -1}},
    {SCALED, QUANTITY_TEMPERATURE, "degF", {1, -1}},
    {FLOATS, QUANTITY_PRESSURE, "bar", {1, 0}},
    {FLOATS, QUANTITY_PRESSURE, "kgf/cm2", {1, 0}},
    {FLOATS, QUANTITY_TEMPERATURE, "degC", {1, 0}},
};
#define OTHER_UNITS_N (sizeof OTHER_UNITS / sizeof OTHER_UNITS[0])

static enum up_rc put_unit(struct exercise *exercise, struct up_error *error)
{
    struct map *truth = &exercise->truth;
    unsigned at = exercise_draw(exercise, TURN_A, OTHER_UNITS_N);
    while (strcmp(OTHER_UNITS[at].map, truth->name) != 0)
        at = (at + 1) % OTHER_UNITS_N;
    const enum quantity kind = OTHER_UNITS[at].kind;
    const unit_number unit = unit_find(OTHER_UNITS[at].unit, strlen(OTHER_UNITS[at].unit), kind);
    for (unsigned i = 0; i < truth->n_channels; i++) {
        struct channel *channel = &truth->channel[i];
        const struct point *point = point_get(channel->point);
        if (!point || point->kind != kind)
            continue;
        channel->unit = unit;
        channel->scale = OTHER_UNITS[at].scale;
        enum up_rc rc = conversion_make(channel->scale, channel->offset, unit,
                                        point_unit(channel->point), &channel->to_point, error);
        if (rc != UP_OK)
            return rc;
    }
    exercise->shows_map_units = exercise_draw(exercise, TURN_B, 2) == 1;
    return exercise_set_answer(exercise, error, "unit %s %s",
                               kind == QUANTITY_PRESSURE ? "pressure" : "temperature",
                               OTHER_UNITS[at].unit);
}

/* A marker that the unit converts like a value: 65.535 MPa is 9505.05 psi, 0 degC is 32 degF
 * (common practice, no source). The factors are those of the table of units. */
#define MARKER_KPA 65535.0
#define MARKER_DEGC 0.0

static const uint16_t MISSING[][3] = {
    {POINT_DISCHARGE_PRESSURE, POINT_DISCHARGE_TEMPERATURE, POINT_NONE},
    {POINT_DISCHARGE_TEMPERATURE, POINT_NONE, POINT_NONE},
    {POINT_MOTOR_WINDING_TEMPERATURE, POINT_NONE, POINT_NONE},
};

static enum up_rc put_not_fitted(struct exercise *exercise, struct up_error *error)
{
    struct virtual_unit_options *unit = unit_of(exercise);
    const uint16_t *missing =
        MISSING[exercise_draw(exercise, TURN_A, sizeof MISSING / sizeof MISSING[0])];
    unit->no_discharge = false;
    exercise->is_ordered[POINT_DISCHARGE_PRESSURE] = true;
    exercise->is_ordered[POINT_DISCHARGE_TEMPERATURE] = true;
    for (unsigned i = 0; missing[i] != POINT_NONE; i++) {
        const unsigned point = missing[i];
        const bool is_pressure = point == POINT_DISCHARGE_PRESSURE;
        struct encoded encoded;
        struct channel *channel = NULL;
        for (unsigned c = 0; c < exercise->truth.n_channels; c++)
            if (exercise->truth.channel[c].point == point)
                channel = &exercise->truth.channel[c];
        if (!channel || channel->n_words > 4)
            return UP_FAIL(error, UP_E_RANGE, "the map %s has no %s", exercise->map.name,
                           point_get(point)->id);
        channel->n_markers = 0;
        registers_encode(channel, is_pressure ? MARKER_KPA : MARKER_DEGC, "", &encoded);
        channel->n_markers = 1;
        channel->not_fitted[0].n_words = (uint8_t)encoded.n;
        memcpy(channel->not_fitted[0].words, encoded.words, encoded.n * sizeof encoded.words[0]);
        unit->not_fitted[point] = true;
        exercise->is_ordered[point] = false;
        exercise->shown[point] = encoded.value;
    }
    return exercise_set_answer(exercise, error, "not fitted %s", point_get(missing[0])->id);
}

/* ---- the table ---- */

const struct exercise_row EXERCISE_ROWS[EXERCISES] = {
    {{SCALED, FLOATS},
     put_unit_id,
     "`uphole find` with the paper's unit id counts questions and not one byte; without --unit-id, "
     "at the "
     "paper's speed and frame, it finds the unit under another id.",
     "A unit that is asked by another id is as silent as a cut wire. The paper is about how the "
     "unit "
     "left the workshop, not about how it stands here."},
    {{SCALED, FLOATS},
     put_settings,
     "`uphole find` at the paper's settings gets no answer; without --speed and --frame it tries "
     "all of "
     "them and finds the unit.",
     "A unit that is asked at another speed or parity does not understand that it was asked, so it "
     "is "
     "silent, and nothing tells that from a wrong unit id. Only one of the two is changed at a "
     "time."},
    {{SCALED, FLOATS},
     put_off_by_one,
     "`uphole find` says of the map: addresses may be off by one; the status word is no state that "
     "the map "
     "knows. `uphole compare` calls a channel its neighbour.",
     "Documents count registers from 0 or from 1. Each value is then its neighbour's, and some of "
     "them "
     "look plausible; half of two float32 values is no value at all."},
    {{FLOATS, NULL},
     put_word_order,
     "`uphole find` says of the map: word order, and shows one channel in all four orders; one of "
     "them is "
     "what the screen shows.",
     "Modbus orders the bytes in a register, and nobody orders the registers of a float32. Nothing "
     "refuses the wrong order: it decodes to some number."},
    {{SCALED, FLOATS},
     put_unit,
     "`uphole compare` with what the screen shows finds the ratio or the offset of two units, and "
     "names them.",
     "Whoever set the unit chose other units than the document's. The number stays plausible: 1233 "
     "psi "
     "read as 1.233 MPa is a pressure that some well has."},
    {{FLOATS, NULL},
     put_not_fitted,
     "`uphole read` shows a value that never moves for a sensor that the gauge was ordered "
     "without, and "
     "`uphole compare` calls it no measurement: 9505 psi is 65.535 MPa, 32 degF is 0 degC.",
     "The unit converts its own not-fitted marker like a value, so the marker of the map never "
     "comes, "
     "and the screen shows the same number: a look at both says that all is well."},
    {{SCALED, FLOATS},
     put_controller,
     "`uphole find` listens first: it names the other master's questions and their period before a "
     "byte is "
     "sent.",
     "Whoever asks without listening finds the unit at once, and spoils an answer now and then "
     "that a "
     "drive waits for."},
    {{SCALED, FLOATS},
     put_wiring,
     "`uphole find` counts what came: frames with all bits turned are a swapped pair; good answers "
     "with "
     "stray bytes around, and stray bytes in silence, a pair without bias; exceptions 0A or 0B are "
     "a "
     "converter's own words (`uphole status` says which).",
     "Each of them looks like a dead unit, or like noise, to whoever doesn't count bytes. Letters "
     "A and B "
     "mean opposite things on some devices; a good answer now and then hides missing bias for "
     "months."},
};
