/* SPDX-License-Identifier: Apache-2.0
 *
 * wire.h - bytes to numbers and back, by shifts: no casts of pointers, no shift into a sign bit.
 */
#ifndef UPHOLE_WIRE_H
#define UPHOLE_WIRE_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

enum word_order { WORDS_UNSET = 0, WORDS_HIGH_FIRST, WORDS_LOW_FIRST };
enum byte_order { BYTES_UNSET = 0, BYTES_HIGH_FIRST, BYTES_LOW_FIRST };

static inline uint16_t get_u16(const uint8_t *at)
{
    return (uint16_t)((unsigned)at[0] << 8 | at[1]);
}
static inline void put_u16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)(value >> 8);
    at[1] = (uint8_t)(value & 0xFF);
}
static inline uint32_t get_u32(const uint8_t *at)
{
    return (uint32_t)get_u16(at) << 16 | get_u16(at + 2);
}
static inline void put_u32(uint8_t *at, uint32_t value)
{
    put_u16(at, (uint16_t)(value >> 16));
    put_u16(at + 2, (uint16_t)(value & 0xFFFF));
}
static inline uint64_t get_u64(const uint8_t *at)
{
    return (uint64_t)get_u32(at) << 32 | get_u32(at + 4);
}
static inline void put_u64(uint8_t *at, uint64_t value)
{
    put_u32(at, (uint32_t)(value >> 32));
    put_u32(at + 4, (uint32_t)(value & 0xFFFFFFFFu));
}
/** Joins `n` (1 to 4) registers as read into one number, most significant first after the orders are undone. */
static inline uint64_t get_registers(const uint16_t *registers, unsigned n, enum word_order words,
                                     enum byte_order bytes)
{
    uint64_t value = 0;
    for (unsigned i = 0; i < n; i++) {
        uint16_t word = registers[words == WORDS_LOW_FIRST ? n - 1 - i : i];
        if (bytes == BYTES_LOW_FIRST)
            word = (uint16_t)((unsigned)word << 8 | word >> 8);
        value = value << 16 | word;
    }
    return value;
}
static inline void put_registers(uint16_t *registers, unsigned n, enum word_order words,
                                 enum byte_order bytes, uint64_t value)
{
    for (unsigned i = 0; i < n; i++) {
        uint16_t word = (uint16_t)(value >> (16 * (n - 1 - i)) & 0xFFFF);
        if (bytes == BYTES_LOW_FIRST)
            word = (uint16_t)((unsigned)word << 8 | word >> 8);
        registers[words == WORDS_LOW_FIRST ? n - 1 - i : i] = word;
    }
}
static inline float float_from_bits(uint32_t bits)
{
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}
static inline uint32_t float_to_bits(float value)
{
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}
static inline double double_from_bits(uint64_t bits)
{
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

/** CRC-16 of Modbus: polynomial 0xA001 reflected, start 0xFFFF; sent low byte first. Source: Modbus over Serial Line V1.02, 6.2.2. */
uint16_t crc16(const uint8_t *bytes, size_t n);
/** CRC-32 (IEEE 802.3, reflected 0xEDB88320, as zlib's); start with 0. For rows of the journal. */
uint32_t crc32_of(uint32_t before, const void *bytes, size_t n);

#endif
