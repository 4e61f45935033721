/* SPDX-License-Identifier: Apache-2.0
 *
 * wall_records.c - several records in one message of the wall. A message costs two system calls and
 * a wake-up, about as much as measuring a record, so a backlog goes in packs.
 *
 * A record stands as the leading bytes of a struct packed, up to its last reading.
 */
#include "wall.h"

#include <string.h>

struct packed {
    bool live;
    struct record record;
};

#define HEAD_BYTES (offsetof(struct packed, record) + offsetof(struct record, reading))

bool wall_records_add(struct wall_records *to, const struct record *record, bool live)
{
    if (record->n > RECORD_READINGS_MAX || to->n >= WALL_WANT_MAX || to->size > sizeof to->bytes)
        return false;
    const size_t record_bytes =
        offsetof(struct record, reading) + record->n * sizeof record->reading[0];
    const size_t bytes = offsetof(struct packed, record) + record_bytes;
    if (bytes > sizeof to->bytes - to->size)
        return false;
    char *at = to->bytes + to->size;
    memset(at, 0, offsetof(struct packed, record));
    memcpy(at + offsetof(struct packed, live), &live, sizeof live);
    memcpy(at + offsetof(struct packed, record), record, record_bytes);
    to->size += (uint32_t)bytes;
    to->n++;
    return true;
}

bool wall_records_take(const struct wall_records *from, size_t *at, struct wall_record *out)
{
    if (from->size > sizeof from->bytes || *at > from->size || from->size - *at < HEAD_BYTES)
        return false;
    const char *packed = from->bytes + *at, *record = packed + offsetof(struct packed, record);
    uint16_t n;
    memcpy(&n, record + offsetof(struct record, n), sizeof n);
    if (n > RECORD_READINGS_MAX ||
        n * sizeof out->record.reading[0] > from->size - *at - HEAD_BYTES)
        return false;
    out->destination = from->destination;
    out->serial = from->serial;
    memcpy(&out->live, packed + offsetof(struct packed, live), sizeof out->live);
    memcpy(&out->record, record,
           offsetof(struct record, reading) + n * sizeof out->record.reading[0]);
    *at += HEAD_BYTES + n * sizeof out->record.reading[0];
    return true;
}
