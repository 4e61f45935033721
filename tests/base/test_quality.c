/* SPDX-License-Identifier: Apache-2.0
 *
 * test_quality.c - codes, classes, order and combination of qualities.
 *
 * Planted defects that these must catch, and did: Bad and Uncertain swapped in the combination;
 * stale before line_down in the order. OPC UA values: status code table of OPC 10000-6 annex A.
 * Combination and order: rules of this project.
 */
#include "check.h"

#include "uphole/quality.h"

#define ROWS(table) (sizeof(table) / sizeof(table)[0])

/** QUA-001 to 016. */
static const struct {
    const char *id;
    uint8_t code;
    const char *name;
    enum quality_class class_;
    uint32_t opc_ua;
    const char *opc_ua_name;
} PUBLISHED[] = {
    {"QUA-001", 192, "good", QUALITY_CLASS_GOOD, 0x00000000, "Good"},
    {"QUA-002", 64, "stale", QUALITY_CLASS_UNCERTAIN, 0x40900000, "UncertainLastUsableValue"},
    {"QUA-003", 65, "unit_unconfirmed", QUALITY_CLASS_UNCERTAIN, 0x420F0000,
     "UncertainConfigurationError"},
    {"QUA-004", 66, "unusual", QUALITY_CLASS_UNCERTAIN, 0x40940000,
     "UncertainEngineeringUnitsExceeded"},
    {"QUA-005", 67, "frozen", QUALITY_CLASS_UNCERTAIN, 0x40900000, "UncertainLastUsableValue"},
    {"QUA-006", 68, "clock_unsure", QUALITY_CLASS_UNCERTAIN, 0x40000000, "Uncertain"},
    {"QUA-007", 69, "input_unsure", QUALITY_CLASS_UNCERTAIN, 0x40950000, "UncertainSubNormal"},
    {"QUA-008", 70, "step_unconfirmed", QUALITY_CLASS_UNCERTAIN, 0x40000000, "Uncertain"},
    {"QUA-009", 0, "no_data", QUALITY_CLASS_BAD, 0x80320000, "BadWaitingForInitialData"},
    {"QUA-010", 1, "not_mapped", QUALITY_CLASS_BAD, 0x80890000, "BadConfigurationError"},
    {"QUA-011", 2, "not_fitted", QUALITY_CLASS_BAD, 0x808A0000, "BadNotConnected"},
    {"QUA-012", 3, "line_down", QUALITY_CLASS_BAD, 0x80050000, "BadCommunicationError"},
    {"QUA-013", 4, "gauge_silent", QUALITY_CLASS_BAD, 0x808B0000, "BadDeviceFailure"},
    {"QUA-014", 5, "channel_fault", QUALITY_CLASS_BAD, 0x808C0000, "BadSensorFailure"},
    {"QUA-015", 6, "impossible", QUALITY_CLASS_BAD, 0x803C0000, "BadOutOfRange"},
    {"QUA-016", 7, "input_bad", QUALITY_CLASS_BAD, 0x80000000, "Bad"},
};

static void each_published_code_has_its_class_and_opc_ua_status(void **state)
{
    (void)state;
    for (size_t i = 0; i < ROWS(PUBLISHED); i++) {
        const struct quality_row *row = quality_find(PUBLISHED[i].code);
        assert_non_null(row);
        check_text(PUBLISHED[i].id, row->name, PUBLISHED[i].name);
        check_text(PUBLISHED[i].id, row->opc_ua_name, PUBLISHED[i].opc_ua_name);
        check_count(PUBLISHED[i].id, row->opc_ua, PUBLISHED[i].opc_ua);
        check_count(PUBLISHED[i].id, quality_class_of(row->code), PUBLISHED[i].class_);
    }
    /* QUA-017 */
    check_count("QUA-017", quality_class_of(68), 1);
    check_count("QUA-017", quality_class_of(5), 0);
    check_count("QUA-017", quality_class_of(192), 3);
}

static void the_class_survives_the_translation_to_opc_ua(void **state)
{
    (void)state;
    /* QUA-022, 023: severity is bits 31 and 30: 0 Good, 1 Uncertain, 2 Bad. OPC 10000-4. QUA-024:
     * Good is 0 there, 192 here. */
    static const enum quality_class BY_SEVERITY[] = {QUALITY_CLASS_GOOD, QUALITY_CLASS_UNCERTAIN,
                                                     QUALITY_CLASS_BAD};
    check_count("QUA-022", 0x40900000u >> 30, 1);
    check_count("QUA-023", 0x808A0000u >> 30, 2);
    for (size_t i = 0; i < quality_count(); i++) {
        const struct quality_row *row = quality_row_at(i);
        check_count(row->name, BY_SEVERITY[row->opc_ua >> 30], quality_class_of(row->code));
        check_count(row->name, row->opc_ua & 0xFFFF, 0);
    }
    check_count("QUA-024", quality_find(192)->opc_ua, 0);
}

static void the_table_is_whole_and_in_order(void **state)
{
    (void)state;
    check_count("codes", (long long)quality_count(), 28);
    assert_null(quality_row_at(quality_count()));
    unsigned good = 0;
    bool rank_is_taken[64] = {false};
    for (size_t i = 0; i < quality_count(); i++) {
        const struct quality_row *row = quality_row_at(i);
        if (i > 0)
            assert_true(row->code > quality_row_at(i - 1)->code);
        /* A value is sent with Good and Uncertain, never with Bad; 3, 4 keep the last one for
         * `latest`. */
        check_count(row->name, row->sends_value, quality_class_of(row->code) != QUALITY_CLASS_BAD);
        if (quality_class_of(row->code) == QUALITY_CLASS_BAD)
            check_count(row->name, row->keeps_last, row->code == 3 || row->code == 4);
        good += row->code >= 192; /* QUA-020: one compare finds Good */
        unsigned rank = quality_rank(row->code);
        assert_true(rank > 0 && rank < 64 && !rank_is_taken[rank]);
        rank_is_taken[rank] = true;
    }
    check_count("QUA-020", good, 1);
    /* QUA-019: a register that nobody wrote is no data, Bad. */
    check_text("QUA-019", quality_name(0), "no_data");
    check_count("QUA-019", quality_class_of(0), QUALITY_CLASS_BAD);
    /* QUA-021: the worst class is the smallest. */
    assert_true(QUALITY_CLASS_GOOD > QUALITY_CLASS_UNCERTAIN &&
                QUALITY_CLASS_UNCERTAIN > QUALITY_CLASS_BAD);
}

static void a_reserved_code_is_never_sent_and_reads_as_bad(void **state)
{
    (void)state;
    for (int code = 128; code <= 191; code++) { /* QUA-018 */
        assert_null(quality_find((uint8_t)code));
        check_text("QUA-018", quality_name((uint8_t)code), "unknown");
        check_count("QUA-018", quality_class_of((uint8_t)code), QUALITY_CLASS_BAD);
        check_count("QUA-018, never hidden", quality_first(QUALITY_NOT_MAPPED, (uint8_t)code),
                    code);
    }
}

static void sparkplug_is_told_three_codes(void **state)
{
    (void)state;
    /* QUA-025. Sparkplug B 3.0, quality property (from memory). */
    check_count("good", quality_find(192)->sparkplug, 192);
    check_count("stale", quality_find(64)->sparkplug, 500);
    check_count("channel_fault", quality_find(5)->sparkplug, 0);
    for (size_t i = 0; i < quality_count(); i++)
        if (quality_row_at(i)->code != 192 && quality_row_at(i)->code != 64)
            check_count(quality_row_at(i)->name, quality_row_at(i)->sparkplug, 0);
}

static void inputs_combine_by_the_worst(void **state)
{
    (void)state;
    static const struct {
        const char *id;
        uint8_t required[2];
        size_t n_required;
        uint8_t optional[1];
        size_t n_optional;
        uint8_t expected;
        int worst;
    } COMBINED[] = {
        {"QUA-026", {192, 192}, 2, {0}, 0, 192, -1},
        {"QUA-027", {192, 64}, 2, {0}, 0, 69, 1},
        {"QUA-028", {66, 64}, 2, {0}, 0, 69, 1},
        {"QUA-029", {64, 5}, 2, {0}, 0, 7, 1},
        {"QUA-030", {192, 2}, 2, {0}, 0, 7, 1},
        {"QUA-031", {192, 0}, 2, {0}, 0, 7, 1},
        {"QUA-032", {3, 3}, 2, {0}, 0, 7, 0},
        {"QUA-033", {65}, 1, {0}, 0, 69, 0},
        {"QUA-034", {192, 192}, 2, {2}, 1, 69, 2},
        {"QUA-035", {192, 192}, 2, {192}, 1, 192, -1},
        {"QUA-036", {192, 6}, 2, {192}, 1, 7, 1},
        {"reserved is Bad", {192, 150}, 2, {192}, 1, 7, 1},
        {"none at all", {0}, 0, {0}, 0, 192, -1},
    };
    for (size_t i = 0; i < ROWS(COMBINED); i++) {
        int worst = 99;
        check_count(COMBINED[i].id,
                    quality_combine(COMBINED[i].required, COMBINED[i].n_required,
                                    COMBINED[i].optional, COMBINED[i].n_optional, &worst),
                    COMBINED[i].expected);
        check_count(COMBINED[i].id, worst, COMBINED[i].worst);
        check_count(COMBINED[i].id,
                    quality_combine(COMBINED[i].required, COMBINED[i].n_required,
                                    COMBINED[i].optional, COMBINED[i].n_optional, NULL),
                    COMBINED[i].expected);
    }
}

static void of_several_reasons_the_first_in_order_is_sent(void **state)
{
    (void)state;
    static const struct {
        const char *id;
        uint8_t reasons[3];
        uint8_t expected;
    } SEVERAL[] = {
        {"QUA-037", {64, 3, 192}, 3},
        {"QUA-038", {6, 2, 192}, 2},
        {"QUA-039", {5, 4, 192}, 4},
        {"QUA-040", {66, 65, 192}, 65},
        {"QUA-041", {65, 68, 192}, 68},
        {"QUA-042", {66, 67, 192}, 67},
        {"QUA-043", {0, 1, 3}, 1},
        {"QUA-044", {67, 64, 192}, 64},
        {"starting before silent", {4, 14, 2}, 14},
        {"not journaled first of Uncertain", {71, 75, 68}, 75},
        {"limited before unusual", {66, 74, 192}, 74},
    };
    for (size_t i = 0; i < ROWS(SEVERAL); i++) {
        uint8_t got = quality_first(quality_first(SEVERAL[i].reasons[0], SEVERAL[i].reasons[1]),
                                    SEVERAL[i].reasons[2]);
        check_count(SEVERAL[i].id, got, SEVERAL[i].expected);
        got = quality_first(SEVERAL[i].reasons[2],
                            quality_first(SEVERAL[i].reasons[1], SEVERAL[i].reasons[0]));
        check_count(SEVERAL[i].id, got, SEVERAL[i].expected);
    }
    /* QUA-047: lateness is no quality: no code of the table speaks of delivery, and Good stays Good
     * through the order. */
    check_count("QUA-047", quality_first(192, 192), 192);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_published_code_has_its_class_and_opc_ua_status),
        cmocka_unit_test(the_class_survives_the_translation_to_opc_ua),
        cmocka_unit_test(the_table_is_whole_and_in_order),
        cmocka_unit_test(a_reserved_code_is_never_sent_and_reads_as_bad),
        cmocka_unit_test(sparkplug_is_told_three_codes),
        cmocka_unit_test(inputs_combine_by_the_worst),
        cmocka_unit_test(of_several_reasons_the_first_in_order_is_sent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
