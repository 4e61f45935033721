/* SPDX-License-Identifier: Apache-2.0
 *
 * stanza.c - what was found, as it stands in a configuration.
 */
#include "uphole/commission.h"

#include <string.h>

#define SURE_PERCENT 60
#define TIMEOUT_LEAST_MS 1000

static uint32_t timeout_ms(const struct find_unit *unit)
{
    const uint32_t twice_ms = (uint32_t)(2 * unit->slowest_answer_us / 1000);
    return twice_ms <= TIMEOUT_LEAST_MS ? TIMEOUT_LEAST_MS : (twice_ms + 499) / 500 * 500;
}

static void print_line(FILE *out, const struct find_report *report)
{
    const struct line_plan *line = &report->unit.line;
    const bool is_rtu = line_speaks_rtu(line);
    fprintf(out, "lines:\n  pad-line: {");
    if (line->medium == LINE_MEDIUM_SERIAL)
        fprintf(out, "serial: \"%s\", speed: %u baud, frame: 8%c%u", line->device, line->baud,
                line->parity, line->stop_bits);
    else
        fprintf(out, strchr(line->host, ':') != NULL ? "tcp: \"[%s]:%u\"" : "tcp: \"%s:%u\"",
                line->host, line->port);
    if (line->medium == LINE_MEDIUM_TCP && is_rtu)
        fputs(", framing: rtu", out);
    fprintf(out, ", response_timeout: %u ms", timeout_ms(&report->unit));
    if (report->evidence.echoes > 0)
        fputs(", strip_echo: yes", out);
    if (report->heard.has_master && is_rtu)
        fprintf(out, ", share_line: %s", report->was_agreed ? "yes" : "listen");
    fputs("}\n", out);
}

void find_print_stanza(FILE *out, const struct find_report *report)
{
    const bool has_map = report->n_scores > 0 && report->score[0].percent >= SURE_PERCENT;
    if (report->heard.has_master && line_speaks_rtu(&report->unit.line) && report->was_agreed)
        fputs("# share_line: yes, since whoever is responsible for the other master agreed. "
              "`listen` sends no "
              "byte.\n",
              out);
    print_line(out, report);
    fputs("wells:\n  my-well:              # its permanent id\n    table_block: 0\n    sources:\n  "
          "    gauge:\n",
          out);
    fprintf(out,
            "        - {from: 2025-01-01T00:00:00Z, line: pad-line, unit_id: %u, map: %s, "
            "poll_every: 10 s}\n",
            report->unit.unit_id, has_map ? report->score[0].map->name : "my-unit");
    if (has_map)
        fputs("# The map is the one that fits best. Compare each value with the unit's own screen "
              "before you list it "
              "in confirmed_units.\n",
              out);
    else
        fputs("# No known map fits well: `uphole draft-map` writes a draft of my-unit.yaml.\n",
              out);
}
