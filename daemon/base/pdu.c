/* SPDX-License-Identifier: Apache-2.0
 *
 * pdu.c - Modbus read requests as bytes, and what an answer is to its request. Pure.
 *
 * Read functions only: no encoder for a write exists in the program.
 * Sources: Modbus Application Protocol V1.1b3, 6.1 to 6.4 and 6.21; Modbus over Serial Line
 * V1.02, 2.5.1; Modbus Messaging on TCP/IP V1.0b, 3.1.
 */
#include "uphole/pdu.h"

#include "uphole/wire.h"

#include <string.h>

#define REGISTERS_MAX 125 /* V1.1b3, 6.3 and 6.4 */
#define BITS_MAX 2000     /* V1.1b3, 6.1 and 6.2 */

static bool is_bit_read(uint8_t function)
{
    return function == MODBUS_READ_COILS || function == MODBUS_READ_DISCRETE_INPUTS;
}
static bool is_register_read(uint8_t function)
{
    return function == MODBUS_READ_HOLDING_REGISTERS || function == MODBUS_READ_INPUT_REGISTERS;
}

size_t pdu_put_read(uint8_t into[static PDU_MAX], const struct read_request *request)
{
    unsigned most = is_bit_read(request->function)        ? BITS_MAX
                    : is_register_read(request->function) ? REGISTERS_MAX
                                                          : 0;
    if (request->count == 0 || request->count > most ||
        (unsigned)request->first + request->count > 0x10000u)
        return 0;
    into[0] = request->function;
    put_u16(into + 1, request->first);
    put_u16(into + 3, request->count);
    return 5;
}

size_t pdu_put_identify(uint8_t into[static PDU_MAX], uint8_t code, uint8_t object)
{
    into[0] = MODBUS_ENCAPSULATED;
    into[1] = 0x0E;
    into[2] = code;
    into[3] = object;
    return 4;
}

size_t rtu_put_frame(uint8_t into[static RTU_ADU_MAX], uint8_t unit_id, const uint8_t *pdu,
                     size_t n)
{
    if (n == 0 || n > PDU_MAX)
        return 0;
    into[0] = unit_id;
    memmove(into + 1, pdu, n);
    uint16_t crc = crc16(into, n + 1);
    into[n + 1] = (uint8_t)(crc & 0xFF); /* the CRC alone goes low byte first (V1.02, 6.2.2) */
    into[n + 2] = (uint8_t)(crc >> 8);
    return n + 3;
}

size_t tcp_put_frame(uint8_t into[static TCP_ADU_MAX], uint16_t transaction, uint8_t unit_id,
                     const uint8_t *pdu, size_t n)
{
    if (n == 0 || n > PDU_MAX)
        return 0;
    memmove(into + MBAP_SIZE, pdu, n);
    put_u16(into, transaction);
    put_u16(into + 2, 0);
    put_u16(into + 4, (uint16_t)(n + 1)); /* unit id and PDU */
    into[6] = unit_id;
    return MBAP_SIZE + n;
}

size_t pdu_answer_length(const struct read_request *request)
{
    if (is_bit_read(request->function))
        return 2 + ((size_t)request->count + 7) / 8;
    return 2 + 2 * (size_t)request->count;
}

enum answer_verdict pdu_check_answer(const struct read_request *request, const uint8_t *pdu,
                                     size_t n, uint8_t *exception)
{
    *exception = 0;
    if (n == 0)
        return ANSWER_WRONG_LENGTH;
    if (pdu[0] == (request->function | 0x80)) {
        if (n != 2 || !exception_is_a_code(pdu[1]))
            return ANSWER_WRONG_LENGTH;
        *exception = pdu[1];
        return ANSWER_EXCEPTION;
    }
    if (pdu[0] != request->function)
        return ANSWER_WRONG_FUNCTION;
    size_t want = pdu_answer_length(request);
    return n == want && pdu[1] == want - 2 ? ANSWER_MATCHES : ANSWER_WRONG_LENGTH;
}

bool rtu_crc_is_right(const uint8_t *frame, size_t n)
{
    if (n < 4)
        return false;
    uint16_t crc = crc16(frame, n - 2);
    return frame[n - 2] == (crc & 0xFF) && frame[n - 1] == crc >> 8;
}
