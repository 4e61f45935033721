/* SPDX-License-Identifier: Apache-2.0
 *
 * box_points.c - see box_points.h.
 */
#include "box_points.h"

#include <math.h>
#include <string.h>

#define HOURS_A_DAY 24.0

void box_points(uint32_t waiting, uint16_t days_left, int64_t now_boot_ms,
                struct live_reading out[static BOX_POINTS])
{
    out[0] = (struct live_reading){.point = POINT_UNDELIVERED_RECORDS,
                                   .quality = QUALITY_GOOD,
                                   .value = waiting,
                                   .fresh_boot_ms = now_boot_ms};
    out[1] = (struct live_reading){.point = POINT_JOURNAL_TIME_LEFT,
                                   .quality = QUALITY_GOOD,
                                   .value = HOURS_A_DAY * days_left,
                                   .fresh_boot_ms = now_boot_ms};
    if (days_left != UINT16_MAX)
        return;
    out[1].quality = QUALITY_NO_DATA;
    out[1].value = NAN;
    out[1].fresh_boot_ms = INT64_MIN;
}

static void insert(struct snapshot *snapshot, const struct live_reading *reading)
{
    uint16_t at = 0;
    while (at < snapshot->n && snapshot->reading[at].point < reading->point)
        at++;
    if (snapshot->n >= RECORD_READINGS_MAX ||
        (at < snapshot->n && snapshot->reading[at].point == reading->point))
        return;
    memmove(&snapshot->reading[at + 1], &snapshot->reading[at],
            (size_t)(snapshot->n - at) * sizeof *reading);
    snapshot->reading[at] = *reading;
    snapshot->n++;
}

void box_points_add(struct snapshot *snapshot, const struct wall_state *state, int64_t now_boot_ms)
{
    struct live_reading readings[BOX_POINTS];
    for (uint16_t i = 0; i < state->n_wells && i < PLAN_WELLS_MAX; i++) {
        if (state->well[i].well != snapshot->well)
            continue;
        box_points(state->well[i].waiting, state->days_left, now_boot_ms, readings);
        for (unsigned k = 0; k < BOX_POINTS; k++)
            insert(snapshot, &readings[k]);
        return;
    }
}
