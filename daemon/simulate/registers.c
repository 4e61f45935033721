/* SPDX-License-Identifier: Apache-2.0
 *
 * registers.c - truth to register words. `value` in the result is decoded again from the words'
 * number, so that a judge compares with what the registers say and not with what the well meant.
 */
#include "registers.h"

#include <math.h>
#include <string.h>

#include "uphole/wire.h"

#define WHOLE_MAX                                                                                  \
    9007199254740992.0 /* 2^53: whole numbers beyond it aren't told apart by a double */

static unsigned field_bits(const struct channel *channel)
{
    return channel->has_bits ? (unsigned)(channel->bit_high - channel->bit_low + 1)
                             : 16u * channel->n_words;
}

/* Lowest and highest whole number that the type holds. */
static void whole_limits(const struct channel *channel, double *low, double *high)
{
    double bits = field_bits(channel) > 63 ? 63 : field_bits(channel);
    switch (channel->type) {
    case TYPE_S16:
    case TYPE_S32:
    case TYPE_S64:
        *high = fmin(WHOLE_MAX, ldexp(1, 16 * channel->n_words - 1) - 1);
        *low = -fmin(WHOLE_MAX, *high + 1);
        break;
    case TYPE_BCD16:
        *low = 0, *high = 9999;
        break;
    case TYPE_BCD32:
    case TYPE_M10K32:
        *low = 0, *high = 99999999;
        break;
    default:
        *low = 0, *high = fmin(WHOLE_MAX, ldexp(1, (int)bits) - 1);
    }
}

static uint64_t whole_to_bits(const struct channel *channel, double whole)
{
    uint64_t number = whole < 0 ? (uint64_t)(int64_t)whole : (uint64_t)whole;
    if (channel->type == TYPE_M10K32)
        return number / 10000 << 16 | number % 10000;
    if (channel->type == TYPE_BCD16 || channel->type == TYPE_BCD32) {
        uint64_t digits = 0;
        for (unsigned i = 0; i < 8; i++, number /= 10)
            digits |= number % 10 << (4 * i);
        return digits;
    }
    return number;
}

static void put_bits(const struct channel *channel, uint64_t bits, struct encoded *out)
{
    unsigned n = channel->n_words > 4 ? 4 : channel->n_words;
    uint64_t mask = ~(uint64_t)0;
    if (channel->has_bits) {
        unsigned width = field_bits(channel);
        mask = (width >= 64 ? ~(uint64_t)0 : ((uint64_t)1 << width) - 1) << channel->bit_low;
        bits = bits << channel->bit_low & mask;
    }
    out->n = (uint16_t)n;
    put_registers(out->words, n, channel->words, channel->bytes, bits);
    put_registers(out->mask, n, channel->words, channel->bytes, mask);
}

static bool says_marker(const struct channel *channel, const struct encoded *out)
{
    const struct marker *const lists[] = {channel->not_fitted, channel->faults, channel->limits};
    const unsigned counts[] = {channel->n_markers, channel->n_faults, channel->n_limits};
    for (unsigned list = 0; list < 3; list++)
        for (unsigned i = 0; i < counts[list]; i++)
            if (lists[list][i].n_words == out->n &&
                memcmp(lists[list][i].words, out->words, out->n * sizeof out->words[0]) == 0)
                return true;
    return false;
}

static struct conversion conversion_of(const struct channel *channel)
{
    const struct conversion identity = {1, 0, 1};
    return channel->to_point.multiply != 0 && channel->to_point.divide != 0 ? channel->to_point
                                                                            : identity;
}

static void encode_whole(const struct channel *channel, double number, struct encoded *out)
{
    double low, high;
    whole_limits(channel, &low, &high);
    double whole = fmin(high, fmax(low, nearbyint(number)));
    double step = whole <= low ? 1 : -1;
    put_bits(channel, whole_to_bits(channel, whole), out);
    for (unsigned i = 0; i < 3 * MAP_MARKERS_MAX && !channel->has_bits && says_marker(channel, out);
         i++) {
        whole += step;
        put_bits(channel, whole_to_bits(channel, whole), out);
    }
    struct conversion conversion = conversion_of(channel);
    out->value = conversion_apply(&conversion, whole);
}

static void encode_float(const struct channel *channel, double number, struct encoded *out)
{
    struct conversion conversion = conversion_of(channel);
    uint64_t bits;
    if (channel->type == TYPE_F32) {
        float narrow = (float)number;
        bits = float_to_bits(narrow);
        number = (double)narrow;
    } else {
        memcpy(&bits, &number, sizeof bits);
    }
    put_bits(channel, bits, out);
    out->value = conversion_apply(&conversion, number);
}

static void encode_text(const struct channel *channel, const char *text, struct encoded *out)
{
    size_t length = text ? strlen(text) : 0;
    out->n =
        channel->n_words > REGISTERS_CHANNEL_WORDS ? REGISTERS_CHANNEL_WORDS : channel->n_words;
    for (unsigned i = 0; i < out->n; i++) {
        unsigned high = 2u * i < length ? (unsigned char)text[2 * i] : 0;
        unsigned low = 2u * i + 1 < length ? (unsigned char)text[2 * i + 1] : 0;
        out->words[i] =
            (uint16_t)(channel->bytes == BYTES_LOW_FIRST ? low << 8 | high : high << 8 | low);
        out->mask[i] = 0xFFFF;
    }
    out->value = NAN;
}

static void encode_enumeration(const struct channel *channel, double value, struct encoded *out)
{
    unsigned row = 0; /* what the map has no word for says its first one */
    for (unsigned i = 0; i < channel->n_values; i++)
        if (channel->values[i].becomes == (int32_t)lround(value)) {
            row = i;
            break;
        }
    put_bits(channel, whole_to_bits(channel, channel->values[row].raw), out);
    out->value = channel->values[row].becomes;
}

void registers_encode(const struct channel *channel, double value, const char *text,
                      struct encoded *out)
{
    memset(out, 0, sizeof *out);
    struct conversion conversion = conversion_of(channel);
    double number = (value * conversion.divide - conversion.add) / conversion.multiply;
    if (channel->type == TYPE_TEXT)
        encode_text(channel, text, out);
    else if (channel->n_values)
        encode_enumeration(channel, value, out);
    else if (channel->type == TYPE_F32 || channel->type == TYPE_F64)
        encode_float(channel, number, out);
    else
        encode_whole(channel, number, out);
}

void registers_marker(const struct channel *channel, const struct marker *markers, unsigned n,
                      struct encoded *out)
{
    memset(out, 0, sizeof *out);
    out->n =
        channel->n_words > REGISTERS_CHANNEL_WORDS ? REGISTERS_CHANNEL_WORDS : channel->n_words;
    out->value = NAN;
    if (channel->has_bits) {
        put_bits(channel, 0, out);
        return;
    }
    for (unsigned i = 0; i < out->n; i++) {
        out->mask[i] = 0xFFFF;
        if (n && i < markers[0].n_words)
            out->words[i] = markers[0].words[i];
    }
}
