/* SPDX-License-Identifier: Apache-2.0
 *
 * derive_sides.c - brings what the drive reads to the side of the step-up transformer that a row
 * means, by the well's own data.
 *
 * The map's `about` says on which side a current or a power stands. Where it doesn't, a current
 * counts as the motor's and a power as the drive's own, and what is made of it is Uncertain.
 * Nothing stands in for a transformer that isn't stated.
 */
#include "derive_rows.h"

#include <math.h>

enum by { BY_NOTHING = 0, BY_RATIO_UP, BY_RATIO_DOWN, BY_LOSS_BEHIND, BY_LOSS_BEFORE };

/** How an input of a row gets to the side that the row means. */
static enum by way_of(const struct derived_row *row, const struct input *input)
{
    const enum quantity kind = point_get(input->point)->kind;
    if (row->needs_motor_side && input->point == POINT_DRIVE_OUTPUT_VOLTAGE)
        return BY_RATIO_UP;
    if (row->needs_motor_side && kind == QUANTITY_CURRENT && input->side == SIDE_OF_DRIVE)
        return BY_RATIO_DOWN;
    if (kind != QUANTITY_POWER)
        return BY_NOTHING;
    if (row->power_at == POWER_AT_MOTOR_SIDE && input->side != SIDE_OF_MOTOR)
        return BY_LOSS_BEHIND;
    const bool means_drive =
        row->power_at == POWER_AT_DRIVE || row->power_at == POWER_AT_DRIVE_IF_KNOWN;
    return means_drive && input->side == SIDE_OF_MOTOR ? BY_LOSS_BEFORE : BY_NOTHING;
}

static enum well_datum datum_of_way(enum by way)
{
    return way == BY_RATIO_UP || way == BY_RATIO_DOWN ? DATUM_TRANSFORMER_RATIO
                                                      : DATUM_TRANSFORMER_EFFICIENCY;
}

double derive_on_side(const struct derived_row *row, const struct input *input,
                      const struct well_setting *setting, double value)
{
    const enum by way = way_of(row, input);
    const double by = setting->datum[datum_of_way(way)];
    if (way == BY_NOTHING || !isfinite(by))
        return value;
    return way == BY_RATIO_UP || way == BY_LOSS_BEHIND ? value * by : value / by;
}

uint8_t derive_side_quality(const struct derived_row *row, const struct input *input,
                            const struct well_setting *setting)
{
    const enum quantity kind = point_get(input->point)->kind;
    const enum by way = way_of(row, input);
    const bool asks = (row->needs_motor_side && kind == QUANTITY_CURRENT) ||
                      ((row->power_at == POWER_AT_DRIVE || row->power_at == POWER_AT_MOTOR_SIDE) &&
                       kind == QUANTITY_POWER);
    if (way != BY_NOTHING && row->power_at != POWER_AT_DRIVE_IF_KNOWN &&
        !isfinite(setting->datum[datum_of_way(way)]))
        return QUALITY_NOT_CONFIGURED;
    return asks && input->side == SIDE_UNKNOWN ? QUALITY_INPUT_UNSURE : QUALITY_GOOD;
}

uint64_t derived_needs(const struct derived_row *row, const struct plan *plan,
                       const struct well_plan *well, int64_t utc_ms, const uint16_t *points)
{
    uint64_t needs = row->needs;
    if (row->power_at == POWER_AT_DRIVE_IF_KNOWN ||
        (!row->needs_motor_side && row->power_at == POWER_AS_READ))
        return needs;
    for (unsigned i = 0; i < row->n_required; i++) {
        struct input input = {0};
        uint8_t source;
        const struct channel *channel = well_channel(plan, well, points[i], utc_ms, &source);
        if (channel == 0)
            continue;
        input_describe(&input, points[i], channel);
        const enum by way = way_of(row, &input);
        if (way != BY_NOTHING)
            needs |= NEEDS(datum_of_way(way));
    }
    return needs;
}
