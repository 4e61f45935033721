/* SPDX-License-Identifier: Apache-2.0
 *
 * three_ranges.h - one fake line and the well that most of its tests ask.
 */
#ifndef UPHOLE_TESTS_GATHER_THREE_RANGES_H
#define UPHOLE_TESTS_GATHER_THREE_RANGES_H

#include "fake.h"

static struct fake fake;

/** Three ranges of input registers, 4, 5 and 6 long, of well 1. */
static void three_ranges(uint8_t medium, uint32_t poll_every_ms, fake_unit unit)
{
    fake_init(&fake, medium);
    made_channels(&fake.made.map[0], TABLE_INPUT, 0, 4);
    made_channels(&fake.made.map[0], TABLE_INPUT, 200, 5);
    made_channels(&fake.made.map[0], TABLE_INPUT, 400, 6);
    made_never(&fake.made.map[0], TABLE_INPUT, 150,
               150); /* on TCP holes cost nothing and would be read */
    made_never(&fake.made.map[0], TABLE_INPUT, 350, 350);
    made_plan_join(&fake.made, 1, poll_every_ms);
    fake.unit = unit;
}

#endif
