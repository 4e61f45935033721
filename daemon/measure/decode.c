/* SPDX-License-Identifier: Apache-2.0
 *
 * decode.c - from registers to one number in the point's unit.
 *
 * The order is the point: bits as read -> marker -> fault -> number -> scale and unit in one step.
 * A marker is never looked for in a converted value: 65.535 MPa is 9505.05 psi, and neither equals
 * what a rounded comparison would look for.
 */
#include "fold_state.h"

#include <math.h>
#include <string.h>

#define REGISTERS_OF_A_NUMBER_MAX 4

static bool is_marker(const struct marker *marker, const uint16_t *words, unsigned n_words)
{
    unsigned same = 0;
    /* A 16-bit pattern in a 32-bit field is data, unless the map states both words. */
    if (marker->n_words != n_words || n_words > REGISTERS_OF_A_NUMBER_MAX)
        return false;
    while (same < n_words && marker->words[same] == words[same])
        same++;
    return same == n_words;
}

static bool marker_matches(const struct marker *markers, unsigned n, const uint16_t *words,
                           unsigned n_words)
{
    for (unsigned i = 0; i < n && i < MAP_MARKERS_MAX; i++)
        if (is_marker(&markers[i], words, n_words))
            return true;
    return false;
}

bool channel_has_marker(const struct channel *channel, const uint16_t *words)
{
    return marker_matches(channel->not_fitted, channel->n_markers, words, channel->n_words);
}

bool channel_has_fault(const struct channel *channel, const uint16_t *words)
{
    return marker_matches(channel->faults, channel->n_faults, words, channel->n_words);
}

static bool bcd_number(uint64_t raw, unsigned digits, double *number)
{
    uint64_t value = 0;
    for (unsigned i = digits; i > 0; i--) {
        uint64_t nibble = raw >> (4 * (i - 1)) & 0xF;
        if (nibble > 9)
            return false;
        value = value * 10 + nibble;
    }
    *number = (double)value;
    return true;
}

bool decode_number(enum register_type type, enum word_order words_order,
                   enum byte_order bytes_order, const uint16_t *words, double *number)
{
    uint64_t raw;
    switch (type) {
    case TYPE_U16:
    case TYPE_BITS:
        *number = (double)get_registers(words, 1, words_order, bytes_order);
        return true;
    case TYPE_S16:
        *number = (double)(int16_t)get_registers(words, 1, words_order, bytes_order);
        return true;
    case TYPE_U32:
        *number = (double)get_registers(words, 2, words_order, bytes_order);
        return true;
    case TYPE_S32:
        *number = (double)(int32_t)get_registers(words, 2, words_order, bytes_order);
        return true;
    case TYPE_U64:
        *number = (double)get_registers(words, 4, words_order, bytes_order);
        return true;
    case TYPE_S64:
        *number = (double)(int64_t)get_registers(words, 4, words_order, bytes_order);
        return true;
    case TYPE_F32:
        *number =
            (double)float_from_bits((uint32_t)get_registers(words, 2, words_order, bytes_order));
        return true;
    case TYPE_F64:
        *number = double_from_bits(get_registers(words, 4, words_order, bytes_order));
        return true;
    case TYPE_BCD16:
        return bcd_number(get_registers(words, 1, words_order, bytes_order), 4, number);
    case TYPE_BCD32:
        return bcd_number(get_registers(words, 2, words_order, bytes_order), 8, number);
    case TYPE_M10K32:
        raw = get_registers(words, 2, words_order, bytes_order);
        if (raw >> 16 > 9999 || (raw & 0xFFFF) > 9999)
            return false;
        *number = (double)((raw >> 16) * 10000 + (raw & 0xFFFF));
        return true;
    case TYPE_NONE:
    case TYPE_TEXT:
        break;
    }
    return false;
}

/** Two characters a register; NUL ends it, trailing spaces go. False: a byte that is no printable
 * ASCII. */
static bool decode_text(const struct channel *channel, const uint16_t *words, char *text,
                        size_t room)
{
    size_t n = 0;
    for (unsigned i = 0; i < channel->n_words; i++) {
        uint8_t pair[2];
        put_u16(pair, (uint16_t)get_registers(words + i, 1, WORDS_HIGH_FIRST, channel->bytes));
        for (unsigned k = 0; k < 2; k++) {
            if (pair[k] == 0)
                goto ended;
            if (pair[k] < 0x20 || pair[k] > 0x7E || n + 1 >= room)
                return false;
            text[n++] = (char)pair[k];
        }
    }
ended:
    while (n > 0 && text[n - 1] == ' ')
        n--;
    text[n] = '\0';
    return true;
}

static bool decode_bits(const struct channel *channel, const uint16_t *words, double *number)
{
    unsigned n = channel->n_words;
    if (n == 0 || n > REGISTERS_OF_A_NUMBER_MAX)
        return false;
    uint64_t raw = get_registers(words, n, channel->words, channel->bytes);
    if (channel->has_bits) {
        if (channel->bit_low > channel->bit_high || channel->bit_high >= 16 * n)
            return false;
        unsigned width = (unsigned)(channel->bit_high - channel->bit_low) + 1;
        raw >>= channel->bit_low;
        if (width < 64)
            raw &= (UINT64_C(1) << width) - 1;
    }
    *number = (double)raw;
    return true;
}

static void apply_enumeration(const struct channel *channel, struct decoded *out)
{
    for (unsigned i = 0; i < channel->n_values && i < MAP_VALUES_MAX; i++) {
        const struct map_value *value = &channel->values[i];
        if ((double)value->raw == out->number) {
            out->value = (double)value->becomes;
            memcpy(out->text, value->text, sizeof value->text);
            out->text[sizeof value->text - 1] = '\0';
            return;
        }
    }
    out->verdict =
        DECODE_UNDECODABLE; /* a code that the map does not list means nothing that we know */
}

void decode_value(const struct channel *channel, const uint16_t *words, struct decoded *out)
{
    out->text[0] = '\0'; /* what stands behind it is nobody's */
    out->verdict = DECODE_VALUE;
    out->number = out->value = NAN;
    if (channel->type == TYPE_TEXT) {
        if (!decode_text(channel, words, out->text, sizeof out->text)) {
            out->verdict = DECODE_UNDECODABLE;
            out->text[0] = '\0';
        }
        return;
    }
    double number = NAN;
    bool is_number =
        channel->type == TYPE_BITS
            ? decode_bits(channel, words, &number)
            : channel->n_words == register_type_words(channel->type) &&
                  decode_number(channel->type, channel->words, channel->bytes, words, &number);
    if (!is_number) {
        out->verdict = DECODE_UNDECODABLE;
        return;
    }
    out->number = number;
    if (channel->n_values > 0) {
        apply_enumeration(channel, out);
        return;
    }
    out->value = conversion_apply(&channel->to_point, number) + 0.0; /* minus zero becomes zero */
    if (!isfinite(out->value)) {
        out->verdict = DECODE_UNDECODABLE;
        out->value = NAN;
    } else if (marker_matches(channel->limits, channel->n_limits, words, channel->n_words)) {
        out->verdict = DECODE_LIMITED;
    }
}

void decode_channel(const struct channel *channel, const uint16_t *words, struct decoded *out)
{
    bool not_fitted = channel_has_marker(channel, words);
    if (!not_fitted && !channel_has_fault(channel, words)) {
        decode_value(channel, words, out);
        return;
    }
    decode_value(channel, words,
                 out); /* for the number, which people want to see beside the verdict */
    out->verdict = not_fitted ? DECODE_NOT_FITTED : DECODE_FAULT;
    out->value = NAN;
}

/** Raw at the end of its type, and no marker of the map: seldom a measurement (units fill registers
 * that they don't serve so). */
bool channel_is_at_type_limit(const struct channel *channel, const struct decoded *decoded)
{
    double x = decoded->number;
    if (channel->n_values > 0)
        return false;
    switch (channel->type) {
    case TYPE_U16:
        return x == 65535.0;
    case TYPE_S16:
        return x == 32767.0 || x == -32768.0;
    case TYPE_U32:
        return x == 4294967295.0;
    case TYPE_S32:
        return x == 2147483647.0 || x == -2147483648.0;
    case TYPE_U64:
        return x >= 18446744073709551615.0;
    case TYPE_S64:
        return x >= 9223372036854775807.0 || x <= -9223372036854775808.0;
    default:
        return false;
    }
}

bool scaled_s16(double value, double per_count, int16_t *out)
{
    *out = INT16_MIN; /* 0x8000: no value */
    double counts = value / per_count;
    if (!(counts > -40000.0 && counts < 40000.0))
        return false;
    double low = (double)(int32_t)counts;
    if (low > counts)
        low -= 1.0;
    double rest = counts - low;
    bool is_tie = fabs(rest - 0.5) < 1e-9; /* 0.35 / 0.1 is 3.4999999999999996, meant as a tie */
    bool up = is_tie ? ((int32_t)low & 1) != 0 : rest > 0.5;
    double rounded = up ? low + 1.0 : low;
    if (rounded < -32767.0 || rounded > 32767.0)
        return false;
    *out = (int16_t)rounded;
    return true;
}
