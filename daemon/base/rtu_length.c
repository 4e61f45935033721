/* SPDX-License-Identifier: Apache-2.0
 *
 * rtu_length.c - how long the RTU frame is that starts here, told from its first bytes. Pure.
 *
 * A USB adapter hands bytes over in lumps, so silences can't delimit frames there; length and CRC
 * do. No byte count is believed that its function can't have. Source: Modbus Application Protocol
 * V1.1b3, 6.1 to 6.21; sizes there are of the PDU, here with unit id and CRC.
 */
#include "uphole/pdu.h"

enum { LENGTH_UNKNOWN = -1, LENGTH_NEEDS_MORE = 0 };

#define MEI_IDENTIFY 0x0E
#define IDENTIFY_HEAD 8 /* unit, function, MEI, code, conformity, more, next, number of objects */

/** Where a function's frame tells its length: fixed, or a byte count at `count_at` between `least`
 * and `most`. */
struct shape {
    uint8_t function;
    uint8_t fixed;    /* whole length, or 0 */
    uint8_t count_at; /* index of the byte count, else 0 */
    uint8_t least, most;
    uint8_t even; /* the byte count is of whole registers */
};

/* All public functions, since another master may use any of them, and one whose frames nobody
 * recognises would not keep us silent. Of 0x08 the usual sub-functions with one word of data; of
 * 0x18 the lower byte of its count, which never needs the upper one. */
static const struct shape ANSWERS[] = {
    {0x01, 0, 2, 1, 250, 0}, {0x02, 0, 2, 1, 250, 0},  {0x03, 0, 2, 2, 250, 1},
    {0x04, 0, 2, 2, 250, 1}, {0x05, 8, 0, 0, 0, 0},    {0x06, 8, 0, 0, 0, 0},
    {0x07, 5, 0, 0, 0, 0},   {0x08, 8, 0, 0, 0, 0},    {0x0B, 8, 0, 0, 0, 0},
    {0x0C, 0, 2, 6, 70, 0},  {0x0F, 8, 0, 0, 0, 0},    {0x10, 8, 0, 0, 0, 0},
    {0x11, 0, 2, 1, 250, 0}, {0x14, 0, 2, 4, 0xF5, 0}, {0x15, 0, 2, 9, 0xFB, 0},
    {0x16, 10, 0, 0, 0, 0},  {0x17, 0, 2, 2, 250, 1},  {0x18, 0, 3, 2, 64, 1},
};
static const struct shape REQUESTS[] = {
    {0x01, 8, 0, 0, 0, 0},  {0x02, 8, 0, 0, 0, 0},     {0x03, 8, 0, 0, 0, 0},
    {0x04, 8, 0, 0, 0, 0},  {0x05, 8, 0, 0, 0, 0},     {0x06, 8, 0, 0, 0, 0},
    {0x07, 4, 0, 0, 0, 0},  {0x08, 8, 0, 0, 0, 0},     {0x0B, 4, 0, 0, 0, 0},
    {0x0C, 4, 0, 0, 0, 0},  {0x0F, 0, 6, 1, 0xF6, 0},  {0x10, 0, 6, 2, 0xF6, 1},
    {0x11, 4, 0, 0, 0, 0},  {0x14, 0, 2, 7, 0xF5, 0},  {0x15, 0, 2, 9, 0xFB, 0},
    {0x16, 10, 0, 0, 0, 0}, {0x17, 0, 10, 2, 0xF2, 1}, {0x18, 6, 0, 0, 0, 0},
};

static int length_by_shape(const struct shape *shapes, size_t n_shapes, const uint8_t *bytes,
                           size_t n)
{
    for (size_t i = 0; i < n_shapes; i++) {
        const struct shape *shape = &shapes[i];
        if (shape->function != bytes[1])
            continue;
        if (shape->fixed != 0)
            return shape->fixed;
        if (n <= shape->count_at)
            return LENGTH_NEEDS_MORE;
        uint8_t count = bytes[shape->count_at];
        if (count < shape->least || count > shape->most || (shape->even && count % 2 != 0))
            return LENGTH_UNKNOWN;
        return shape->count_at + 1 + count + 2;
    }
    return LENGTH_UNKNOWN;
}

/** Walks the objects (id, length, bytes) of an identification; at most 255 of them, and never
 * beyond a frame's greatest length. */
static int identify_answer_length(const uint8_t *bytes, size_t n)
{
    if (n < IDENTIFY_HEAD)
        return LENGTH_NEEDS_MORE;
    size_t at = IDENTIFY_HEAD;
    for (unsigned left = bytes[7]; left > 0; left--) {
        if (at + 2 + 2 > RTU_ADU_MAX)
            return LENGTH_UNKNOWN;
        if (n < at + 2)
            return LENGTH_NEEDS_MORE;
        at += 2 + (size_t)bytes[at + 1];
    }
    return at + 2 <= RTU_ADU_MAX ? (int)(at + 2) : LENGTH_UNKNOWN;
}

int rtu_answer_length(const uint8_t *bytes, size_t n)
{
    if (n < 2)
        return LENGTH_NEEDS_MORE;
    if (bytes[1] & 0x80)
        return 5;
    if (bytes[1] != MODBUS_ENCAPSULATED)
        return length_by_shape(ANSWERS, sizeof ANSWERS / sizeof ANSWERS[0], bytes, n);
    if (n < 3)
        return LENGTH_NEEDS_MORE;
    return bytes[2] == MEI_IDENTIFY ? identify_answer_length(bytes, n) : LENGTH_UNKNOWN;
}

int rtu_request_length(const uint8_t *bytes, size_t n)
{
    if (n < 2)
        return LENGTH_NEEDS_MORE;
    if (bytes[1] != MODBUS_ENCAPSULATED)
        return length_by_shape(REQUESTS, sizeof REQUESTS / sizeof REQUESTS[0], bytes, n);
    if (n < 3)
        return LENGTH_NEEDS_MORE;
    return bytes[2] == MEI_IDENTIFY ? 7 : LENGTH_UNKNOWN;
}
