/* SPDX-License-Identifier: Apache-2.0
 *
 * inbox.c - a bounded queue of the wall's messages for one destination: items of their own length
 * in one block of bytes.
 *
 * An item never wraps: where it does not fit before the end of the block, a skip mark stands there
 * and it goes to the start. An empty queue starts at 0 again, so that a destination that keeps up
 * touches little memory.
 */
#include "inbox.h"

#include <pthread.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#define HEAD_BYTES 8u /* u32 length of the item with its head, 0: skip to the start; u32 kind */

struct inbox {
    pthread_mutex_t lock;
    int event_fd;
    uint64_t lost;
    size_t size, from, used,
        gap; /* bytes: of the block; where the oldest stands; in use; skipped at the end */
    uint8_t *bytes;
    size_t at_of_pack; /* of the oldest item, where it is a pack of records: what was taken of it */
    uint16_t taken_of_pack;
    uint16_t n_wells, n_pending, next_pending, n_orders;
    bool *pending; /* a well: `more` waits */
    struct wall_more *more;
    struct wall_order *order; /* a well: its order waits; order 0: none does */
};

static size_t rounded(size_t n)
{
    return (n + 7u) & ~(size_t)7u;
}

/** The part of a message's union that means something. 0: not a kind for an inbox. */
static size_t body_bytes(const struct wall_message *message)
{
    switch (message->kind) {
    case WALL_RECORD: {
        size_t n = message->record.record.n;
        if (n > RECORD_READINGS_MAX)
            return 0;
        return offsetof(struct wall_record, record) + offsetof(struct record, reading) +
               n * sizeof(struct reading);
    }
    case WALL_RECORDS:
        return message->records.size > sizeof message->records.bytes
                   ? 0
                   : offsetof(struct wall_records, bytes) + message->records.size;
    case WALL_GAP:
        return sizeof message->gap;
    case WALL_END_OF_WANT:
        return sizeof message->end_of_want;
    case WALL_CURSOR:
        return sizeof message->cursor;
    case WALL_PAUSE:
        return sizeof message->pause;
    default:
        return 0;
    }
}

static void release(struct inbox *inbox)
{
    if (inbox->event_fd >= 0)
        close(inbox->event_fd);
    free(inbox->bytes);
    free(inbox->pending);
    free(inbox->more);
    free(inbox->order);
    free(inbox);
}

struct inbox *inbox_create(uint16_t n_wells)
{
    struct inbox *inbox = calloc(1, sizeof *inbox);
    if (inbox == NULL)
        return NULL;
    size_t wells = n_wells > 0 ? n_wells : 1;
    size_t row = rounded(HEAD_BYTES + (sizeof(struct wall_record) > sizeof(struct wall_gap)
                                           ? sizeof(struct wall_record)
                                           : sizeof(struct wall_gap)));
    /* Rows, an end of want for each, two cursors a well, and one pack of records that a skip mark
     * may waste. */
    inbox->size = INBOX_ROWS_MAX * row + rounded(HEAD_BYTES + sizeof(struct wall_records)) +
                  INBOX_ROWS_MAX * rounded(HEAD_BYTES + sizeof(struct wall_end_of_want)) +
                  2 * wells * rounded(HEAD_BYTES + sizeof(struct wall_cursor));
    inbox->n_wells = n_wells;
    inbox->bytes = malloc(inbox->size);
    inbox->pending = calloc(wells, sizeof *inbox->pending);
    inbox->more = calloc(wells, sizeof *inbox->more);
    inbox->order = calloc(wells, sizeof *inbox->order);
    inbox->event_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (inbox->bytes == NULL || inbox->pending == NULL || inbox->more == NULL ||
        inbox->order == NULL || inbox->event_fd < 0 ||
        pthread_mutex_init(&inbox->lock, NULL) != 0) {
        release(inbox);
        return NULL;
    }
    return inbox;
}

void inbox_destroy(struct inbox *inbox)
{
    if (inbox == NULL)
        return;
    pthread_mutex_destroy(&inbox->lock);
    release(inbox);
}

static void inbox_wake(struct inbox *inbox)
{
    const uint64_t one = 1;
    ssize_t written =
        write(inbox->event_fd, &one, sizeof one); /* a full eventfd is readable already */
    (void)written;
}

int inbox_fd(const struct inbox *inbox)
{
    return inbox->event_fd;
}

/** Room for `need` bytes in one piece, or NULL. Called with the lock held. */
static uint8_t *reserve(struct inbox *inbox, size_t need)
{
    if (inbox->used == 0)
        inbox->from = inbox->gap = 0;
    size_t end = inbox->from + inbox->used;
    if (end < inbox->size || (inbox->from == 0 && end == inbox->size)) { /* not wrapped */
        if (need <= inbox->size - end) {
            inbox->used += need;
            return inbox->bytes + end;
        }
        if (need > inbox->from)
            return NULL;
        inbox->gap = inbox->size - end;
        if (inbox->gap > 0)
            memset(inbox->bytes + end, 0, sizeof(uint32_t));
        inbox->used += inbox->gap + need;
        return inbox->bytes;
    }
    end -= inbox->size; /* wrapped: free from end to the oldest */
    if (need > inbox->from - end)
        return NULL;
    inbox->used += need;
    return inbox->bytes + end;
}

bool inbox_put(struct inbox *inbox, const struct wall_message *message)
{
    size_t body = body_bytes(message);
    if (body == 0)
        return false;
    size_t need = rounded(HEAD_BYTES + body);
    pthread_mutex_lock(&inbox->lock);
    uint8_t *at = reserve(inbox, need);
    if (at != NULL) {
        uint32_t length = (uint32_t)need;
        memcpy(at, &length, sizeof length);
        memcpy(at + sizeof length, &message->kind, sizeof message->kind);
        memcpy(at + HEAD_BYTES, &message->record, body); /* all members of the union start there */
    } else {
        inbox->lost++;
    }
    pthread_mutex_unlock(&inbox->lock);
    inbox_wake(inbox);
    return at != NULL;
}

bool inbox_put_more(struct inbox *inbox, uint16_t index, const struct wall_more *more)
{
    if (index >= inbox->n_wells)
        return false;
    pthread_mutex_lock(&inbox->lock);
    inbox->more[index] = *more;
    if (!inbox->pending[index]) {
        inbox->pending[index] = true;
        inbox->n_pending++;
    }
    pthread_mutex_unlock(&inbox->lock);
    inbox_wake(inbox);
    return true;
}

bool inbox_put_order(struct inbox *inbox, uint16_t index, const struct wall_order *order)
{
    if (index >= inbox->n_wells || order->order == 0)
        return false;
    pthread_mutex_lock(&inbox->lock);
    if (inbox->order[index].order == 0)
        inbox->n_orders++;
    inbox->order[index] = *order;
    pthread_mutex_unlock(&inbox->lock);
    inbox_wake(inbox);
    return true;
}

/** Called with the lock held. */
static void take_order(struct inbox *inbox, struct wall_message *message)
{
    uint16_t index = 0;
    while (inbox->order[index].order == 0)
        index++;
    message->kind = WALL_ORDER;
    message->order = inbox->order[index];
    inbox->order[index].order = 0;
    inbox->n_orders--;
}

/** Called with the lock held; wells take turns. */
static void take_more(struct inbox *inbox, struct wall_message *message)
{
    while (!inbox->pending[inbox->next_pending])
        inbox->next_pending = (uint16_t)((inbox->next_pending + 1) % inbox->n_wells);
    message->kind = WALL_MORE;
    message->more = inbox->more[inbox->next_pending];
    inbox->pending[inbox->next_pending] = false;
    inbox->n_pending--;
}

/** Of a pack the next record, behind the last one the want's end; true: more stands behind it, so
 * the pack stays. */
static bool take_of_pack(struct inbox *inbox, const uint8_t *body, struct wall_message *message)
{
    const struct wall_records *pack = (const struct wall_records *)(const void *)body;
    if (inbox->taken_of_pack == pack->n) {
        message->kind = WALL_END_OF_WANT;
        message->end_of_want = pack->end;
    } else {
        message->kind = WALL_RECORD;
        if (!wall_records_take(pack, &inbox->at_of_pack, &message->record))
            message->record =
                (struct wall_record){.destination = pack->destination}; /* no want's */
    }
    if (++inbox->taken_of_pack < pack->n + (pack->ends ? 1 : 0))
        return true;
    inbox->at_of_pack = inbox->taken_of_pack = 0;
    return false;
}

static void take_oldest(struct inbox *inbox, struct wall_message *message)
{
    uint32_t length = 0;
    if (inbox->size - inbox->from >= sizeof length)
        memcpy(&length, inbox->bytes + inbox->from, sizeof length);
    if (length == 0) { /* the skip mark, or nothing at all at the end */
        inbox->used -= inbox->gap;
        inbox->from = inbox->gap = 0;
        memcpy(&length, inbox->bytes, sizeof length);
    }
    const uint8_t *body = inbox->bytes + inbox->from + HEAD_BYTES;
    uint32_t kind;
    memcpy(&kind, inbox->bytes + inbox->from + sizeof length, sizeof kind);
    if (kind == WALL_RECORDS) {
        if (take_of_pack(inbox, body, message))
            return;
    } else {
        message->kind = kind;
        memcpy(&message->record, body, length - HEAD_BYTES);
    }
    inbox->from += length;
    inbox->used -= length;
}

bool inbox_take(struct inbox *inbox, struct wall_message *message)
{
    bool is_there = true;
    pthread_mutex_lock(&inbox->lock);
    if (inbox->used > 0)
        take_oldest(inbox, message);
    else if (inbox->n_pending > 0)
        take_more(inbox, message);
    else if (inbox->n_orders > 0)
        take_order(inbox, message);
    else
        is_there = false;
    pthread_mutex_unlock(&inbox->lock);
    return is_there;
}

uint64_t inbox_take_lost(struct inbox *inbox)
{
    pthread_mutex_lock(&inbox->lock);
    uint64_t lost = inbox->lost;
    inbox->lost = 0;
    pthread_mutex_unlock(&inbox->lock);
    return lost;
}
