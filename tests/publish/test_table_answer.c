/* SPDX-License-Identifier: Apache-2.0
 *
 * test_table_answer.c - a request PDU to an answer PDU: every function code, quantities and
 * addresses at their edges, unit ids, identification.
 *
 * Source: Modbus Application Protocol V1.1b3, 6.3, 6.4, 6.21 and 7 (clause numbers from memory);
 * unit ids and refusals: docs/table.md.
 */
#include "check.h"
#include "table_fixture.h"

#include "uphole/wire.h"

#include <stdlib.h>

#define REGISTERS (3 * 512) /* blocks 0 to 2 */

struct state {
    struct plan *plan;
    struct table_image *image;
    uint8_t answer[PDU_MAX];
    size_t n;
};

static int set_up(void **state)
{
    static struct state own;
    own.plan = fixture_plan();
    own.image = table_image_create(own.plan, own.plan->destinations);
    struct snapshot snapshot = fixture_snapshot(7);
    const struct table_header header = fixture_header();
    table_image_put(own.image, &snapshot, &header, FIXTURE_NOW_MS);
    *state = &own;
    return 0;
}

static int tear_down(void **state)
{
    struct state *own = *state;
    table_image_destroy(own->image);
    fixture_free(own->plan);
    return 0;
}

static void ask(struct state *own, uint8_t unit, const uint8_t *request, size_t n)
{
    memset(own->answer, 0xEE, sizeof own->answer);
    own->n = table_answer(own->image, unit, request, n, own->answer);
}

static void read_registers(struct state *own, uint8_t unit, uint8_t function, uint16_t first,
                           uint16_t count)
{
    uint8_t request[5] = {function};
    put_u16(request + 1, first);
    put_u16(request + 3, count);
    ask(own, unit, request, sizeof request);
}

static void check_exception(struct state *own, uint8_t function, uint8_t code)
{
    check_count("length of an exception", (long long)own->n, 2);
    check_count("function of an exception", own->answer[0], function | 0x80);
    check_count("exception code", own->answer[1], code);
}

/* Planted defect: function 06 answered as if it had been done. */
static void every_function_but_03_04_and_2b_is_refused(void **state)
{
    struct state *own = *state;
    for (unsigned function = 0; function < 256; function++) {
        /* As a write of one register, a read, and cut down to the function alone: the answer is the
         * same. */
        const uint8_t request[] = {(uint8_t)function, 0, 0, 0, 1};
        if (function == 3 || function == 4 || function == 0x2B)
            continue;
        ask(own, METRIC_HIGH, request, sizeof request);
        check_exception(own, (uint8_t)function, 1);
        ask(own, METRIC_HIGH, request, 1);
        check_exception(own, (uint8_t)function, 1);
    }
    check_count("no write changed a register",
                table_image_register(own->image, METRIC_HIGH, slot(1, 0)), 0x4640);
}

static void functions_03_and_04_read_the_same(void **state)
{
    struct state *own = *state;
    for (uint8_t function = 3; function <= 4; function++) {
        read_registers(own, METRIC_HIGH, function, slot(1, 0), 4);
        check_count("length", (long long)own->n, 2 + 8);
        const uint8_t want[] = {function, 8, 0x46, 0x40, 0xE4, 0x00, 0x00, 192, 0x00, 5};
        assert_memory_equal(own->answer, want, sizeof want);
    }
}

static void quantities_and_addresses_at_their_edges(void **state)
{
    static const struct {
        uint16_t first, count;
        uint8_t exception;
    } rows[] = {
        {0, 0, 3},
        {0, 1, 0},
        {0, 125, 0},
        {0, 126, 3},
        {0, 0xFFFF, 3},
        {REGISTERS - 1, 1, 0},
        {REGISTERS - 125, 125, 0},
        {REGISTERS - 124, 125, 2},
        {REGISTERS - 1, 2, 2},
        {REGISTERS, 1, 2},
        {0xFFFF, 1, 2},
        {0xFFFF, 2, 2}, /* the sum passes 65536 */
        {0xFFFF, 125, 2},
        {0xFFFF, 126, 3}, /* quantity is looked at before the address */
        {REGISTERS, 0, 3},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        read_registers(*state, METRIC_HIGH, 4, rows[i].first, rows[i].count);
        struct state *own = *state;
        if (rows[i].exception != 0)
            check_exception(own, 4, rows[i].exception);
        else
            check_count("length", (long long)own->n, 2 + 2 * rows[i].count);
    }
}

static void a_read_of_another_length_is_an_illegal_value(void **state)
{
    static const uint8_t request[PDU_MAX] = {3, 0, 0, 0, 1};
    for (size_t n = 1; n <= PDU_MAX; n++) {
        if (n == 5)
            continue;
        ask(*state, METRIC_HIGH, request, n);
        check_exception(*state, 3, 3);
    }
}

static void a_unit_id_without_a_view_is_answered_0a_whatever_is_asked(void **state)
{
    struct state *own = *state;
    for (unsigned unit = 0; unit < 256; unit++) {
        bool is_view = (unit >= METRIC_HIGH && unit <= NUMBER_HIGH) || unit == 0 || unit == 255;
        read_registers(own, (uint8_t)unit, 3, 0, 1);
        if (is_view)
            check_count("length", (long long)own->n, 4);
        else
            check_exception(own, 3, 0x0A);
        read_registers(own, (uint8_t)unit, 6, 0, 1);
        check_exception(own, 6, is_view ? 1 : 0x0A);
    }
}

static void unit_ids_0_and_255_are_view_1(void **state)
{
    static const uint8_t units[] = {0, 1, 255};
    for (size_t i = 0; i < sizeof units; i++) {
        struct state *own = *state;
        read_registers(own, units[i], 4, 2, 2);
        const uint8_t want[] = {4, 4, 0x47, 0xF1, 0x20, 0x00};
        check_count("length", (long long)own->n, sizeof want);
        assert_memory_equal(own->answer, want, sizeof want);
    }
}

static void identify(struct state *own, uint8_t code, uint8_t object)
{
    const uint8_t request[] = {0x2B, 0x0E, code, object};
    ask(own, METRIC_HIGH, request, sizeof request);
}

static void basic_identification_names_the_product(void **state)
{
    struct state *own = *state;
    identify(own, 1, 0);
    const uint8_t head[] = {0x2B,
                            0x0E,
                            1,
                            0x83,
                            0,
                            0,
                            3,
                            0,
                            6,
                            'U',
                            'p',
                            'h',
                            'o',
                            'l',
                            'e',
                            1,
                            12,
                            'u',
                            'p',
                            'h',
                            'o',
                            'l',
                            'e',
                            '-',
                            't',
                            'a',
                            'b',
                            'l',
                            'e',
                            2,
                            sizeof UPHOLE_VERSION - 1};
    assert_memory_equal(own->answer, head, sizeof head);
    assert_memory_equal(own->answer + sizeof head, UPHOLE_VERSION, sizeof UPHOLE_VERSION - 1);
    check_count("length", (long long)own->n, sizeof head + sizeof UPHOLE_VERSION - 1);
}

static void one_object_is_a_wells_id_and_label(void **state)
{
    struct state *own = *state;
    identify(own, 4, 0x80);
    check_count("objects", own->answer[6], 1);
    check_count("object", own->answer[7], 0x80);
    check_count("length of the text", own->answer[8], 15);
    assert_memory_equal(own->answer + 9, "heron-7 Heron 7", 15);
    identify(own, 4, 0x82);
    assert_memory_equal(own->answer + 9, "heron-8 Heron 8", 15);
    identify(own, 4, 0x81); /* no such well */
    check_exception(own, 0x2B, 2);
    identify(own, 4, 3);
    check_exception(own, 0x2B, 2);
}

static void identification_refuses_what_it_does_not_know(void **state)
{
    struct state *own = *state;
    static const uint8_t codes[] = {0, 5, 255};
    for (size_t i = 0; i < sizeof codes; i++) {
        identify(own, codes[i], 0);
        check_exception(own, 0x2B, 3);
    }
    const uint8_t other[] = {0x2B, 0x0D, 1, 0};
    ask(own, METRIC_HIGH, other, sizeof other);
    check_exception(own, 0x2B, 1);
    ask(own, METRIC_HIGH, other, 1);
    check_exception(own, 0x2B, 3);
    const uint8_t wide[] = {0x2B, 0x0E, 1, 0, 0};
    ask(own, METRIC_HIGH, wide, sizeof wide);
    check_exception(own, 0x2B, 3);
    ask(own, METRIC_HIGH, wide, 3);
    check_exception(own, 0x2B, 3);
}

/* Planted defect: `next` of a stream that doesn't move on. */
static void the_extended_stream_shows_every_well_once(void **state)
{
    (void)state;
    struct plan *plan = fixture_plan();
    struct well_plan *two = plan->wells;
    plan->wells = calloc(128, sizeof *plan->wells);
    plan->n_wells = 128;
    for (uint16_t w = 0; w < 128; w++) {
        struct well_plan *well = &plan->wells[w];
        snprintf(well->id, sizeof well->id, "heron-%u-with-a-name-as-long-as", w % 1000u);
        memset(well->label, 'L', LABEL_MAX);
        well->table_block = well->number = w;
    }
    struct state own = {.plan = plan};
    own.image = table_image_create(plan, plan->destinations);
    bool seen[256] = {false};
    unsigned next = 0, rounds = 0;
    do {
        identify(&own, 3, (uint8_t)next);
        assert_true(own.n <= PDU_MAX && own.n >= 7);
        size_t at = 7;
        for (unsigned i = 0; i < own.answer[6]; i++) {
            assert_false(seen[own.answer[at]]);
            seen[own.answer[at]] = true;
            at += 2u + own.answer[at + 1];
        }
        check_count("objects fill the answer", (long long)at, (long long)own.n);
        next = own.answer[5];
    } while (own.answer[4] == 0xFF && ++rounds < 256);
    for (unsigned id = 0; id < 256; id++)
        assert_true(seen[id] == (id < 3 || id >= 0x80));
    table_image_destroy(own.image);
    free(plan->wells);
    plan->wells = two;
    plan->n_wells = 2;
    fixture_free(plan);
}

static void an_unknown_object_in_a_stream_starts_over(void **state)
{
    struct state *own = *state;
    identify(own, 1, 0x55);
    check_count("first object", own->answer[7], 0);
    identify(own, 1, 0x80); /* not of the basic stream */
    check_count("first object", own->answer[7], 0);
    identify(own, 3, 0x82);
    check_count("first object", own->answer[7], 0x82);
    check_count("objects", own->answer[6], 1);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(every_function_but_03_04_and_2b_is_refused),
        TEST(functions_03_and_04_read_the_same),
        TEST(quantities_and_addresses_at_their_edges),
        TEST(a_read_of_another_length_is_an_illegal_value),
        TEST(a_unit_id_without_a_view_is_answered_0a_whatever_is_asked),
        TEST(unit_ids_0_and_255_are_view_1),
        TEST(basic_identification_names_the_product),
        TEST(one_object_is_a_wells_id_and_label),
        TEST(identification_refuses_what_it_does_not_know),
        TEST(the_extended_stream_shows_every_well_once),
        TEST(an_unknown_object_in_a_stream_starts_over),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
