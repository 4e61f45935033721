/* SPDX-License-Identifier: Apache-2.0
 *
 * pdu.h - Modbus requests and answers as bytes (pure). There is no encoder for a write: nothing here can change a well.
 * Source: Modbus Application Protocol V1.1b3; Modbus over Serial Line V1.02; Modbus Messaging on TCP/IP V1.0b.
 */
#ifndef UPHOLE_PDU_H
#define UPHOLE_PDU_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PDU_MAX 253
#define RTU_ADU_MAX 256
#define TCP_ADU_MAX 260
#define MBAP_SIZE 7

enum modbus_function {
    MODBUS_READ_COILS = 1,
    MODBUS_READ_DISCRETE_INPUTS = 2,
    MODBUS_READ_HOLDING_REGISTERS = 3,
    MODBUS_READ_INPUT_REGISTERS = 4,
    MODBUS_READ_FILE_RECORD = 0x14,
    MODBUS_ENCAPSULATED = 0x2B /* with 0x0E: read device identification */
};

enum modbus_exception {
    MODBUS_ILLEGAL_FUNCTION = 1,
    MODBUS_ILLEGAL_ADDRESS = 2,
    MODBUS_ILLEGAL_VALUE = 3,
    MODBUS_DEVICE_FAILURE = 4,
    MODBUS_ACKNOWLEDGE = 5,
    MODBUS_BUSY = 6,
    MODBUS_PATH_UNAVAILABLE = 0x0A,
    MODBUS_TARGET_SILENT = 0x0B
};

/** 0 and 0xFF are no codes of V1.1b3, 7; as such they would read as "none" and "no answer" in a scan's block. */
static inline bool exception_is_a_code(uint8_t code)
{
    return code != 0 && code != 0xFF;
}

/** A register or bit read: functions 1 to 4. */
struct read_request {
    uint8_t function;
    uint16_t first, count;
};

/** Writes the request's PDU (5 bytes); 0 where function, count (125 registers, 2,000 bits) or first + count > 65536 is not allowed. */
size_t pdu_put_read(uint8_t into[static PDU_MAX], const struct read_request *request);
/** Device identification, code 1 (basic) or 4 (one object). Returns 4. */
size_t pdu_put_identify(uint8_t into[static PDU_MAX], uint8_t code, uint8_t object);
/** Adds unit id and CRC: an RTU frame. Returns its length. */
size_t rtu_put_frame(uint8_t into[static RTU_ADU_MAX], uint8_t unit_id, const uint8_t *pdu, size_t n);
/** Adds the MBAP header: a TCP frame. Returns its length. */
size_t tcp_put_frame(uint8_t into[static TCP_ADU_MAX], uint16_t transaction, uint8_t unit_id,
                     const uint8_t *pdu, size_t n);

/** Bytes that a normal answer's PDU has (2 + 2 N registers, 2 + ceil(N / 8) bits); an exception's has 2. */
size_t pdu_answer_length(const struct read_request *request);

/** What an answer PDU is to its request. */
enum answer_verdict {
    ANSWER_MATCHES = 1,   /* data in place */
    ANSWER_EXCEPTION,     /* the function with 0x80 and a code */
    ANSWER_WRONG_FUNCTION,/* another function, or an exception to another function */
    ANSWER_WRONG_LENGTH   /* byte count or length is not that of the request */
};
enum answer_verdict pdu_check_answer(const struct read_request *request, const uint8_t *pdu, size_t n,
                                     uint8_t *exception);
/**
 * Length of the RTU frame that starts at `bytes`, read as an answer: > 0 whole length incl. CRC; 0 more bytes are needed to tell;
 * -1 no function that can be measured. Knows the public functions of V1.1b3 (of 0x2B 0x0E alone) and exceptions.
 */
int rtu_answer_length(const uint8_t *bytes, size_t n);
/** The same read as a request (for a listener beside another master). */
int rtu_request_length(const uint8_t *bytes, size_t n);
/** True if the last two bytes are the CRC of the rest. n >= 4. */
bool rtu_crc_is_right(const uint8_t *frame, size_t n);

#endif
