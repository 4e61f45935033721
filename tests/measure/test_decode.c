/* SPDX-License-Identifier: Apache-2.0
 *
 * test_decode.c - registers to numbers, against published formats: DEC-001 to DEC-061 but for those
 * that need a whole scan (test_fold.c).
 *
 * Sources beside the rows. "Modbus" is the Modbus Application Protocol V1.1b3: big-endian
 * registers; orders of words and bytes are common practice, no source. Expected floats were
 * computed with an independent IEEE 754 implementation (Python's struct module).
 */
#include "made.h"

#include <math.h>

#define H WORDS_HIGH_FIRST
#define L WORDS_LOW_FIRST
#define BH BYTES_HIGH_FIRST
#define BL BYTES_LOW_FIRST
#define MODBUS "Modbus V1.1b3; orders: common practice, no source"
#define IEEE "IEEE 754-2019"

/* clang-format off */
static const struct number_row {
    const char *id;
    enum register_type type;
    enum word_order words;
    enum byte_order bytes;
    uint16_t registers[4];
    double expected;
    bool is_decodable;
    const char *source;
} NUMBERS[] = {
    {"DEC-001", TYPE_U16, H, BH, {0x3039}, 12345, true, MODBUS},
    {"DEC-002", TYPE_S16, H, BH, {0xFFD8}, -40, true, MODBUS},
    {"DEC-003", TYPE_U16, H, BH, {0xFFFF}, 65535, true, MODBUS},
    {"DEC-004", TYPE_S16, H, BH, {0xFFFF}, -1, true, MODBUS},
    {"DEC-005", TYPE_S16, H, BH, {0x8000}, -32768, true, MODBUS},
    {"DEC-006", TYPE_U16, H, BL, {0x3930}, 12345, true, MODBUS},
    {"DEC-007", TYPE_U32, H, BH, {0x0001, 0xE240}, 123456, true, MODBUS},
    {"DEC-008", TYPE_U32, L, BH, {0xE240, 0x0001}, 123456, true, MODBUS},
    {"DEC-009", TYPE_U32, H, BL, {0x0100, 0x40E2}, 123456, true, MODBUS},
    {"DEC-010", TYPE_U32, L, BL, {0x40E2, 0x0100}, 123456, true, MODBUS},
    {"DEC-011", TYPE_S32, H, BH, {0xFFFE, 0x1DC0}, -123456, true, MODBUS},
    {"DEC-012", TYPE_U32, H, BH, {0xFFFF, 0xFFFF}, 4294967295.0, true, MODBUS},
    {"DEC-013", TYPE_U32, H, BH, {0xE240, 0x0001}, 3795845121.0, true, MODBUS},
    {"DEC-014", TYPE_F32, H, BH, {0x4145, 0x851F}, 12.345000267028809, true, IEEE},
    {"DEC-015", TYPE_F32, L, BH, {0x851F, 0x4145}, 12.345000267028809, true, IEEE},
    {"DEC-016", TYPE_F32, H, BL, {0x4541, 0x1F85}, 12.345000267028809, true, IEEE},
    {"DEC-017", TYPE_F32, L, BL, {0x1F85, 0x4541}, 12.345000267028809, true, IEEE},
    {"DEC-018", TYPE_F32, H, BH, {0x3F80, 0x0000}, 1.0, true, IEEE},
    {"DEC-019", TYPE_F32, H, BH, {0x8000, 0x0000}, -0.0, true, IEEE},
    {"DEC-020", TYPE_F32, H, BH, {0x0000, 0x0001}, 1.401298464324817e-45, true, IEEE},
    {"DEC-021", TYPE_F32, H, BH, {0x007F, 0xFFFF}, 1.1754942106924411e-38, true, IEEE},
    {"DEC-022", TYPE_F32, H, BH, {0x0080, 0x0000}, 1.1754943508222875e-38, true, IEEE},
    {"DEC-023", TYPE_F32, H, BH, {0x7F7F, 0xFFFF}, 3.4028234663852886e+38, true, IEEE},
    {"DEC-024", TYPE_F32, H, BH, {0x7F80, 0x0000}, INFINITY, true, IEEE},
    {"DEC-025", TYPE_F32, H, BH, {0xFF80, 0x0000}, -INFINITY, true, IEEE},
    {"DEC-026", TYPE_F32, H, BH, {0x7FC0, 0x0000}, NAN, true, IEEE},
    {"DEC-027", TYPE_F32, H, BH, {0x7F80, 0x0001}, NAN, true, IEEE},
    {"DEC-028", TYPE_F32, H, BH, {0xFFFF, 0xFFFF}, NAN, true, IEEE},
    {"DEC-029", TYPE_F32, H, BH, {0x4283, 0x11EC}, 65.53500366210938, true, IEEE},
    {"DEC-030", TYPE_F64, H, BH, {0x4028, 0xB0A3, 0xD70A, 0x3D71}, 12.345, true, IEEE},
    {"DEC-031", TYPE_F64, L, BH, {0x3D71, 0xD70A, 0xB0A3, 0x4028}, 12.345, true, IEEE},
    {"DEC-032", TYPE_F64, L, BL, {0x713D, 0x0AD7, 0xA3B0, 0x2840}, 12.345, true, IEEE},
    {"DEC-033", TYPE_F64, H, BH, {0x7FF8, 0x0000, 0x0000, 0x0000}, NAN, true, IEEE},
    {"DEC-034", TYPE_U64, H, BH, {0x0000, 0x0002, 0x540B, 0xE400}, 10000000000.0, true, MODBUS},
    {"DEC-035", TYPE_BCD16, H, BH, {0x1234}, 1234, true, MODBUS},
    {"DEC-036", TYPE_BCD32, H, BH, {0x0123, 0x4567}, 1234567, true, MODBUS},
    {"DEC-037", TYPE_BCD16, H, BH, {0x12A4}, NAN, false, MODBUS},
    {"DEC-052 before", TYPE_U32, H, BH, {0x0001, 0xFFFF}, 131071, true, "arithmetic"},
    {"DEC-052 torn", TYPE_U32, H, BH, {0x0001, 0x0000}, 65536, true, "arithmetic: why both words come in one request"},
    {"s64", TYPE_S64, H, BH, {0xFFFF, 0xFFFF, 0xFFFF, 0xFFD8}, -40, true, "two's complement"},
    {"m10k32", TYPE_M10K32, H, BH, {12, 3456}, 123456, true, "modulo-10,000 pair: common practice, no source"},
    {"m10k32 low first", TYPE_M10K32, L, BH, {3456, 12}, 123456, true, "modulo-10,000 pair: common practice, no source"},
    {"m10k32 above 9999", TYPE_M10K32, H, BH, {12, 10000}, NAN, false, "modulo-10,000 pair: common practice, no source"},
};

static const struct scale_row {
    const char *id;
    enum register_type type;
    uint16_t raw;
    const char *scale, *offset, *unit;
    double expected; /* in `unit` */
    const char *source;
} SCALES[] = {
    {"DEC-041", TYPE_U16, 12345, "0.001", "0", "MPa", 12.345, "arithmetic"},
    {"DEC-042", TYPE_S16, 0xFFD8, "0.1", "0", "degC", -4, "arithmetic"},
    {"DEC-043", TYPE_U16, 3581, "0.1", "-273.15", "degC", 84.95, "arithmetic"},
    {"DEC-044", TYPE_U16, 1500, "-0.01", "100", "%", 85, "arithmetic"},
    {"DEC-049", TYPE_S16, 32767, "0.1", "0", "degC", 3276.7, "arithmetic"},
    {"DEC-050", TYPE_S16, 0x8000, "0.1", "0", "degC", -3276.8, "arithmetic"},
    {"SEN-006", TYPE_U16, 65535, "0.001", "0", "MPa", 65.535, "arithmetic: one exact step, no chain of factors"},
    {"SEN-007", TYPE_U16, 65534, "0.001", "0", "MPa", 65.534, "arithmetic"},
    {"SEN-011 below", TYPE_U16, 2731, "0.1", "-273.15", "degC", -0.05, "arithmetic"},
    {"SEN-011 above", TYPE_U16, 2732, "0.1", "-273.15", "degC", 0.05, "arithmetic"},
};

static const struct bits_row {
    const char *id;
    uint16_t word;
    uint8_t low, high;
    double expected;
} BITS[] = { /* arithmetic; bit 0 is the lowest */
    {"DEC-045", 0x8005, 15, 15, 1},
    {"DEC-046", 0x8005, 1, 1, 0},
    {"DEC-047", 0x3A70, 4, 7, 7},
    {"DEC-048", 0x3A70, 6, 10, 9},
};

static const struct text_row {
    const char *id;
    enum byte_order bytes;
    uint16_t n, registers[4];
    const char *expected; /* NULL: undecodable */
} TEXTS[] = { /* two characters a register: common practice, no source */
    {"DEC-038", BH, 4, {0x5745, 0x4C4C, 0x2D37, 0x0000}, "WELL-7"},
    {"DEC-039", BL, 4, {0x4557, 0x4C4C, 0x372D, 0x2020}, "WELL-7"},
    {"DEC-040", BH, 2, {0x5745, 0x8C4C}, NULL},
};
/* clang-format on */

static void registers_become_the_published_numbers(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof NUMBERS / sizeof *NUMBERS; i++) {
        const struct number_row *row = &NUMBERS[i];
        double number = NAN;
        bool is_decodable =
            decode_number(row->type, row->words, row->bytes, row->registers, &number);
        check_count(row->id, is_decodable, row->is_decodable);
        if (!is_decodable)
            continue;
        if (isnan(row->expected))
            assert_true(isnan(number));
        else if (memcmp(&number, &row->expected, sizeof number) != 0) /* the sign of zero counts */
            fail_msg("%s: got %.17g, expected %.17g (%s)", row->id, number, row->expected,
                     row->source);
    }
}

static void no_type_and_text_are_no_number(void **state)
{
    (void)state;
    uint16_t words[4] = {1, 2, 3, 4};
    double number;
    assert_false(decode_number(TYPE_NONE, H, BH, words, &number));
    assert_false(decode_number(TYPE_TEXT, H, BH, words, &number));
}

/* Planted defect: `raw * scale` in one double and `* 1000` in the next step: SEN-006
 * gives 65.53500000000001. */
static void scale_and_unit_are_one_step(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof SCALES / sizeof *SCALES; i++) {
        const struct scale_row *row = &SCALES[i];
        struct channel channel = {
            .type = (uint8_t)row->type, .words = H, .bytes = BH, .n_words = 1};
        made_convert(&channel, row->scale, row->offset, row->unit);
        struct decoded decoded;
        decode_channel(&channel, &row->raw, &decoded);
        check_count(row->id, decoded.verdict, DECODE_VALUE);
        check_close_relative(row->id, decoded.value, row->expected, 1e-14);
    }
    struct channel channel = {
        .point = POINT_INTAKE_PRESSURE, .type = TYPE_U16, .words = H, .bytes = BH, .n_words = 1};
    made_convert(&channel, "0.001", "0", "MPa");
    struct decoded decoded;
    decode_channel(&channel, &(uint16_t){12345}, &decoded);
    check_close("DEC-061: 12.345 MPa in kPa", decoded.value, 12345.0, 0.0);
}

static void a_bit_field_counts_from_bit_0(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof BITS / sizeof *BITS; i++) {
        struct channel channel = {.type = TYPE_BITS,
                                  .words = H,
                                  .bytes = BH,
                                  .n_words = 1,
                                  .has_bits = true,
                                  .bit_low = BITS[i].low,
                                  .bit_high = BITS[i].high,
                                  .to_point = {1, 0, 1}};
        struct decoded decoded;
        decode_channel(&channel, &BITS[i].word, &decoded);
        check_close(BITS[i].id, decoded.value, BITS[i].expected, 0.0);
    }
    struct channel beyond = {.type = TYPE_BITS,
                             .n_words = 1,
                             .has_bits = true,
                             .bit_low = 8,
                             .bit_high = 16,
                             .to_point = {1, 0, 1}};
    struct decoded decoded;
    decode_channel(&beyond, &(uint16_t){0xFFFF}, &decoded);
    check_count("a field beyond its register", decoded.verdict, DECODE_UNDECODABLE);
}

static void text_ends_at_nul_and_is_printable(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof TEXTS / sizeof *TEXTS; i++) {
        struct channel channel = {
            .type = TYPE_TEXT, .words = H, .bytes = (uint8_t)TEXTS[i].bytes, .n_words = TEXTS[i].n};
        struct decoded decoded;
        decode_channel(&channel, TEXTS[i].registers, &decoded);
        check_count(TEXTS[i].id, decoded.verdict,
                    TEXTS[i].expected != NULL ? DECODE_VALUE : DECODE_UNDECODABLE);
        check_text(TEXTS[i].id, decoded.text, TEXTS[i].expected != NULL ? TEXTS[i].expected : "");
        assert_true(isnan(decoded.value));
    }
}

static void text_longer_than_its_room_is_undecodable_not_cut(void **state)
{
    (void)state;
    uint16_t words[LABEL_MAX + 1];
    for (unsigned i = 0; i <= LABEL_MAX; i++)
        words[i] = 0x4141;
    struct channel channel = {.type = TYPE_TEXT, .bytes = BH, .n_words = LABEL_MAX};
    struct decoded decoded;
    decode_channel(&channel, words, &decoded);
    check_count("room of the text", (long long)strlen(decoded.text), 2 * LABEL_MAX);
    channel.n_words = LABEL_MAX + 1;
    decode_channel(&channel, words, &decoded);
    check_count("one register more", decoded.verdict, DECODE_UNDECODABLE);
}

static void minus_zero_is_published_as_zero(void **state)
{
    (void)state; /* DEC-019 */
    struct channel channel = {
        .type = TYPE_F32, .words = H, .bytes = BH, .n_words = 2, .to_point = {1, 0, 1}};
    struct decoded decoded;
    decode_channel(&channel, (uint16_t[]){0x8000, 0}, &decoded);
    assert_false(signbit(decoded.value));
    check_close("value", decoded.value, 0.0, 0.0);
}

static void what_is_not_finite_is_never_a_value(void **state)
{
    (void)state; /* DEC-024 to 028: 6 impossible */
    static const uint32_t BITS_OF[] = {0x7F800000, 0xFF800000, 0x7FC00000, 0x7F800001, 0xFFFFFFFF};
    struct channel channel = {
        .type = TYPE_F32, .words = H, .bytes = BH, .n_words = 2, .to_point = {1, 0, 1}};
    for (size_t i = 0; i < sizeof BITS_OF / sizeof *BITS_OF; i++) {
        uint16_t words[2] = {(uint16_t)(BITS_OF[i] >> 16), (uint16_t)(BITS_OF[i] & 0xFFFF)};
        struct decoded decoded;
        decode_channel(&channel, words, &decoded);
        check_count("verdict", decoded.verdict, DECODE_UNDECODABLE);
        assert_true(isnan(decoded.value));
        double number;
        assert_true(decode_number(TYPE_F32, H, BH, words, &number));
        check_count("range of what is not finite", range_quality(&channel, number),
                    QUALITY_IMPOSSIBLE);
    }
}

/* Planted defect that it must catch: a judge that looks at stated ranges only (-300 degC is then
 * Good) (measure-floor-unasked). Sources: SI Brochure 9, 2.3.1 (the kelvin is counted from absolute
 * zero, -273.15 degC); an absolute pressure is counted from a vacuum. */
static void what_physics_forbids_is_impossible_with_a_range_or_without(void **state)
{
    (void)state;
    static const struct {
        const char *unit;
        uint8_t reference;
        double value;
        uint8_t expected;
    } ROWS[] = {{"degC", REFERENCE_NONE, -300.0, QUALITY_IMPOSSIBLE},
                {"degC", REFERENCE_NONE, -273.16, QUALITY_IMPOSSIBLE},
                {"degC", REFERENCE_NONE, -273.15, QUALITY_GOOD},
                {"degC", REFERENCE_NONE, -40.0, QUALITY_GOOD},
                {"kPa", REFERENCE_ABSOLUTE, -0.1, QUALITY_IMPOSSIBLE},
                {"kPa", REFERENCE_ABSOLUTE, 0.0, QUALITY_GOOD},
                {"kPa", REFERENCE_GAUGE, -50.0, QUALITY_GOOD},
                {"kPa", REFERENCE_UNKNOWN, -50.0, QUALITY_GOOD},
                {"kW", REFERENCE_NONE, -300.0, QUALITY_GOOD}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct channel channel = {.unit =
                                      unit_find(ROWS[i].unit, strlen(ROWS[i].unit), QUANTITY_NONE),
                                  .reference = ROWS[i].reference};
        check_count(ROWS[i].unit, range_quality(&channel, ROWS[i].value), ROWS[i].expected);
        channel.has_instrument_range = true;
        channel.instrument_low = -1000;
        channel.instrument_high = 1000;
        check_count(ROWS[i].unit, range_quality(&channel, ROWS[i].value), ROWS[i].expected);
    }
    const struct channel by_point = {.point = POINT_INTAKE_TEMPERATURE};
    check_count("by its point", range_quality(&by_point, -300.0), QUALITY_IMPOSSIBLE);
    const struct channel difference = {.unit = unit_find("K", 1, QUANTITY_TEMPERATURE_DIFFERENCE)};
    check_count("a difference", range_quality(&difference, -300.0), QUALITY_GOOD);
}

static void an_enumeration_becomes_its_number_and_an_unlisted_code_nothing(void **state)
{
    (void)state;
    struct channel channel = {.type = TYPE_U16,
                              .words = H,
                              .bytes = BH,
                              .n_words = 1,
                              .n_values = 1,
                              .to_point = {1, 0, 1},
                              .values = {{.raw = 11, .becomes = 2, .text = "running"}}};
    struct decoded decoded;
    decode_channel(&channel, &(uint16_t){11}, &decoded);
    check_close("running", decoded.value, 2, 0.0);
    check_text("text", decoded.text, "running");
    decode_channel(&channel, &(uint16_t){12}, &decoded);
    check_count("unlisted", decoded.verdict, DECODE_UNDECODABLE);
    assert_true(isnan(decoded.value));
}

static void the_table_gets_the_published_floats(void **state)
{
    (void)state; /* DEC-053 to 056; IEEE 754-2019 */
    static const struct {
        const char *id;
        float value;
        enum word_order words;
        uint16_t expected[2];
    } ROWS[] = {{"DEC-053", 12345.0F, H, {0x4640, 0xE400}},
                {"DEC-054", 12345.0F, L, {0xE400, 0x4640}},
                {"DEC-055", 7520.112F, H, {0x45EB, 0x00E5}},
                {"DEC-056", -0.05F, H, {0xBD4C, 0xCCCD}}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        uint16_t words[2];
        put_registers(words, 2, ROWS[i].words, BH, float_to_bits(ROWS[i].value));
        check_count(ROWS[i].id, words[0], ROWS[i].expected[0]);
        check_count(ROWS[i].id, words[1], ROWS[i].expected[1]);
    }
}

static void a_scaled_integer_is_rounded_half_to_even_and_never_clamped(void **state)
{
    (void)state; /* DEC-057 to 060; round half to even: IEEE 754-2019, 4.3.1 */
    static const struct {
        const char *id;
        double value, per_count;
        int16_t expected;
        bool fits;
    } ROWS[] = {{"DEC-057", 87.4, 0.1, 874, true},
                {"DEC-058", -12.34, 0.01, -1234, true},
                {"DEC-059", 0.25, 0.1, 2, true},
                {"tie to even, 0.35", 0.35, 0.1, 4, true},
                {"tie to even, negative", -0.25, 0.1, -2, true},
                {"DEC-060", 65535, 1, INT16_MIN, false},
                {"the code for no value", -32768, 1, INT16_MIN, false},
                {"no number", NAN, 1, INT16_MIN, false},
                {"largest", 32767, 1, 32767, true},
                {"rounds out of range", 32767.5, 1, INT16_MIN, false}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        int16_t counts = 0;
        check_count(ROWS[i].id, scaled_s16(ROWS[i].value, ROWS[i].per_count, &counts),
                    ROWS[i].fits);
        check_count(ROWS[i].id, counts, ROWS[i].expected);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(registers_become_the_published_numbers),
        cmocka_unit_test(no_type_and_text_are_no_number),
        cmocka_unit_test(scale_and_unit_are_one_step),
        cmocka_unit_test(a_bit_field_counts_from_bit_0),
        cmocka_unit_test(text_ends_at_nul_and_is_printable),
        cmocka_unit_test(text_longer_than_its_room_is_undecodable_not_cut),
        cmocka_unit_test(minus_zero_is_published_as_zero),
        cmocka_unit_test(what_is_not_finite_is_never_a_value),
        cmocka_unit_test(what_physics_forbids_is_impossible_with_a_range_or_without),
        cmocka_unit_test(an_enumeration_becomes_its_number_and_an_unlisted_code_nothing),
        cmocka_unit_test(the_table_gets_the_published_floats),
        cmocka_unit_test(a_scaled_integer_is_rounded_half_to_even_and_never_clamped),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
