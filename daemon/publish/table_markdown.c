/* SPDX-License-Identifier: Apache-2.0
 *
 * table_markdown.c - the layout as a page; the generic one is docs/table.md.
 */
#include "table_print.h"

#include "uphole/quality.h"

#define IDS_MAX 96

static const char INTRODUCTION[] =
    "Uphole serves each well's readings as Modbus TCP registers. Functions 03 and 04 read the same "
    "registers, 2B/0E identifies; every other\n"
    "function is refused with exception 01, so that nothing can be written through the table. "
    "Protocol and wiring carry no password and no\n"
    "encryption: give the table an address of the control network only, and state `allow`.\n"
    "\n"
    "**Cautions.** Values can be late, missing or wrong: look at quality and age before you use "
    "one. "
    "Uphole is not a protection system; it never\n"
    "starts, stops, speeds up or trips a pump, and no trip, interlock or closed-loop control may "
    "rest "
    "on these registers.\n"
    "\n"
    "## Where a number stands\n"
    "\n"
    "- A well's block has 512 registers and starts at register 512 x its `table_block`, which the "
    "configuration states; a new well moves no\n"
    "  register. Blocks go from 0 to 127. Registers of unused blocks below the highest one served "
    "read "
    "0; a read beyond it is answered with\n"
    "  exception 02.\n"
    "- Registers count from 0 here, as on the wire. A master that wants printed numbers adds "
    "300001 "
    "(function 04) or 400001 (function 03).\n"
    "- Point number n has its slot of four registers at 32 + 4 x (n - 1) of the block, for ever. "
    "New "
    "points take the next slot.\n"
    "- A read takes 1 to 125 registers. An answer never mixes two scans. To read a block in "
    "several "
    "reads, read `image_counter` with the first and\n"
    "  the last: where both are equal the reads belong together (ages move on by themselves).\n"
    "\n"
    "## Views\n"
    "\n"
    "The unit id selects the view: units and word order. Unit ids 0 and 255 are view 1; a unit id "
    "without a view is answered with exception 0A.\n"
    "Numbers of two or four registers stand in the view's word order: 12345.0 is `0x4640 0xE400` "
    "with "
    "the high word first and `0xE400 0x4640` with\n"
    "the low word first. Check yours with `test_pattern`. Bytes within a register are big-endian, "
    "as "
    "Modbus has it.\n";

static const char LIMITS[] =
    "## Limits\n"
    "\n"
    "- At most `clients` connections (64) and `clients_per_address` (4) of one address; beyond, "
    "the new "
    "connection is closed. One that has never sent\n"
    "  a whole request for 2 s gives way to a new one; a client that asks is never thrown out for "
    "another.\n"
    "- Where `allow` is stated, only those addresses are served.\n"
    "- A request must be whole 2 s after its first byte; answers must be taken within 2 s once "
    "buffers "
    "are full; a connection without a request is\n"
    "  closed after `idle` (60 s). A protocol id other than 0 or a length outside 2 to 254 closes "
    "the "
    "connection.\n"
    "- Several requests may be sent without waiting; they are answered in order, each with its "
    "transaction number.\n"
    "\n"
    "## Identification\n"
    "\n"
    "Function 2B/0E answers code 01 (basic: 00 vendor, 01 product, 02 version), 02, 03 (with an "
    "object "
    "0x80 + block for each well: its id and label) and\n"
    "04 (one object; an unknown one is exception 02).\n";

static void print_views(const struct table_printer *printer)
{
    fputs("\n| unit id | units | word order | where there is no value |\n|--|--|--|--|\n",
          printer->out);
    for (unsigned v = 0; v < printer->destination->n_views; v++) {
        const struct view *view = &printer->destination->views[v];
        char text[NUMBER_TEXT_MAX];
        fprintf(printer->out, "| %u | %s | %s | %s |\n", view->unit_id, print_unit_set(view),
                print_word_order(view), print_missing(view, text));
    }
}

static void print_row(FILE *out, const struct field_row *row, uint32_t first)
{
    uint32_t at = first + row->at;
    if (row->words > 1)
        fprintf(out, "| %u to %u ", at, at + row->words - 1);
    else
        fprintf(out, "| %u ", at);
    fprintf(out, "| %u | %u | %s | `%s` | %s | %s |\n", TABLE_INPUT_BASE + at,
            TABLE_HOLDING_BASE + at, layout_type_name(row->type), row->name, row->unit, row->text);
}

static void print_header(FILE *out, uint32_t first)
{
    fputs("\n| register | function 04 | function 03 | type | name | unit | content "
          "|\n|--|--|--|--|--|--|--|\n",
          out);
    for (unsigned f = 0; f < FIELD_COUNT; f++)
        print_row(out, layout_field((enum field)f), first);
}

static void print_points(const struct table_printer *printer, const struct well_plan *well)
{
    const struct destination_plan *destination = printer->destination;
    FILE *out = printer->out;
    uint32_t first = print_first_register(well);
    unsigned n_columns = 6;
    fputs("\n| no | point | value at | quality at | age at | function 04 ", out);
    for (unsigned v = 0; v < destination->n_views; v++) {
        char ids[IDS_MAX];
        print_view_ids(destination, v, ids, sizeof ids);
        if (print_repeats_units(destination, v))
            continue;
        fprintf(out, "| %s ", ids);
        n_columns++;
    }
    fputs(printer->plan != NULL ? "| reference |\n" : "|\n", out);
    for (unsigned c = 0; c < n_columns + (printer->plan != NULL); c++)
        fputs("|--", out);
    fputs("|\n", out);
    for (unsigned p = 1; p < POINT_COUNT; p++) {
        uint32_t at = first + layout_slot(p);
        fprintf(out, "| %u | `%s` | %u | %u | %u | %u ", p, point_get(p)->id, at,
                at + layout_slot_part(SLOT_QUALITY)->at, at + layout_slot_part(SLOT_AGE)->at,
                TABLE_INPUT_BASE + at);
        for (unsigned v = 0; v < destination->n_views; v++) {
            if (!print_repeats_units(destination, v))
                fprintf(out, "| %s ", print_unit(&destination->views[v], p, NULL));
        }
        if (printer->plan != NULL)
            fprintf(out, "| %s ", print_reference(printer->plan, well, p));
        fputs("|\n", out);
    }
}

static void print_slot_and_qualities(FILE *out)
{
    fputs("\n## A point's slot\n"
          "\n| register of the slot | type | name | unit | content |\n|--|--|--|--|--|\n",
          out);
    for (unsigned s = 0; s < SLOT_PARTS; s++) {
        const struct field_row *row = layout_slot_part((enum slot_part)s);
        fprintf(out, "| %u | %s | `%s` | %s | %s |\n", row->at, layout_type_name(row->type),
                row->name, row->unit, row->text);
    }
    fputs(
        "\nUnder 3 (line_down) and 4 (gauge_silent) the value is not a number unless the view asks "
        "for the last value; it is then marked by its\n"
        "quality. A pressure's "
        "reference is that of the map.\n"
        "\n## Qualities\n"
        "\n| code | name | meaning |\n|--|--|--|\n",
        out);
    for (size_t i = 0; i < quality_count(); i++) {
        const struct quality_row *row = quality_row_at(i);
        fprintf(out, "| %u | %s | %s |\n", row->code, row->name, row->meaning);
    }
}

void table_print_markdown(const struct table_printer *printer)
{
    FILE *out = printer->out;
    fprintf(out, "**%s**\n\n# The Modbus TCP table", TABLE_CAUTION);
    if (printer->plan != NULL)
        fprintf(out, " `%s` of %s", printer->destination->name, printer->plan->site);
    else
        fputs("\n\nThis page is what `uphole table --markdown` prints. `uphole table --config "
              "FILE` prints "
              "the table of a configuration, with each well's\n"
              "registers; `--csv` and `--json` are for import.",
              out);
    fprintf(out, "\n\n%s", INTRODUCTION);
    print_views(printer);
    print_slot_and_qualities(out);
    if (printer->plan == NULL) {
        fputs("\n## A well's block\n\nRegisters within the block; add 512 x `table_block`.\n", out);
        print_header(out, 0);
        fputs("\n## Points\n", out);
        print_points(printer, NULL);
    }
    for (unsigned w = 0; printer->plan != NULL && w < printer->plan->n_wells; w++) {
        const struct well_plan *well = &printer->plan->wells[w];
        fprintf(out, "\n## Well %s (%s), block %u\n", well->id, well->label, well->table_block);
        print_header(out, print_first_register(well));
        print_points(printer, well);
    }
    fprintf(out, "\n%s", LIMITS);
}
