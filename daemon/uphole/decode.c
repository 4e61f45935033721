/* SPDX-License-Identifier: Apache-2.0
 *
 * decode.c - `uphole decode`: what do these words mean? The daemon's own code, step by step, or
 * every plausible reading side by side.
 */
#include "command.h"
#include "decode_show.h"

#include "uphole/measure.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

enum option_code {
    OPTION_TYPE = 256,
    OPTION_WORDS,
    OPTION_BYTES,
    OPTION_SCALE,
    OPTION_OFFSET,
    OPTION_UNIT,
    OPTION_REFERENCE,
    OPTION_NOT_FITTED,
    OPTION_RANGE,
    OPTION_EXPECTED,
    OPTION_MAP,
    OPTION_CHANNEL,
    OPTION_MAPS,
    OPTION_JSON
};

struct asked {
    const char *type, *words, *bytes, *scale, *offset, *unit, *reference, *range, *expected, *map,
        *channel, *maps;
    const char *not_fitted[MAP_MARKERS_MAX];
    int n_not_fitted;
    bool json;
    uint16_t registers[DECODE_REGISTERS_MAX];
    unsigned n;
};

/* ---- arguments ---- */

/** A register's content: 0x3039 or 12345; a number below 0 as two's complement. */
static bool read_word(const char *text, size_t length, uint16_t *word)
{
    char copy[16];
    if (length == 0 || length >= sizeof copy ||
        (text[0] == '0' && length > 1 && text[1] != 'x' && text[1] != 'X'))
        return false;
    memcpy(copy, text, length);
    copy[length] = '\0';
    char *end;
    long value = strtol(copy, &end, copy[0] == '0' && length > 1 ? 16 : 10);
    if (*end != '\0' || end == copy || value < -32768 || value > 65535 || copy[0] == ' ' ||
        copy[0] == '+')
        return false;
    *word = (uint16_t)value;
    return true;
}

static int refuse_word(const char *text)
{
    bool is_bare_hex = strlen(text) <= 4 && text[strspn(text, "0123456789abcdefABCDEF")] == '\0' &&
                       text[0] != '\0';
    if (is_bare_hex)
        fprintf(stderr,
                "uphole: '%s' is no register content; hexadecimal is written 0x%s, decimal without "
                "zeros in front.\n",
                text, text);
    else
        fprintf(stderr,
                "uphole: '%s' is no register content; expected 0x0000 to 0xFFFF or 0 to 65535.\n",
                text);
    return EX_DATAERR;
}

static int read_order(const char *option, const char *text, bool *is_low_first)
{
    *is_low_first = text != NULL && strcmp(text, "low-first") == 0;
    if (text == NULL || *is_low_first || strcmp(text, "high-first") == 0)
        return 0;
    return command_usage_error(&COMMAND_DECODE, "%s is high-first or low-first, not %s", option,
                               text);
}

static int read_range(const char *option, const char *text, unit_number unit, bool *has,
                      double *low, double *high)
{
    if (text == NULL)
        return 0;
    const char *middle = strstr(text, " to ");
    enum quantity kind = unit_get(unit)->kind;
    unit_number high_unit = 0, low_unit = 0;
    struct decimal bare;
    bool is_good = unit != 0 && middle != NULL &&
                   quantity_from_text(middle + 4, strlen(middle + 4), kind, high, &high_unit);
    if (is_good && decimal_from_text(text, (size_t)(middle - text), &bare)) {
        *low = unit_convert(decimal_to_double(bare), high_unit, unit_of_kind(kind));
    } else {
        is_good =
            is_good && quantity_from_text(text, (size_t)(middle - text), kind, low, &low_unit);
    }
    if (!is_good || !(*low < *high))
        return command_usage_error(
            &COMMAND_DECODE, "%s is written as in '0 to 60 MPa', in a unit of the kind of --unit",
            option);
    *has = true;
    return 0;
}

static int read_marker(const char *text, struct channel *channel)
{
    struct marker *marker = &channel->not_fitted[channel->n_markers];
    marker->n_words = 0;
    for (const char *at = text;; at++) {
        size_t length = strcspn(at, ",");
        if (marker->n_words == 4 || !read_word(at, length, &marker->words[marker->n_words]))
            return command_usage_error(
                &COMMAND_DECODE,
                "--not-fitted is written 0xFFFF, or 0x0000,0xFFFF for two registers; got %s", text);
        marker->n_words++;
        at += length;
        if (*at == '\0')
            break;
    }
    if (marker->n_words != channel->n_words)
        return command_usage_error(&COMMAND_DECODE,
                                   "--not-fitted %s states %u registers, the channel has %u", text,
                                   marker->n_words, channel->n_words);
    channel->n_markers++;
    return 0;
}

static int read_numbers(const struct asked *asked, struct channel *channel)
{
    const char *scale = asked->scale != NULL ? asked->scale : "1",
               *offset = asked->offset != NULL ? asked->offset : "0";
    if (!decimal_from_text(scale, strlen(scale), &channel->scale) || channel->scale.mantissa == 0)
        return command_usage_error(&COMMAND_DECODE, "--scale is a number other than 0, not %s",
                                   scale);
    if (!decimal_from_text(offset, strlen(offset), &channel->offset))
        return command_usage_error(&COMMAND_DECODE, "--offset is a number, not %s", offset);
    if (asked->unit != NULL &&
        (channel->unit = unit_find(asked->unit, strlen(asked->unit), QUANTITY_NONE)) == 0)
        return command_usage_error(
            &COMMAND_DECODE, "no unit is known as %s; see 'uphole convert --list'", asked->unit);
    struct up_error error;
    unit_number inside = channel->unit != 0 ? unit_of_kind(unit_get(channel->unit)->kind) : 0;
    if (conversion_make(channel->scale, channel->offset, channel->unit, inside, &channel->to_point,
                        &error) != UP_OK)
        return command_fail(&error);
    return 0;
}

static int read_reference(const struct asked *asked, struct channel *channel)
{
    static const char *const NAMES[] = {[REFERENCE_ABSOLUTE] = "absolute",
                                        [REFERENCE_GAUGE] = "gauge",
                                        [REFERENCE_UNKNOWN] = "unknown"};
    if (asked->reference == NULL)
        return 0;
    for (uint8_t i = REFERENCE_ABSOLUTE; i <= REFERENCE_UNKNOWN; i++) {
        if (strcmp(asked->reference, NAMES[i]) == 0)
            channel->reference = i;
    }
    if (channel->reference == REFERENCE_NONE || unit_get(channel->unit)->kind != QUANTITY_PRESSURE)
        return command_usage_error(
            &COMMAND_DECODE, "--reference is absolute, gauge or unknown, and for pressures only");
    return 0;
}

/** Makes a channel of what the options state. 0, or an exit code after a message. */
static int channel_from_options(const struct asked *asked, struct channel *channel)
{
    memset(channel, 0, sizeof *channel);
    channel->type = (uint8_t)register_type_from_name(asked->type, strlen(asked->type));
    if (channel->type == TYPE_NONE)
        return command_usage_error(
            &COMMAND_DECODE,
            "no type %s; types are u16 s16 u32 s32 u64 s64 f32 f64 bcd16 bcd32 m10k32 bits text",
            asked->type);
    unsigned n = channel->type == TYPE_TEXT || channel->type == TYPE_BITS
                     ? asked->n
                     : register_type_words((enum register_type)channel->type);
    channel->n_words = (uint16_t)n;
    bool words_low, bytes_low;
    int code = read_order("--words", asked->words, &words_low);
    if (code == 0)
        code = read_order("--bytes", asked->bytes, &bytes_low);
    if (code != 0)
        return code;
    if (n > 1 && channel->type != TYPE_TEXT && asked->words == NULL)
        return command_usage_error(
            &COMMAND_DECODE,
            "%s takes %u registers: state --words high-first or low-first (without --type all "
            "orders stand side by side)",
            asked->type, n);
    channel->words = words_low ? WORDS_LOW_FIRST : WORDS_HIGH_FIRST;
    channel->bytes = bytes_low ? BYTES_LOW_FIRST : BYTES_HIGH_FIRST;
    code = read_numbers(asked, channel);
    if (code == 0)
        code = read_reference(asked, channel);
    if (code == 0)
        code = read_range("--range", asked->range, channel->unit, &channel->has_instrument_range,
                          &channel->instrument_low, &channel->instrument_high);
    if (code == 0)
        code =
            read_range("--expected", asked->expected, channel->unit, &channel->has_expected_range,
                       &channel->expected_low, &channel->expected_high);
    for (int i = 0; i < asked->n_not_fitted && code == 0; i++)
        code = read_marker(asked->not_fitted[i], channel);
    return code;
}

static int channel_from_map(const struct asked *asked, struct map **map,
                            const struct channel **channel)
{
    static struct plan_faults faults; /* too large for the stack */
    memset(&faults, 0, sizeof faults);
    bool is_file = strchr(asked->map, '/') != NULL || strstr(asked->map, ".yaml") != NULL;
    enum up_rc rc = is_file ? map_from_file(asked->map, map, &faults)
                            : map_by_name(asked->map, asked->maps, map, &faults);
    if (rc != UP_OK) {
        command_print_faults(&faults);
        return up_exit_code(rc);
    }
    unsigned point = point_find(asked->channel, strlen(asked->channel));
    *channel = point != 0 ? map_channel(*map, point) : NULL;
    if (*channel != NULL)
        return 0;
    fprintf(stderr, "uphole: the map %s has no channel %s; it has", asked->map, asked->channel);
    for (unsigned i = 0; i < (*map)->n_channels; i++)
        fprintf(stderr, "%s %s", i > 0 ? "," : "", point_get((*map)->channel[i].point)->id);
    fputs(".\n", stderr);
    return EX_DATAERR;
}

static const struct option OPTIONS[] = {{"type", required_argument, NULL, OPTION_TYPE},
                                        {"words", required_argument, NULL, OPTION_WORDS},
                                        {"bytes", required_argument, NULL, OPTION_BYTES},
                                        {"scale", required_argument, NULL, OPTION_SCALE},
                                        {"offset", required_argument, NULL, OPTION_OFFSET},
                                        {"unit", required_argument, NULL, OPTION_UNIT},
                                        {"reference", required_argument, NULL, OPTION_REFERENCE},
                                        {"not-fitted", required_argument, NULL, OPTION_NOT_FITTED},
                                        {"range", required_argument, NULL, OPTION_RANGE},
                                        {"expected", required_argument, NULL, OPTION_EXPECTED},
                                        {"map", required_argument, NULL, OPTION_MAP},
                                        {"channel", required_argument, NULL, OPTION_CHANNEL},
                                        {"maps", required_argument, NULL, OPTION_MAPS},
                                        {"json", no_argument, NULL, OPTION_JSON},
                                        {NULL, 0, NULL, 0}};

static int read_options(struct asked *asked, int argc, char **argv)
{
    const char **texts[] = {
        [OPTION_TYPE - 256] = &asked->type,           [OPTION_WORDS - 256] = &asked->words,
        [OPTION_BYTES - 256] = &asked->bytes,         [OPTION_SCALE - 256] = &asked->scale,
        [OPTION_OFFSET - 256] = &asked->offset,       [OPTION_UNIT - 256] = &asked->unit,
        [OPTION_REFERENCE - 256] = &asked->reference, [OPTION_RANGE - 256] = &asked->range,
        [OPTION_EXPECTED - 256] = &asked->expected,   [OPTION_MAP - 256] = &asked->map,
        [OPTION_CHANNEL - 256] = &asked->channel,     [OPTION_MAPS - 256] = &asked->maps};
    optind = 1;
    for (int option; (option = command_option(&COMMAND_DECODE, argc, argv, OPTIONS)) != -1;) {
        if (option == OPTION_JSON)
            asked->json = true;
        else if (option == OPTION_NOT_FITTED && asked->n_not_fitted < MAP_MARKERS_MAX)
            asked->not_fitted[asked->n_not_fitted++] = optarg;
        else if (option == OPTION_NOT_FITTED)
            return command_usage_error(&COMMAND_DECODE, "at most %d markers", MAP_MARKERS_MAX);
        else if (option < OPTION_TYPE)
            return EX_USAGE;
        else
            *texts[option - 256] = optarg;
    }
    if (optind >= argc)
        return command_usage_error(&COMMAND_DECODE, "expected the content of one register or more");
    for (; optind < argc; optind++) {
        if (asked->n == DECODE_REGISTERS_MAX)
            return command_usage_error(&COMMAND_DECODE, "at most %d registers",
                                       DECODE_REGISTERS_MAX);
        if (!read_word(argv[optind], strlen(argv[optind]), &asked->registers[asked->n++]))
            return refuse_word(argv[optind]);
    }
    if ((asked->map == NULL) != (asked->channel == NULL))
        return command_usage_error(&COMMAND_DECODE, "--map and --channel belong together");
    bool by_hand = asked->words != NULL || asked->bytes != NULL || asked->scale != NULL ||
                   asked->offset != NULL || asked->unit != NULL || asked->reference != NULL ||
                   asked->n_not_fitted > 0 || asked->range != NULL || asked->expected != NULL;
    if (asked->map != NULL && (asked->type != NULL || by_hand))
        return command_usage_error(
            &COMMAND_DECODE,
            "the map states how its channel is decoded; leave --type and the like out");
    if (asked->map == NULL && asked->type == NULL && by_hand)
        return command_usage_error(
            &COMMAND_DECODE,
            "state the --type, or leave the other options out to see all decodings");
    return 0;
}

static int run_decode(int argc, char **argv)
{
    static struct asked asked;
    static struct channel by_hand;
    memset(&asked, 0, sizeof asked);
    int code = read_options(&asked, argc, argv);
    if (code != 0)
        return code;
    if (asked.map == NULL && asked.type == NULL) {
        decode_show_all(asked.registers, asked.n, asked.json);
        return 0;
    }
    struct map *map = NULL;
    const struct channel *channel = &by_hand;
    code = asked.map != NULL ? channel_from_map(&asked, &map, &channel)
                             : channel_from_options(&asked, &by_hand);
    if (code == 0 && channel->n_words != asked.n) {
        fprintf(stderr, "uphole: %s takes %u register%s, got %u.\n",
                register_type_name((enum register_type)channel->type), channel->n_words,
                channel->n_words == 1 ? "" : "s", asked.n);
        code = EX_DATAERR;
    }
    if (code == 0)
        decode_show_steps(channel, asked.registers, asked.json);
    if (code == 0 && map != NULL && !asked.json)
        decode_show_settings(map, channel, asked.registers);
    free(map);
    return code;
}

const struct command COMMAND_DECODE = {
    .name = "decode",
    .summary = "show what the content of registers means, step by step",
    .usage = "decode [--type TYPE ... | --map NAME --channel POINT] [--json] WORD...",
    .help = "  --type TYPE         u16 s16 u32 s32 u64 s64 f32 f64 bcd16 bcd32 m10k32 bits text\n"
            "  --words ORDER       high-first or low-first; to be stated for types of several "
            "registers\n"
            "  --bytes ORDER       inside each register; high-first unless stated\n"
            "  --scale N           raw x scale + offset is in the unit\n"
            "  --offset N\n"
            "  --unit UNIT         as in 'uphole convert --list'\n"
            "  --reference WHAT    of a pressure: absolute, gauge or unknown\n"
            "  --not-fitted WORDS  content that means \"sensor not fitted\": 0xFFFF, or "
            "0x0000,0xFFFF; may be repeated\n"
            "  --range RANGE       of the instrument, as in '0 to 60 MPa'\n"
            "  --expected RANGE    of this well\n"
            "  --map NAME          a map, by name or as a file, instead of all these\n"
            "  --channel POINT     of the map, as in intake_pressure\n"
            "  --maps DIRECTORY    where maps are; else the installed ones\n"
            "  --json              for scripts\n"
            "\n"
            "  uphole decode 0x4145 0x851F\n"
            "  uphole decode --type u16 --scale 0.001 --unit MPa --not-fitted 0xFFFF 0x3039\n"
            "  uphole decode --map scaled-16 --channel discharge_pressure 65535\n"
            "\n"
            "Words are register contents in the order read, as 0x3039 or 12345. Without a type all "
            "plausible\n"
            "decodings stand side by side. Quality is as far as one reading tells: whether a value "
            "is stale,\n"
            "frozen or a sudden step, the gauge starting, or its unit confirmed, only the daemon "
            "can say.\n",
    .run = run_decode,
};
