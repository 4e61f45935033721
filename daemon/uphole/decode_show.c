/* SPDX-License-Identifier: Apache-2.0
 *
 * decode_show.c - the steps of one decoding in plain lines, and all decodings of the same registers
 * in one table.
 */
#include "decode_show.h"
#include "command.h"

#include "uphole/measure.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define CELL_MAX 160

static void print_registers(const uint16_t *words, unsigned n, bool json)
{
    for (unsigned i = 0; i < n; i++)
        printf(json ? "%s%u" : "%s0x%04X", i == 0 ? "" : json ? "," : " ", words[i]);
}

/** 12 digits for people: enough for any gauge, and free of what binary fractions add. */
static void plain_number(double value, char into[static NUMBER_TEXT_MAX])
{
    if (isnan(value))
        snprintf(into, NUMBER_TEXT_MAX, "not a number");
    else if (isinf(value))
        snprintf(into, NUMBER_TEXT_MAX, value < 0 ? "minus infinity" : "infinity");
    else
        snprintf(into, NUMBER_TEXT_MAX, "%.12g", value);
}

static void json_number(const char *key, double value)
{
    char text[NUMBER_TEXT_MAX];
    if (isfinite(value) && number_to_text(value, 0, text) > 0)
        printf(",\"%s\":%s", key, text);
    else
        printf(",\"%s\":null", key);
}

static void json_text(const char *key, const char *text)
{
    printf(",\"%s\":", key);
    command_json_text(stdout, text);
}

/* ---- one decoding, step by step ---- */

static const char *reference_name(uint8_t reference)
{
    return reference == REFERENCE_ABSOLUTE  ? " absolute"
           : reference == REFERENCE_GAUGE   ? " gauge"
           : reference == REFERENCE_UNKNOWN ? " (reference unknown)"
                                            : "";
}

static unit_number inside_unit(const struct channel *channel)
{
    if (channel->point != POINT_NONE)
        return point_unit(channel->point);
    return channel->unit != 0 ? unit_of_kind(unit_get(channel->unit)->kind) : 0;
}

static const char *unit_name(unit_number unit)
{
    return unit == 0 || unit_get(unit)->kind == QUANTITY_NONE ? "" : unit_get(unit)->name;
}

static void show_type(const struct channel *channel)
{
    printf("type      %s", register_type_name((enum register_type)channel->type));
    if (channel->n_words > 1 && channel->type != TYPE_TEXT)
        printf(", words %s", channel->words == WORDS_LOW_FIRST ? "low-first" : "high-first");
    if (channel->bytes == BYTES_LOW_FIRST)
        printf(", bytes low-first");
    if (channel->has_bits)
        printf(", bits %u to %u", channel->bit_low, channel->bit_high);
    putchar('\n');
}

static void show_marker(const struct channel *channel, const struct decoded *decoded)
{
    printf("marker    ");
    if (decoded->verdict == DECODE_NOT_FITTED) {
        printf("these words mean \"sensor not fitted\"");
        if (channel->not_fitted_if != POINT_NONE)
            printf(", where %s shows its own in the same scan",
                   point_get(channel->not_fitted_if)->id);
        putchar('\n');
        return;
    }
    if (decoded->verdict == DECODE_FAULT) {
        puts("these words are a fault code");
        return;
    }
    if (channel->n_markers == 0)
        printf("none is stated");
    for (unsigned i = 0; i < channel->n_markers; i++) {
        printf("%s", i == 0 ? "not " : " and not ");
        print_registers(channel->not_fitted[i].words, channel->not_fitted[i].n_words, false);
    }
    puts(channel->n_markers == 0 ? "" : ": data");
}

static void show_value(const struct channel *channel, const struct decoded *decoded)
{
    char text[NUMBER_TEXT_MAX], scale[NUMBER_TEXT_MAX], offset[NUMBER_TEXT_MAX];
    double mapped =
        decoded->number * decimal_to_double(channel->scale) + decimal_to_double(channel->offset);
    unit_number inside = inside_unit(channel);
    plain_number(channel->unit != 0 ? unit_convert(decoded->value, inside, channel->unit)
                                    : decoded->value,
                 text);
    plain_number(decimal_to_double(channel->scale), scale);
    plain_number(decimal_to_double(channel->offset), offset);
    if (isfinite(mapped) && channel->n_values == 0) {
        printf("scaled    %s %s%s = raw x %s", text, unit_name(channel->unit),
               reference_name(channel->reference), scale);
        if (channel->offset.mantissa != 0)
            printf(" %c %s", offset[0] == '-' ? '-' : '+', offset[0] == '-' ? offset + 1 : offset);
        putchar('\n');
    }
    plain_number(decoded->value, text);
    printf("value     %s%s%s%s\n", text, unit_name(inside)[0] != '\0' ? " " : "", unit_name(inside),
           reference_name(channel->reference));
}

static void show_one_range(const char *name, bool has, double value, double low, double high,
                           const char *unit)
{
    char low_text[NUMBER_TEXT_MAX], high_text[NUMBER_TEXT_MAX];
    if (!has)
        return;
    plain_number(low, low_text);
    plain_number(high, high_text);
    struct channel one = {
        .has_instrument_range = true, .instrument_low = low, .instrument_high = high};
    printf("%-9s %s %s to %s %s\n", name,
           range_quality(&one, value) == QUALITY_GOOD ? "inside" : "outside", low_text, high_text,
           unit);
}

static void show_quality(const struct channel *channel, const struct decoded *decoded,
                         uint8_t quality)
{
    const struct quality_row *row = quality_find(quality);
    const char *meaning = row->meaning;
    if (quality == QUALITY_GOOD)
        meaning = "as far as one reading can tell";
    else if (quality == QUALITY_IMPOSSIBLE && decoded->verdict == DECODE_VALUE &&
             quantity_is_below_floor(decoded->value, unit_get(inside_unit(channel))->kind,
                                     (enum pressure_reference)channel->reference))
        meaning = channel->reference == REFERENCE_ABSOLUTE
                      ? "an absolute pressure can't be below 0"
                      : "nothing is colder than absolute zero, -273.15 degC";
    else if (quality == QUALITY_UNUSUAL && range_quality(channel, decoded->value) == QUALITY_GOOD)
        meaning = "the raw word stands at the end of its type, and no marker is stated for it";
    printf("quality   %u %s: %s\n", quality, row->name, meaning);
}

static void show_steps_as_text(const struct channel *channel, const uint16_t *words,
                               const struct decoded *decoded, uint8_t quality)
{
    char text[NUMBER_TEXT_MAX];
    if (channel->point != POINT_NONE)
        printf("channel   %s\n", point_get(channel->point)->id);
    printf("raw       ");
    print_registers(words, channel->n_words, false);
    putchar('\n');
    show_type(channel);
    if (channel->type == TYPE_TEXT) {
        printf("text      %s\n", decoded->verdict == DECODE_VALUE
                                     ? decoded->text
                                     : "(bytes that are no printable ASCII)");
        show_quality(channel, decoded, quality);
        return;
    }
    show_marker(channel, decoded);
    plain_number(decoded->number, text);
    if (decoded->verdict == DECODE_UNDECODABLE && isnan(decoded->number) &&
        channel->type != TYPE_F32 && channel->type != TYPE_F64)
        snprintf(text, sizeof text, "none: a digit above 9");
    printf("number    %s%s%s\n", text, decoded->text[0] != '\0' ? ", " : "", decoded->text);
    bool has_value = decoded->verdict == DECODE_VALUE || decoded->verdict == DECODE_LIMITED;
    if (has_value) {
        show_value(channel, decoded);
        const char *unit = unit_name(inside_unit(channel));
        show_one_range("range", channel->has_instrument_range, decoded->value,
                       channel->instrument_low, channel->instrument_high, unit);
        show_one_range("expected", channel->has_expected_range, decoded->value,
                       channel->expected_low, channel->expected_high, unit);
    } else {
        puts("value     none");
    }
    show_quality(channel, decoded, quality);
}

void decode_show_steps(const struct channel *channel, const uint16_t *words, bool json)
{
    struct decoded decoded;
    decode_channel(channel, words, &decoded);
    uint8_t quality = decoded_quality(channel, &decoded);
    if (!json) {
        show_steps_as_text(channel, words, &decoded, quality);
        return;
    }
    bool sends_value = quality_class_of(quality) != QUALITY_CLASS_BAD;
    printf("{\"registers\":[");
    print_registers(words, channel->n_words, true);
    printf("]");
    json_text("type", register_type_name((enum register_type)channel->type));
    json_number("number", decoded.number);
    json_number("value", sends_value ? decoded.value : NAN);
    if (unit_name(inside_unit(channel))[0] != '\0')
        json_text("unit", unit_name(inside_unit(channel)));
    if (decoded.text[0] != '\0')
        json_text("text", decoded.text);
    printf(",\"quality\":%u", quality);
    json_text("reason", quality_name(quality));
    puts("}");
}

void decode_show_settings(const struct map *map, const struct channel *channel,
                          const uint16_t *words)
{
    if (channel->setting == 0)
        return;
    const struct unit_setting *setting = &map->unit_settings[channel->setting - 1];
    for (unsigned i = 0; i < setting->n_meanings; i++) {
        const struct unit_meaning *meaning = &setting->meaning[i];
        struct channel as_set = *channel;
        struct decoded decoded;
        char value[NUMBER_TEXT_MAX];
        if (!unit_meaning_conversion(channel, meaning, &as_set.to_point))
            continue;
        decode_channel(&as_set, words, &decoded);
        if (number_to_text(decoded.value, point_get(channel->point)->resolution, value) == 0)
            snprintf(value, sizeof value, "none");
        printf("%s %s %s while the unit-setting register holds %u (%s)\n",
               i == 0 ? "by unit  " : "         ", value, unit_name(inside_unit(channel)),
               meaning->raw, unit_get(meaning->unit)->name);
    }
}

/* ---- all decodings side by side ---- */

static const struct order {
    enum word_order words;
    enum byte_order bytes;
    const char *name;
} ORDERS[] = {{WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, "high-first"},
              {WORDS_LOW_FIRST, BYTES_HIGH_FIRST, "low-first"},
              {WORDS_HIGH_FIRST, BYTES_LOW_FIRST, "high-first *"},
              {WORDS_LOW_FIRST, BYTES_LOW_FIRST, "low-first *"}};
#define ORDERS_N 4

static const enum register_type TYPES[] = {TYPE_U16, TYPE_S16, TYPE_BCD16,  TYPE_U32,
                                           TYPE_S32, TYPE_F32, TYPE_M10K32, TYPE_BCD32,
                                           TYPE_U64, TYPE_S64, TYPE_F64};
#define TYPES_N (sizeof TYPES / sizeof *TYPES)

/** The digits of a 64-bit integer, which a double can't hold; false for other types. */
static bool whole_of(enum register_type type, const struct order *order, const uint16_t *words,
                     char cell[static NUMBER_TEXT_MAX])
{
    if (type != TYPE_U64 && type != TYPE_S64)
        return false;
    const uint64_t raw = get_registers(words, 4, order->words, order->bytes);
    if (type == TYPE_U64)
        snprintf(cell, NUMBER_TEXT_MAX, "%" PRIu64, raw);
    else
        snprintf(cell, NUMBER_TEXT_MAX, "%" PRId64, (int64_t)raw);
    return true;
}

static void cell_of(enum register_type type, const struct order *order, const uint16_t *words,
                    char cell[static NUMBER_TEXT_MAX])
{
    double number;
    if (whole_of(type, order, words, cell))
        return;
    if (!decode_number(type, order->words, order->bytes, words, &number))
        snprintf(cell, NUMBER_TEXT_MAX, "-");
    else if (!isfinite(number) || number_to_text(number, 0, cell) == 0)
        plain_number(number, cell);
}

/** One register has no order of words: its two columns are the two orders of bytes. */
static bool order_counts(unsigned n, const struct order *order)
{
    return n > 1 || order->words == WORDS_HIGH_FIRST;
}

static void show_table(const uint16_t *words, unsigned n)
{
    int width[ORDERS_N];
    char cell[NUMBER_TEXT_MAX];
    for (unsigned k = 0; k < ORDERS_N; k++) {
        width[k] = (int)strlen(ORDERS[k].name);
        for (size_t i = 0; i < TYPES_N; i++) {
            if (register_type_words(TYPES[i]) != n)
                continue;
            cell_of(TYPES[i], &ORDERS[k], words, cell);
            width[k] = (int)strlen(cell) > width[k] ? (int)strlen(cell) : width[k];
        }
    }
    printf("%-7s", n > 1 ? "words" : "bytes");
    for (unsigned k = 0; k < ORDERS_N; k++) {
        if (order_counts(n, &ORDERS[k]))
            printf("  %*s", width[k],
                   n > 1                                ? ORDERS[k].name
                   : ORDERS[k].bytes == BYTES_LOW_FIRST ? "low-first"
                                                        : "high-first");
    }
    putchar('\n');
    for (size_t i = 0; i < TYPES_N; i++) {
        if (register_type_words(TYPES[i]) != n)
            continue;
        printf("%-7s", register_type_name(TYPES[i]));
        for (unsigned k = 0; k < ORDERS_N; k++) {
            cell_of(TYPES[i], &ORDERS[k], words, cell);
            if (order_counts(n, &ORDERS[k]))
                printf("  %*s", width[k], cell);
        }
        putchar('\n');
    }
    if (n > 1)
        puts("* bytes inside each register swapped (bytes: low-first)");
}

/** The registers as text; false where they hold no printable text of two characters or more. */
static bool text_of(const uint16_t *words, unsigned n, enum byte_order bytes,
                    struct decoded *decoded)
{
    struct channel channel = {.type = TYPE_TEXT, .bytes = (uint8_t)bytes, .n_words = (uint16_t)n};
    decode_channel(&channel, words, decoded);
    return decoded->verdict == DECODE_VALUE && strlen(decoded->text) >= 2;
}

static void show_all_as_json(const uint16_t *words, unsigned n)
{
    printf("{\"registers\":[");
    print_registers(words, n, true);
    printf("],\"decodings\":[");
    bool is_first = true;
    for (size_t i = 0; i < TYPES_N; i++) {
        for (unsigned k = 0; k < ORDERS_N && register_type_words(TYPES[i]) == n; k++) {
            double number;
            if (!order_counts(n, &ORDERS[k]) ||
                !decode_number(TYPES[i], ORDERS[k].words, ORDERS[k].bytes, words, &number))
                continue;
            printf("%s{\"type\":\"%s\"", is_first ? "" : ",", register_type_name(TYPES[i]));
            if (n > 1)
                json_text("words", ORDERS[k].words == WORDS_LOW_FIRST ? "low-first" : "high-first");
            json_text("bytes", ORDERS[k].bytes == BYTES_LOW_FIRST ? "low-first" : "high-first");
            char whole[NUMBER_TEXT_MAX];
            if (whole_of(TYPES[i], &ORDERS[k], words, whole))
                printf(",\"number\":%s", whole);
            else
                json_number("number", number);
            putchar('}');
            is_first = false;
        }
    }
    putchar(']');
    struct decoded decoded;
    if (n > 1 && text_of(words, n, BYTES_HIGH_FIRST, &decoded))
        json_text("text", decoded.text);
    puts("}");
}

void decode_show_all(const uint16_t *words, unsigned n, bool json)
{
    if (json) {
        show_all_as_json(words, n);
        return;
    }
    printf("raw      ");
    print_registers(words, n, false);
    puts("\n");
    if (n == 1 || n == 2 || n == 4) {
        show_table(words, n);
    } else {
        puts("register       u16     s16");
        for (unsigned i = 0; i < n; i++)
            printf("%-10u  %6u  %6d\n", i, words[i], (int16_t)words[i]);
        puts("Numbers take 1, 2 or 4 registers; give as many for the other decodings.");
    }
    struct decoded decoded;
    if (n == 1)
        return;
    if (text_of(words, n, BYTES_HIGH_FIRST, &decoded))
        printf("text     %s\n", decoded.text);
    if (text_of(words, n, BYTES_LOW_FIRST, &decoded))
        printf("text *   %s\n", decoded.text);
}
