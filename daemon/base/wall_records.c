/* SPDX-License-Identifier: Apache-2.0
 *
 * wall_records.c - several records in one message of the wall. A message costs system calls and a
 * wake-up, more than measuring a record does, so a backlog goes in packs.
 *
 * A record stands as the leading bytes of a struct packed, up to its readings; then n readings
 * without their uncertainties; then, where a destination asks for them, n uncertainties.
 */
#include "wall.h"

#include <string.h>

struct packed {
    uint8_t live, with_uncertainties;
    struct record record;
};
struct packed_reading {
    uint16_t point;
    uint8_t quality, worst_input;
    float age_s;
    double value;
};

#define RECORD_AT offsetof(struct packed, record)
#define HEAD_BYTES (RECORD_AT + offsetof(struct record, reading))

static bool has_uncertainties(const struct record *record)
{
    for (uint16_t i = 0; i < record->n; i++)
        if (record->reading[i].u != 0.0)
            return true;
    return false;
}

static size_t bytes_of(uint16_t n, bool with_uncertainties)
{
    return HEAD_BYTES +
           n * (sizeof(struct packed_reading) + (with_uncertainties ? sizeof(double) : 0));
}

bool wall_records_add(struct wall_records *to, const struct record *record, bool live)
{
    if (record->n > RECORD_READINGS_MAX || to->n >= WALL_WANT_MAX || to->size > sizeof to->bytes)
        return false;
    const bool with_uncertainties = has_uncertainties(record);
    const size_t bytes = bytes_of(record->n, with_uncertainties);
    if (bytes > sizeof to->bytes - to->size)
        return false;
    char *at = to->bytes + to->size;
    memset(at, 0, RECORD_AT);
    at[offsetof(struct packed, live)] = live;
    at[offsetof(struct packed, with_uncertainties)] = with_uncertainties;
    memcpy(at + RECORD_AT, record, offsetof(struct record, reading));
    at += HEAD_BYTES;
    for (uint16_t i = 0; i < record->n; i++, at += sizeof(struct packed_reading)) {
        const struct reading *from = &record->reading[i];
        const struct packed_reading packed = {.point = from->point,
                                              .quality = from->quality,
                                              .worst_input = from->worst_input,
                                              .age_s = from->age_s,
                                              .value = from->value};
        memcpy(at, &packed, sizeof packed);
    }
    for (uint16_t i = 0; with_uncertainties && i < record->n; i++, at += sizeof(double))
        memcpy(at, &record->reading[i].u, sizeof(double));
    to->size += (uint32_t)bytes;
    to->n++;
    return true;
}

bool wall_records_take(const struct wall_records *from, size_t *at, struct wall_record *out)
{
    if (from->size > sizeof from->bytes || *at > from->size || from->size - *at < HEAD_BYTES)
        return false;
    const char *packed = from->bytes + *at;
    const uint8_t live = (uint8_t)packed[offsetof(struct packed, live)];
    const uint8_t flag = (uint8_t)packed[offsetof(struct packed, with_uncertainties)];
    uint16_t n;
    memcpy(&n, packed + RECORD_AT + offsetof(struct record, n), sizeof n);
    if (live > 1 || flag > 1 || n > RECORD_READINGS_MAX ||
        bytes_of(n, flag == 1) > from->size - *at)
        return false;
    out->destination = from->destination;
    out->serial = from->serial;
    out->live = live == 1;
    memcpy(&out->record, packed + RECORD_AT, offsetof(struct record, reading));
    const char *readings = packed + HEAD_BYTES,
               *uncertainties = readings + n * sizeof(struct packed_reading);
    for (uint16_t i = 0; i < n; i++) {
        struct reading *to = &out->record.reading[i];
        struct packed_reading one;
        memcpy(&one, readings + i * sizeof one, sizeof one);
        to->point = one.point;
        to->quality = one.quality;
        to->worst_input = one.worst_input;
        to->age_s = one.age_s;
        to->value = one.value;
        to->u = 0.0;
        if (flag == 1)
            memcpy(&to->u, uncertainties + i * sizeof(double), sizeof(double));
    }
    *at += bytes_of(n, flag == 1);
    return true;
}
