/* SPDX-License-Identifier: Apache-2.0
 *
 * table_text.c - the layout as aligned columns for a terminal.
 */
#include "table_print.h"

#include <stdarg.h>

#define IDS_MAX 96

static void print_about(const struct table_printer *printer)
{
    const struct destination_plan *destination = printer->destination;
    FILE *out = printer->out;
    if (printer->plan != NULL)
        fprintf(out, "Modbus TCP table %s of site %s: %s port %u.\n", destination->name,
                printer->plan->site,
                destination->host[0] != '\0' ? destination->host : "any address",
                destination->port);
    else
        fprintf(out,
                "Modbus TCP table, generic layout: a well's block starts at register %d x its "
                "table_block; views as in the documentation.\n",
                TABLE_BLOCK_REGISTERS);
    fputs(
        "Registers count from 0, as on the wire; in brackets the printed numbers of input (3xxxxx) "
        "and holding (4xxxxx) registers, which show the same.\n"
        "Functions 03 and 04 read, 2B/0E identifies; everything else is refused with exception 01. "
        "Numbers of several registers stand in the view's word order.\n\n",
        out);
    fputs("unit id  units   word order       where there is no value\n", out);
    for (unsigned v = 0; v < destination->n_views; v++) {
        const struct view *view = &destination->views[v];
        char text[NUMBER_TEXT_MAX];
        fprintf(out, "%7u  %-6s  %-15s  %s\n", view->unit_id, print_unit_set(view),
                print_word_order(view), print_missing(view, text));
    }
}

static void print_header(const struct table_printer *printer, uint32_t first)
{
    fputs("\nregister  (printed)        type  name                unit  content\n", printer->out);
    for (unsigned f = 0; f < FIELD_COUNT; f++) {
        const struct field_row *row = layout_field((enum field)f);
        uint32_t at = first + row->at;
        fprintf(printer->out, "%8u  (%u %u)  %-4s  %-18s  %-4s  %s\n", at, TABLE_INPUT_BASE + at,
                TABLE_HOLDING_BASE + at, layout_type_name(row->type), row->name, row->unit,
                row->text);
    }
}

/** A line in the making; what doesn't fit is cut. */
struct text_line {
    size_t n;
    char text[512];
};

__attribute__((format(printf, 2, 3))) static void add(struct text_line *line, const char *format,
                                                      ...)
{
    va_list arguments;
    va_start(arguments, format);
    size_t room = sizeof line->text - line->n;
    int wrote = vsnprintf(line->text + line->n, room, format, arguments);
    va_end(arguments);
    line->n += wrote < 0 ? 0 : (size_t)wrote < room ? (size_t)wrote : room - 1;
}

/** Prints it without the blanks at its end. */
static void print_line(struct text_line *line, FILE *out)
{
    while (line->n > 0 && line->text[line->n - 1] == ' ')
        line->n--;
    fprintf(out, "%.*s\n", (int)line->n, line->text);
    line->n = 0;
}

static void print_points(const struct table_printer *printer, const struct well_plan *well)
{
    const struct destination_plan *destination = printer->destination;
    struct text_line line = {.n = 0};
    uint32_t first = print_first_register(well);
    add(&line, "   value  (printed)        quality    age  no  %-28s", "point");
    if (printer->plan != NULL)
        add(&line, "  source    reference");
    for (unsigned v = 0; v < destination->n_views; v++) {
        char ids[IDS_MAX];
        print_view_ids(destination, v, ids, sizeof ids);
        if (!print_repeats_units(destination, v))
            add(&line, "  %-14s", ids);
    }
    fputs("\n", printer->out);
    print_line(&line, printer->out);
    for (unsigned p = 1; p < POINT_COUNT; p++) {
        uint32_t at = first + layout_slot(p);
        add(&line, "%8u  (%u %u)  %7u  %5u  %2u  %-28s", at, TABLE_INPUT_BASE + at,
            TABLE_HOLDING_BASE + at, at + layout_slot_part(SLOT_QUALITY)->at,
            at + layout_slot_part(SLOT_AGE)->at, p, point_get(p)->id);
        if (printer->plan != NULL)
            add(&line, "  %-8s  %-9s", print_source(printer->plan, well, p),
                print_reference(printer->plan, well, p));
        for (unsigned v = 0; v < destination->n_views; v++) {
            if (!print_repeats_units(destination, v))
                add(&line, "  %-14s", print_unit(&destination->views[v], p, NULL));
        }
        print_line(&line, printer->out);
    }
}

void table_print_text(const struct table_printer *printer)
{
    fprintf(printer->out, "%s\n\n", TABLE_CAUTION);
    print_about(printer);
    if (printer->plan == NULL) {
        print_header(printer, 0);
        print_points(printer, NULL);
    }
    for (unsigned w = 0; printer->plan != NULL && w < printer->plan->n_wells; w++) {
        const struct well_plan *well = &printer->plan->wells[w];
        uint32_t first = print_first_register(well);
        fprintf(printer->out,
                "\nWell %s (%s): block %u, registers %u to %u, identification object 0x%02X\n",
                well->id, well->label, well->table_block, first, first + TABLE_BLOCK_REGISTERS - 1,
                0x80u + well->table_block);
        print_header(printer, first);
        print_points(printer, well);
    }
    for (unsigned s = 0; s < SLOT_PARTS; s++) {
        const struct field_row *row = layout_slot_part((enum slot_part)s);
        fprintf(printer->out, "%s%s (%s): %s\n", s == 0 ? "\n" : "", row->name,
                layout_type_name(row->type), row->text);
    }
}
