/* SPDX-License-Identifier: Apache-2.0
 *
 * table_csv.c - the layout as one row a number and view, for import into a SCADA's list of tags
 * (RFC 4180, after the line of caution).
 */
#include "table_print.h"

/** A field in quotes where it needs them. */
static void put(FILE *out, const char *text, char after)
{
    bool quote = false;
    for (const char *c = text; *c != '\0'; c++)
        quote = quote || *c == ',' || *c == '"' || *c == '\n' || *c == '\r';
    if (quote)
        fputc('"', out);
    for (const char *c = text; *c != '\0'; c++) {
        if (*c == '"')
            fputc('"', out);
        fputc(*c, out);
    }
    if (quote)
        fputc('"', out);
    fputc(after, out);
}

struct csv_row {
    const struct well_plan *well;
    const struct view *view;
    uint32_t at;
    const struct field_row *field;
    const char *point; /* "" in the header */
    const char *unit, *reference;
    double resolution; /* 0: none */
};

static void put_row(FILE *out, const struct csv_row *row)
{
    char resolution[NUMBER_TEXT_MAX] = "";
    if (row->resolution > 0)
        number_to_text(row->resolution, 0, resolution);
    put(out, row->well != NULL ? row->well->id : "", ',');
    fprintf(out, "%u,%s,%s,%u,%u,%u,%u,%s,", row->view->unit_id, print_unit_set(row->view),
            print_word_order(row->view), row->at, TABLE_INPUT_BASE + row->at,
            TABLE_HOLDING_BASE + row->at, row->field->words, layout_type_name(row->field->type));
    put(out, row->point, ',');
    put(out, row->field->name, ',');
    put(out, row->unit, ',');
    put(out, row->reference, ',');
    put(out, resolution, ',');
    put(out, row->field->text, '\n');
}

static void put_view(const struct table_printer *printer, const struct well_plan *well,
                     const struct view *view)
{
    uint32_t first = print_first_register(well);
    for (unsigned f = 0; f < FIELD_COUNT; f++) {
        const struct field_row *field = layout_field((enum field)f);
        const struct csv_row row = {well, view, first + field->at, field, "", field->unit, "", 0};
        put_row(printer->out, &row);
    }
    for (unsigned p = 1; p < POINT_COUNT; p++) {
        for (unsigned s = 0; s < SLOT_PARTS; s++) {
            const struct field_row *field = layout_slot_part((enum slot_part)s);
            struct csv_row row = {well,
                                  view,
                                  first + layout_slot(p) + field->at,
                                  field,
                                  point_get(p)->id,
                                  field->unit,
                                  "",
                                  0};
            if (s == SLOT_VALUE) {
                row.unit = print_unit(view, p, &row.resolution);
                row.reference = print_reference(printer->plan, well, p);
            }
            put_row(printer->out, &row);
        }
    }
}

void table_print_csv(const struct table_printer *printer)
{
    fprintf(printer->out, "# %s\n", TABLE_CAUTION);
    fputs(
        "well,unit_id,unit_set,word_order,register,input_register,holding_register,registers,type,"
        "point,field,unit,reference,resolution,content\n",
        printer->out);
    unsigned n_wells = printer->plan != NULL ? printer->plan->n_wells : 1;
    for (unsigned w = 0; w < n_wells; w++) {
        const struct well_plan *well = printer->plan != NULL ? &printer->plan->wells[w] : NULL;
        for (unsigned v = 0; v < printer->destination->n_views; v++)
            put_view(printer, well, &printer->destination->views[v]);
    }
}
