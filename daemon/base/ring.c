/* SPDX-License-Identifier: Apache-2.0
 *
 * ring.c - fixed ring of items between one producing and one consuming thread.
 *
 *   head: next slot the producer writes      tail: next slot the consumer reads
 *   Both only grow, so `head - tail` is what stands in the ring, from 0 to `slots`, also when they
 * wrap.
 *
 * The release store of an index publishes the bytes of the slot; its acquire load on the other side
 * makes them seen.
 */
#include "uphole/ring.h"

#include <stdalign.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#define CACHE_LINE 64

struct ring {
    size_t mask, item_size;
    unsigned char *items;
    alignas(CACHE_LINE) atomic_size_t head;
    atomic_uint_fast64_t lost;
    alignas(CACHE_LINE) atomic_size_t tail;
};

struct ring *ring_create(size_t slots, size_t item_size)
{
    if (slots == 0 || (slots & (slots - 1)) != 0 || item_size == 0 || item_size > SIZE_MAX / slots)
        return NULL;
    struct ring *ring = aligned_alloc(CACHE_LINE, sizeof *ring);
    if (ring == NULL)
        return NULL;
    ring->mask = slots - 1;
    ring->item_size = item_size;
    ring->items = calloc(slots, item_size);
    if (ring->items == NULL) {
        free(ring);
        return NULL;
    }
    atomic_init(&ring->head, 0);
    atomic_init(&ring->tail, 0);
    atomic_init(&ring->lost, 0);
    return ring;
}

void ring_destroy(struct ring *ring)
{
    if (ring == NULL)
        return;
    free(ring->items);
    free(ring);
}

static unsigned char *slot_of(struct ring *ring, size_t index)
{
    return ring->items + (index & ring->mask) * ring->item_size;
}

bool ring_put(struct ring *ring, const void *item)
{
    size_t head = atomic_load_explicit(&ring->head, memory_order_relaxed);
    size_t tail = atomic_load_explicit(&ring->tail, memory_order_acquire);
    if (head - tail > ring->mask) {
        atomic_fetch_add_explicit(&ring->lost, 1, memory_order_relaxed);
        return false;
    }
    memcpy(slot_of(ring, head), item, ring->item_size);
    atomic_store_explicit(&ring->head, head + 1, memory_order_release);
    return true;
}

bool ring_get(struct ring *ring, void *item)
{
    size_t tail = atomic_load_explicit(&ring->tail, memory_order_relaxed);
    size_t head = atomic_load_explicit(&ring->head, memory_order_acquire);
    if (head == tail)
        return false;
    memcpy(item, slot_of(ring, tail), ring->item_size);
    atomic_store_explicit(&ring->tail, tail + 1, memory_order_release);
    return true;
}

uint64_t ring_take_lost(struct ring *ring)
{
    return atomic_exchange_explicit(&ring->lost, 0, memory_order_relaxed);
}
