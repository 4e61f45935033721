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
    json_key(json, "offset");
    json_unsigned(json, row->at);
    json_key(json, "registers");
    json_unsigned(json, row->words);
    json_key(json, "type");
    json_text(json, layout_type_name(row->type));
    json_key(json, "name");
    json_text(json, row->name);
    json_key(json, "unit");
    json_text(json, row->unit[0] != '\0' ? row->unit : NULL);
    json_key(json, "content");
    json_text(json, row->text);
    json_close(json, '}');
}

static void put_views(struct json *json, const struct destination_plan *destination)
{
    json_key(json, "views");
    json_open(json, '[');
    for (unsigned v = 0; v < destination->n_views; v++) {
        const struct view *view = &destination->views[v];
        char text[NUMBER_TEXT_MAX];
        json_open(json, '{');
        json_key(json, "unit_id");
        json_unsigned(json, view->unit_id);
        json_key(json, "unit_set");
        json_text(json, print_unit_set(view));
        json_key(json, "word_order");
        json_text(json, print_word_order(view));
        json_key(json, "without_value");
        json_text(json, print_missing(view, text));
        json_close(json, '}');
    }
    json_close(json, ']');
}

static void put_wells(struct json *json, const struct plan *plan)
{
    json_key(json, "wells");
    json_open(json, '[');
    for (unsigned w = 0; plan != NULL && w < plan->n_wells; w++) {
        const struct well_plan *well = &plan->wells[w];
        json_open(json, '{');
        json_key(json, "well");
        json_text(json, well->id);
        json_key(json, "label");
        json_text(json, well->label);
        json_key(json, "block");
        json_unsigned(json, well->table_block);
        json_key(json, "first_register");
        json_unsigned(json, print_first_register(well));
        json_key(json, "first_input_register");
        json_unsigned(json, TABLE_INPUT_BASE + print_first_register(well));
        json_key(json, "first_holding_register");
        json_unsigned(json, TABLE_HOLDING_BASE + print_first_register(well));
        json_key(json, "identification_object");
        json_unsigned(json, 0x80u + well->table_block);
        json_key(json, "references");
        json_open(json, '{');
        for (unsigned p = 1; p < POINT_COUNT; p++) {
            const char *reference = print_reference(plan, well, p);
            if (reference[0] == '\0')
                continue;
            json_key(json, point_get(p)->id);
            json_text(json, reference);
        }
        json_close(json, '}');
        json_close(json, '}');
    }
    json_close(json, ']');
}

static void put_points(struct json *json, const struct destination_plan *destination)
{
    json_key(json, "points");
    json_open(json, '[');
    for (unsigned p = 1; p < POINT_COUNT; p++) {
        json_open(json, '{');
        json_key(json, "number");
        json_unsigned(json, p);
        json_key(json, "point");
        json_text(json, point_get(p)->id);
        json_key(json, "offset");
        json_unsigned(json, layout_slot(p));
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
    json_key(json, "schema");
    json_text(json, "uphole/table/1");
    json_key(json, "layout_version");
    json_unsigned(json, TABLE_LAYOUT_VERSION);
    json_key(json, "destination");
    json_text(json, printer->plan != NULL ? printer->destination->name : NULL);
    json_key(json, "block_registers");
    json_unsigned(json, TABLE_BLOCK_REGISTERS);
    put_views(json, printer->destination);
    put_wells(json, printer->plan);
    json_key(json, "header");
    json_open(json, '[');
    for (unsigned f = 0; f < FIELD_COUNT; f++)
        put_field(json, layout_field((enum field)f));
    json_close(json, ']');
    json_key(json, "slot");
    json_open(json, '[');
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
