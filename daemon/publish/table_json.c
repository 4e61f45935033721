/* SPDX-License-Identifier: Apache-2.0
 *
 * table_json.c - the layout as one JSON document; the caution is its first member, on the first
 * line.
 */
#include "table_print.h"

#include "uphole/json.h"

#include <stdlib.h>

#define JSON_ROOM (256 * 1024)

static void put_field(struct json *json, const struct field_row *row)
{
    json_open(json, '{');
    json_put_unsigned(json, "offset", row->at);
    json_put_unsigned(json, "registers", row->words);
    json_put_text(json, "type", layout_type_name(row->type));
    json_put_text(json, "name", row->name);
    json_put_text(json, "unit", row->unit[0] != '\0' ? row->unit : NULL);
    json_put_text(json, "content", row->text);
    json_close(json, '}');
}

static void put_views(struct json *json, const struct destination_plan *destination)
{
    json_put_open(json, "views", '[');
    for (unsigned v = 0; v < destination->n_views; v++) {
        const struct view *view = &destination->views[v];
        char text[NUMBER_TEXT_MAX];
        json_open(json, '{');
        json_put_unsigned(json, "unit_id", view->unit_id);
        json_put_text(json, "unit_set", print_unit_set(view));
        json_put_text(json, "word_order", print_word_order(view));
        json_put_text(json, "without_value", print_missing(view, text));
        json_close(json, '}');
    }
    json_close(json, ']');
}

static void put_wells(struct json *json, const struct plan *plan)
{
    json_put_open(json, "wells", '[');
    for (unsigned w = 0; plan != NULL && w < plan->n_wells; w++) {
        const struct well_plan *well = &plan->wells[w];
        json_open(json, '{');
        json_put_text(json, "well", well->id);
        json_put_text(json, "label", well->label);
        json_put_unsigned(json, "block", well->table_block);
        json_put_unsigned(json, "first_register", print_first_register(well));
        json_put_unsigned(json, "first_input_register",
                          TABLE_INPUT_BASE + print_first_register(well));
        json_put_unsigned(json, "first_holding_register",
                          TABLE_HOLDING_BASE + print_first_register(well));
        json_put_unsigned(json, "identification_object", 0x80u + well->table_block);
        json_put_open(json, "references", '{');
        for (unsigned p = 1; p < POINT_COUNT; p++) {
            const char *reference = print_reference(plan, well, p);
            if (reference[0] == '\0')
                continue;
            json_put_text(json, point_get(p)->id, reference);
        }
        json_close(json, '}');
        json_close(json, '}');
    }
    json_close(json, ']');
}

static void put_points(struct json *json, const struct destination_plan *destination)
{
    json_put_open(json, "points", '[');
    for (unsigned p = 1; p < POINT_COUNT; p++) {
        json_open(json, '{');
        json_put_unsigned(json, "number", p);
        json_put_text(json, "point", point_get(p)->id);
        json_put_unsigned(json, "offset", layout_slot(p));
        json_key(json, "units"); /* in order of the views */
        json_open(json, '[');
        for (unsigned v = 0; v < destination->n_views; v++) {
            const char *unit = print_unit(&destination->views[v], p, NULL);
            json_text(json, unit[0] != '\0' ? unit : NULL);
        }
        json_close(json, ']');
        json_close(json, '}');
    }
    json_close(json, ']');
}

static void put_all(struct json *json, const struct table_printer *printer)
{
    json_put_text(json, "schema", "uphole/table/1");
    json_put_unsigned(json, "layout_version", TABLE_LAYOUT_VERSION);
    json_put_text(json, "destination", printer->plan != NULL ? printer->destination->name : NULL);
    json_put_unsigned(json, "block_registers", TABLE_BLOCK_REGISTERS);
    put_views(json, printer->destination);
    put_wells(json, printer->plan);
    json_put_open(json, "header", '[');
    for (unsigned f = 0; f < FIELD_COUNT; f++)
        put_field(json, layout_field((enum field)f));
    json_close(json, ']');
    json_put_open(json, "slot", '[');
    for (unsigned s = 0; s < SLOT_PARTS; s++)
        put_field(json, layout_slot_part((enum slot_part)s));
    json_close(json, ']');
    put_points(json, printer->destination);
}

void table_print_json(const struct table_printer *printer)
{
    char *text = malloc(JSON_ROOM);
    if (text == NULL)
        return;
    struct json json;
    json_begin(&json, text, JSON_ROOM);
    json_open(&json, '{');
    put_all(&json, printer);
    json_close(&json, '}');
    if (json_end(&json) > 1)
        fprintf(printer->out, "{\"caution\":\"%s\",\n%s\n", TABLE_CAUTION, text + 1);
    free(text);
}
