/* SPDX-License-Identifier: Apache-2.0
 *
 * identify.c - function 2B/0E: three basic objects with neutral texts, as a stream or one by one.
 * Source: Modbus Application Protocol V1.1b3, 6.21. All objects fit one answer, so `more` is always
 * 00.
 */
#include "identify.h"

#include <stdio.h>
#include <string.h>

#define READ_DEVICE_IDENTIFICATION 0x0E
#define CONFORMITY_BASIC 0x81 /* basic, stream and individual access */
#define OBJECTS 3
#define TEXT_MAX 40

static size_t put_exception(uint8_t answer[static PDU_MAX], uint8_t code)
{
    answer[0] = MODBUS_ENCAPSULATED | 0x80;
    answer[1] = code;
    return 2;
}

size_t identify_answer(const char *map_name, const uint8_t *request, size_t n,
                       uint8_t answer[static PDU_MAX])
{
    char texts[OBJECTS][TEXT_MAX] = {"Invented", "", "1"};
    if (n < 2 || request[1] != READ_DEVICE_IDENTIFICATION)
        return put_exception(answer, MODBUS_ILLEGAL_FUNCTION);
    if (n != 4 || request[2] < 1 || request[2] > 4)
        return put_exception(answer, MODBUS_ILLEGAL_VALUE);
    snprintf(texts[1], sizeof texts[1], "%s", map_name);
    unsigned first = request[3], last = OBJECTS - 1;
    bool one = request[2] == 4;
    if (one && first >= OBJECTS)
        return put_exception(answer, MODBUS_ILLEGAL_ADDRESS);
    if (first >= OBJECTS)
        first = 0; /* a stream that begins at an unknown object begins at 0 */
    if (one)
        last = first;
    const uint8_t head[] = {
        MODBUS_ENCAPSULATED,        READ_DEVICE_IDENTIFICATION, request[2], CONFORMITY_BASIC, 0, 0,
        (uint8_t)(last - first + 1)};
    memcpy(answer, head, sizeof head);
    size_t at = sizeof head;
    for (unsigned object = first; object <= last; object++) {
        size_t length = strlen(texts[object]);
        answer[at++] = (uint8_t)object;
        answer[at++] = (uint8_t)length;
        memcpy(answer + at, texts[object], length);
        at += length;
    }
    return at;
}
