/* SPDX-License-Identifier: Apache-2.0
 *
 * heard.h - one scan of a source put together from the exchanges that another master made (pure).
 *
 * A scan belongs to the due time in whose period its first exchange was asked. It is whole when all
 * is there that this master usually reads of the map, and where the status stands in another
 * exchange than the values, when the status was heard before and behind them: the first one of the
 * next round will do. What this master never reads is in no scan, so its points stay no_data.
 */
#ifndef UPHOLE_GATHER_HEARD_H
#define UPHOLE_GATHER_HEARD_H

#include "needs.h"
#include "uphole/overhear.h"

#include "uphole/gather.h"

#define HEARD_VALUES_MAX (SCAN_BLOCKS_MAX - 2) /* beside the status before and behind */

struct heard_source {
    struct needs needs;
    bool has_status;
    int status_item;  /* of needs */
    int64_t since_us; /* when listening with this map began */
    int64_t period_us;
    int64_t covered_us[ITEMS_MAX]; /* when an item was last heard; 0: never */
    /* the scan under way */
    bool is_open;
    int64_t end_us; /* of the period of its due time */
    bool has_before, has_behind;
    struct heard_pair before, behind;
    unsigned n;
    struct heard_pair value[HEARD_VALUES_MAX];
    struct heard_pair refused; /* an exception to a question about the map's registers */
    bool has_refused;
    struct heard_pair late; /* newest of those asked after the period: the next scan's first */
    bool has_late;
};

void heard_init(struct heard_source *heard, const struct map *map, uint32_t period_ms,
                int64_t now_us);
/** True where the pair tells of this map's registers: such a pair may begin a scan. */
bool heard_concerns(const struct heard_source *heard, const struct heard_pair *pair);
/** Begins a scan whose period ends at `end_us`; heard_take follows. */
void heard_open(struct heard_source *heard, int64_t end_us);
/** Adds a pair of this unit to the scan under way. */
void heard_take(struct heard_source *heard, const struct heard_pair *pair);
/** All that is expected is there. */
bool heard_is_whole(const struct heard_source *heard, int64_t now_us);
/** When the scan under way must end, whole or not. */
int64_t heard_deadline_us(const struct heard_source *heard, int64_t now_us);
/** Closes the scan under way and writes blocks, words and outcome into `scan`; begin and end of
 * what it holds into `begun_us` and `ended_us`. */
void heard_close(struct heard_source *heard, struct scan *scan, int64_t *begun_us,
                 int64_t *ended_us);

#endif
