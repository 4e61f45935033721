/* SPDX-License-Identifier: Apache-2.0
 *
 * answer.c - a request's bytes to an answer's bytes, out of the image (pure).
 *
 * Order of checks: unit id (0A), function (01), quantity and length (03), address range (02).
 * Source: Modbus Application Protocol V1.1b3, state diagrams of 6.3, 6.4 and 6.21. Nothing here
 * writes.
 */
#include "image.h"
#include "layout.h"

#include "uphole/wire.h"

#include <stdio.h>
#include <string.h>

#define MEI_IDENTIFY 0x0E
#define CONFORMITY_EXTENDED 0x83 /* extended objects, as a stream and one by one */
#define FIRST_WELL_OBJECT 0x80
#define REGISTERS_MOST 125
#define OBJECT_MAX 100 /* bytes: well id, a blank, label */

enum identify_code { IDENTIFY_BASIC = 1, IDENTIFY_REGULAR, IDENTIFY_EXTENDED, IDENTIFY_ONE };

static size_t except(uint8_t answer[static PDU_MAX], uint8_t function, uint8_t code)
{
    answer[0] = (uint8_t)(function | 0x80u);
    answer[1] = code;
    return 2;
}

static size_t answer_read(const struct table_image *image, int view, const uint8_t *request,
                          size_t n, uint8_t answer[static PDU_MAX])
{
    if (n != 5)
        return except(answer, request[0], MODBUS_ILLEGAL_VALUE);
    uint32_t first = get_u16(request + 1), count = get_u16(request + 3);
    if (count < 1 || count > REGISTERS_MOST)
        return except(answer, request[0], MODBUS_ILLEGAL_VALUE);
    if (first + count > image_registers(image))
        return except(answer, request[0], MODBUS_ILLEGAL_ADDRESS);
    answer[0] = request[0];
    answer[1] = (uint8_t)(2 * count);
    memcpy(answer + 2, image_bytes(image, view) + (size_t)2 * first, (size_t)2 * count);
    return 2 + (size_t)2 * count;
}

/** Text of an identification object; its length, 0 where there is no such object. */
static size_t object_text(const struct table_image *image, unsigned id,
                          char text[static OBJECT_MAX])
{
    static const char *const basic[] = {"Uphole", "uphole-table", UPHOLE_VERSION};
    int length;
    if (id < sizeof basic / sizeof *basic) {
        length = snprintf(text, OBJECT_MAX, "%s", basic[id]);
    } else {
        const struct well_plan *well =
            id >= FIRST_WELL_OBJECT ? image_well(image, id - FIRST_WELL_OBJECT) : NULL;
        if (well == NULL)
            return 0;
        length = snprintf(text, OBJECT_MAX, "%s %s", well->id, well->label);
    }
    return length < 0 ? 0 : (size_t)length < OBJECT_MAX ? (size_t)length : OBJECT_MAX - 1;
}

/** Next object from `id` on that a stream of this code shows; 256: no more. */
static unsigned next_object(const struct table_image *image, uint8_t code, unsigned id)
{
    unsigned end = code == IDENTIFY_EXTENDED ? 256 : FIRST_WELL_OBJECT;
    char text[OBJECT_MAX];
    while (id < end && object_text(image, id, text) == 0)
        id++;
    return id < end ? id : 256;
}

static size_t put_object(uint8_t answer[static PDU_MAX], size_t at, unsigned id, const char *text,
                         size_t length)
{
    answer[at] = (uint8_t)id;
    answer[at + 1] = (uint8_t)length;
    memcpy(answer + at + 2, text, length);
    return at + 2 + length;
}

static size_t answer_identify(const struct table_image *image, const uint8_t *request, size_t n,
                              uint8_t answer[static PDU_MAX])
{
    if (n >= 2 && request[1] != MEI_IDENTIFY)
        return except(answer, request[0], MODBUS_ILLEGAL_FUNCTION);
    if (n != 4 || request[2] < IDENTIFY_BASIC || request[2] > IDENTIFY_ONE)
        return except(answer, request[0], MODBUS_ILLEGAL_VALUE);
    uint8_t code = request[2];
    unsigned id = request[3];
    char text[OBJECT_MAX];
    size_t length = object_text(image, id, text);
    const uint8_t head[] = {MODBUS_ENCAPSULATED, MEI_IDENTIFY, code, CONFORMITY_EXTENDED, 0, 0, 0};
    memcpy(answer, head, sizeof head);
    size_t at = sizeof head;
    if (code == IDENTIFY_ONE) {
        if (length == 0)
            return except(answer, request[0], MODBUS_ILLEGAL_ADDRESS);
        answer[6] = 1;
        return put_object(answer, at, id, text, length);
    }
    if (length == 0 || (code != IDENTIFY_EXTENDED && id >= FIRST_WELL_OBJECT))
        id = 0; /* an unknown object: the stream starts over (6.21) */
    while (id < 256) {
        length = object_text(image, id, text);
        if (at + 2 + length > PDU_MAX) {
            answer[4] = 0xFF; /* more follows, from */
            answer[5] = (uint8_t)id;
            break;
        }
        at = put_object(answer, at, id, text, length);
        answer[6]++;
        id = next_object(image, code, id + 1);
    }
    return at;
}

size_t table_answer(const struct table_image *image, uint8_t unit, const uint8_t *request, size_t n,
                    uint8_t answer[static PDU_MAX])
{
    if (n < 1)
        return 0;
    int view = image_view_of(image, unit);
    if (view < 0)
        return except(answer, request[0], MODBUS_PATH_UNAVAILABLE);
    switch (request[0]) {
    case MODBUS_READ_HOLDING_REGISTERS:
    case MODBUS_READ_INPUT_REGISTERS:
        return answer_read(image, view, request, n, answer);
    case MODBUS_ENCAPSULATED:
        return answer_identify(image, request, n, answer);
    default:
        return except(answer, request[0], MODBUS_ILLEGAL_FUNCTION);
    }
}
