/* SPDX-License-Identifier: Apache-2.0
 *
 * crc.c - the two check sums: of a Modbus RTU frame and of a row of the journal.
 *
 * Both are reflected; tables of 16 steps half a byte at a time are small enough for the cache of
 * any board. Rows are long and many, so theirs takes four bytes at a time: eight half bytes whose
 * remainders do not wait for one another.
 */
#include "uphole/wire.h"

/** Remainder of each half byte by polynomial 0xA001 (reflected 0x8005). */
static const uint16_t CRC16_HALF_BYTES[16] = {
    0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401,
    0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400,
};
/** By polynomial 0xEDB88320 (reflected 0x04C11DB7): remainder of each half byte with so many half
 * bytes behind it. */
static const uint32_t CRC32_HALF_BYTES[8][16] = {
    {0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
     0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278,
     0xBDBDF21C},
    {0x00000000, 0x77073096, 0xEE0E612C, 0x990951BA, 0x076DC419, 0x706AF48F, 0xE963A535, 0x9E6495A3,
     0x0EDB8832, 0x79DCB8A4, 0xE0D5E91E, 0x97D2D988, 0x09B64C2B, 0x7EB17CBD, 0xE7B82D07,
     0x90BF1D91},
    {0x00000000, 0x4AC21251, 0x958424A2, 0xDF4636F3, 0xF0794F05, 0xBABB5D54, 0x65FD6BA7, 0x2F3F79F6,
     0x3B83984B, 0x71418A1A, 0xAE07BCE9, 0xE4C5AEB8, 0xCBFAD74E, 0x8138C51F, 0x5E7EF3EC,
     0x14BCE1BD},
    {0x00000000, 0x191B3141, 0x32366282, 0x2B2D53C3, 0x646CC504, 0x7D77F445, 0x565AA786, 0x4F4196C7,
     0xC8D98A08, 0xD1C2BB49, 0xFAEFE88A, 0xE3F4D9CB, 0xACB54F0C, 0xB5AE7E4D, 0x9E832D8E,
     0x87981CCF},
    {0x00000000, 0x1C26A370, 0x384D46E0, 0x246BE590, 0x709A8DC0, 0x6CBC2EB0, 0x48D7CB20, 0x54F16850,
     0xE1351B80, 0xFD13B8F0, 0xD9785D60, 0xC55EFE10, 0x91AF9640, 0x8D893530, 0xA9E2D0A0,
     0xB5C473D0},
    {0x00000000, 0x01C26A37, 0x0384D46E, 0x0246BE59, 0x0709A8DC, 0x06CBC2EB, 0x048D7CB2, 0x054F1685,
     0x0E1351B8, 0x0FD13B8F, 0x0D9785D6, 0x0C55EFE1, 0x091AF964, 0x08D89353, 0x0A9E2D0A,
     0x0B5C473D},
    {0x00000000, 0x5019579F, 0xA032AF3E, 0xF02BF8A1, 0x9B14583D, 0xCB0D0FA2, 0x3B26F703, 0x6B3FA09C,
     0xED59B63B, 0xBD40E1A4, 0x4D6B1905, 0x1D724E9A, 0x764DEE06, 0x2654B999, 0xD67F4138,
     0x866616A7},
    {0x00000000, 0xB8BC6765, 0xAA09C88B, 0x12B5AFEE, 0x8F629757, 0x37DEF032, 0x256B5FDC, 0x9DD738B9,
     0xC5B428EF, 0x7D084F8A, 0x6FBDE064, 0xD7018701, 0x4AD6BFB8, 0xF26AD8DD, 0xE0DF7733,
     0x58631056},
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

/** Of eight half bytes at once; written out, so that the compiler need not guess that it pays. */
static uint32_t crc32_of_four(uint32_t four)
{
    return CRC32_HALF_BYTES[7][four & 15] ^ CRC32_HALF_BYTES[6][four >> 4 & 15] ^
           CRC32_HALF_BYTES[5][four >> 8 & 15] ^ CRC32_HALF_BYTES[4][four >> 12 & 15] ^
           CRC32_HALF_BYTES[3][four >> 16 & 15] ^ CRC32_HALF_BYTES[2][four >> 20 & 15] ^
           CRC32_HALF_BYTES[1][four >> 24 & 15] ^ CRC32_HALF_BYTES[0][four >> 28];
}

uint32_t crc32_of(uint32_t before, const void *bytes, size_t n)
{
    const uint8_t *at = bytes;
    uint32_t crc = ~before;
    for (; n >= 4; n -= 4, at += 4)
        crc = crc32_of_four(crc ^ ((uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 |
                                   (uint32_t)at[3] << 24));
    for (; n > 0; n--, at++) {
        crc ^= *at;
        crc = crc >> 4 ^ CRC32_HALF_BYTES[0][crc & 15];
        crc = crc >> 4 ^ CRC32_HALF_BYTES[0][crc & 15];
    }
    return ~crc;
}
