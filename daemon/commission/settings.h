/* SPDX-License-Identifier: Apache-2.0
 *
 * settings.h - which settings and unit ids are tried in which order (pure).
 *
 * A batch is one setting, one function and a run of unit ids. Batches are sorted by likelihood a
 * second, which makes the mean time to the first answer as short as these likelihoods allow.
 */
#ifndef UPHOLE_COMMISSION_SETTINGS_H
#define UPHOLE_COMMISSION_SETTINGS_H

#include "uphole/commission.h"

#define BATCHES_MAX 512
#define SETTLE_MS 1000 /* after a batch: a late answer would come at the settings that asked */

struct batch {
    struct line_plan line;
    uint8_t function, low, high; /* unit ids */
    unsigned order;              /* of equals: the one that was made first */
    double density;              /* likelihood a second */
};
struct batches {
    unsigned n;
    struct batch batch[BATCHES_MAX];
};

/** All that `options` allow, in order. */
void batches_make(const struct find_options *options, struct batches *out);
/** The `index`th likeliest setting of the line, for listening; false past the last. */
bool setting_at(const struct find_options *options, unsigned index, struct line_plan *line);
/** Two settings that need the port opened anew to go from one to the other. */
bool settings_differ(const struct line_plan *a, const struct line_plan *b);
/** Time that a batch takes when nobody answers, us. */
int64_t batch_silent_us(const struct find_options *options, const struct batch *batch);

#endif
