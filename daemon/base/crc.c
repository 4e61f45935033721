/* SPDX-License-Identifier: Apache-2.0
 *
 * crc.c - the two check sums: of a Modbus RTU frame and of a row of the journal.
 *
 * Both are reflected; a table of 16 steps half a byte at a time is small enough for the cache of
 * any board.
 */
#include "uphole/wire.h"

/** Remainder of each half byte by polynomial 0xA001 (reflected 0x8005). */
static const uint16_t CRC16_HALF_BYTES[16] = {
    0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401,
    0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400,
};
/** Remainder of each half byte by polynomial 0xEDB88320 (reflected 0x04C11DB7). */
static const uint32_t CRC32_HALF_BYTES[16] = {
    0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
    0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C,
};

uint16_t crc16(const uint8_t *bytes, size_t n)
{
    unsigned crc = 0xFFFF;
    for (size_t i = 0; i < n; i++) {
        crc ^= bytes[i];
        crc = crc >> 4 ^ CRC16_HALF_BYTES[crc & 15];
        crc = crc >> 4 ^ CRC16_HALF_BYTES[crc & 15];
    }
    return (uint16_t)crc;
}

uint32_t crc32_of(uint32_t before, const void *bytes, size_t n)
{
    const uint8_t *at = bytes;
    uint32_t crc = ~before;
    for (size_t i = 0; i < n; i++) {
        crc ^= at[i];
        crc = crc >> 4 ^ CRC32_HALF_BYTES[crc & 15];
        crc = crc >> 4 ^ CRC32_HALF_BYTES[crc & 15];
    }
    return ~crc;
}
