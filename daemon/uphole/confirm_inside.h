/* SPDX-License-Identifier: Apache-2.0
 *
 * confirm_inside.h - what an order `confirm` is about; shared by confirm_hand.c, which reads and
 * gives it, and confirm_compare.c, which holds it against what was read.
 */
#ifndef UPHOLE_CONFIRM_INSIDE_H
#define UPHOLE_CONFIRM_INSIDE_H

#include "by_hand.h"
#include "confirm.h"

#include "core_inside.h"

#define WORD_MAX 64

struct asked {
    char well[WORD_MAX], point[WORD_MAX], at[WORD_MAX], number[WORD_MAX], unit[WORD_MAX];
    char role[CONFIRM_ROLE_MAX + 1];
    bool withdraw;
};

/** What the order is about, once it is found. */
struct about {
    struct core_well *well;
    unsigned point;
    uint8_t source;
    const struct source_entry *entry;
    const struct channel *channel;
    unit_number unit; /* of the screen */
    int64_t at_utc_ms;
    double shown;     /* in the point's unit */
    struct scan scan; /* that bears it out */
    struct snapshot snapshot;
    double read;
};

/** A number of the point's unit, in that of the screen. */
void confirm_number_in(const struct asked *asked, const struct about *about, double value,
                       char into[static NUMBER_TEXT_MAX]);
/** 0 where the channel has a fresh value, and nothing says that its unit is another. */
int confirm_look(struct core *core, const struct asked *asked, const struct stamp *now,
                 struct about *about, struct answer *to);
/** 0 where the scans of that moment bear the screen out; about->scan and about->read are filled. */
int confirm_compare(struct core *core, const struct asked *asked, const struct stamp *now,
                    struct about *about, struct answer *to);

#endif
