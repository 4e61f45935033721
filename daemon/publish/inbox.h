/* SPDX-License-Identifier: Apache-2.0
 *
 * inbox.h - what the wall brought for one MQTT destination and it hasn't taken yet: records, gaps,
 * ends of wants, cursors, "more" and orders.
 *
 * Bounded: a destination that keeps to INBOX_ROWS_MAX rows asked for and not yet taken never
 * overflows it. What does not fit is dropped and counted, never waited for: the wall serves the
 * others as well. The remedy is to ask again from the cursor.
 */
#ifndef UPHOLE_PUBLISH_INBOX_H
#define UPHOLE_PUBLISH_INBOX_H

#include "uphole/wall.h"

/** Rows (sum of `n` of the wants whose end has not been taken yet) for which there is room in any
 * case. */
#define INBOX_ROWS_MAX 128

struct inbox;

/** For a plan of `n_wells`. NULL without memory or descriptors. */
struct inbox *inbox_create(uint16_t n_wells);
void inbox_destroy(struct inbox *inbox); /* NULL is fine */

/** Any thread. False, and one lost, where it does not fit. "more" of well `index` overwrites the
 * one before it and always fits. */
bool inbox_put(struct inbox *inbox, const struct wall_message *message);
bool inbox_put_more(struct inbox *inbox, uint16_t index, const struct wall_more *more);
bool inbox_put_order(struct inbox *inbox, uint16_t index, const struct wall_order *order);

/** Owner: takes the oldest (then each pending "more" and order); false when empty. Kinds:
 * WALL_RECORD and _END_OF_WANT (those of a pack one by one), _GAP, _CURSOR, _PAUSE, _MORE, _ORDER.
 */
bool inbox_take(struct inbox *inbox, struct wall_message *message);
/** Owner: messages dropped since the last call. Above 0: wants under way may lack rows or their
 * end; ask again from the cursor. */
uint64_t inbox_take_lost(struct inbox *inbox);

/** An eventfd, readable after something was put and after each new snapshot or state. The owner
 * reads it, then takes until empty. */
int inbox_fd(const struct inbox *inbox);

#endif
