/* SPDX-License-Identifier: Apache-2.0
 *
 * retain_lead.c - see retain_lead.h.
 */
#include "retain_lead.h"

#include "uphole/measure.h"

int64_t retain_lead_ms(const struct plan *plan, const struct well_plan *well)
{
    const struct fold_window window = fold_window_of(plan, well);
    int64_t lead_ms = window.ms;
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
        for (uint16_t i = 0; i < well->n_entries[s]; i++) {
            const int64_t scans_ms = (int64_t)window.scans * well->entries[s][i].poll_every_ms;
            lead_ms = scans_ms > lead_ms ? scans_ms : lead_ms;
        }
    return lead_ms;
}
