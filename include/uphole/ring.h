/* SPDX-License-Identifier: Apache-2.0
 *
 * ring.h - fixed ring between one producing and one consuming thread. Full means the newest is counted as lost, never that an old
 * one is overwritten. No lock: head is written by the producer, tail by the consumer.
 */
#ifndef UPHOLE_RING_H
#define UPHOLE_RING_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct ring; /* opaque */

/** A ring of `slots` (a power of two) items of `item_size` bytes. NULL without memory. */
struct ring *ring_create(size_t slots, size_t item_size);
void ring_destroy(struct ring *ring);
/** Producer: copies `item` in; false (and counts one lost) when full. */
bool ring_put(struct ring *ring, const void *item);
/** Consumer: copies the oldest out; false when empty. */
bool ring_get(struct ring *ring, void *item);
/** Consumer: items lost since the last call. */
uint64_t ring_take_lost(struct ring *ring);

#endif
