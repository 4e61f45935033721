/* SPDX-License-Identifier: Apache-2.0
 *
 * reference.c - the printed reference of all keys, from the one table that the parser uses.
 */
#include "keys.h"

#include <stdio.h>
#include <string.h>

static void row_print(FILE *stream, const struct key *key)
{
    static const char *const ONLY_LINE[] = {"",
                                            "serial: ",
                                            "tcp: ",
                                            "",
                                            "tcp with `framing: rtu`: ",
                                            "serial, or tcp with `framing: rtu`: ",
                                            "tcp: ",
                                            ""},
                             *const ONLY_DESTINATION[] = {"", "mqtt: ", "modbus_tcp: "};
    const char *only =
        key->section == SECTION_LINE ? ONLY_LINE[key->only] : ONLY_DESTINATION[key->only];
    char range[160] = "";
    if (key->kind == VALUE_DURATION || key->kind == VALUE_SIZE) {
        char low[DECIMAL_TEXT_MAX], high[DECIMAL_TEXT_MAX];
        if (key->kind == VALUE_DURATION) {
            duration_text((uint64_t)key->low, low);
            duration_text((uint64_t)key->high, high);
        } else {
            size_text((uint64_t)key->low, low);
            size_text((uint64_t)key->high, high);
        }
        (void)snprintf(range, sizeof range, ", %s to %s", low, high);
    }
    (void)fprintf(stream, "| `%s` | %s%s | %s | %s%s |\n", key->name, key->form, range,
                  key->required   ? "required"
                  : key->fallback ? key->fallback
                                  : "-",
                  only, key->help);
}

static void section_print(FILE *stream, enum section section)
{
    const struct section_row *row = section_get(section);
    if (row->path[0])
        (void)fprintf(stream, "\n### `%s`\n\n%s\n\n", row->path, row->intro);
    else
        (void)fprintf(stream, "\n%s\n\n", row->intro);
    (void)fputs("| key | value | default | meaning |\n|---|---|---|---|\n", stream);
    for (int i = 0; key_at(i); i++)
        if (key_at(i)->section == section)
            row_print(stream, key_at(i));
}

static const char CONFIGURATION_HEAD[] =
    "# Configuration reference\n\n"
    "This page is printed by `uphole check --reference` from the table of keys that the program "
    "itself uses.\n\n"
    "- A quantity always states its unit: `1 s`, `2 GB`, `9600 baud`, `1850 m TVD`. Units of time "
    "are ms, s, min, h and days; sizes are kB,\n"
    "  MB and GB (powers of ten).\n"
    "- Names of sites, boxes, wells, lines, destinations and maps are 1 to 32 characters out of a "
    "to z, 0 to 9 and `-`.\n"
    "- Times are RFC 3339 with their offset: `2031-01-10T08:00:00Z`.\n"
    "- The file is YAML without aliases, anchors and tags, UTF-8, at most 1 MiB, one document.\n"
    "- Secrets never stand in it: only the paths of their files, which nobody but the service's "
    "user may read.\n"
    "- All faults are shown in one run, up to 20, as `file:line:column: what; what was "
    "expected`.\n\n"
    "Uphole monitors. It is not a protection system, and none of its outputs may trip, interlock "
    "or control anything.\n";

void plan_print_configuration_reference(void *stream)
{
    (void)fputs(CONFIGURATION_HEAD, stream);
    for (enum section section = SECTION_TOP; section < SECTION_MAP; section++)
        section_print(stream, section);
}

void plan_print_maps_reference(void *stream)
{
    for (enum section section = SECTION_MAP; section < SECTION_COUNT; section++)
        section_print(stream, section);
}
