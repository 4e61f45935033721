/* SPDX-License-Identifier: Apache-2.0
 *
 * test_mqtt_rest.c - a broker that is back is found within 15 s, after one failed try or after
 * three days of them, and the boxes of a field do not come all at once.
 *
 * Planted defect that it must catch, seen to fail: the rest doubles on to a minute.
 */
#include "check.h"

#include "../../daemon/publish/mqtt_rest.h"

#define BOXES 1000

static uint32_t draw(uint32_t *random)
{
    *random = *random * 1664525u + 1013904223u; /* Knuth, TAOCP 2, 3.3.4, table 1 */
    return *random >> 8;
}

static void within_15_s_of_its_return_however_long_it_was_away(void **state)
{
    (void)state;
    uint32_t random = 7;
    for (uint32_t attempts = 0; attempts < 30000; attempts++) { /* three days, and more */
        const uint32_t rest_ms = mqtt_rest_ms(attempts, false, draw(&random));
        assert_true(rest_ms >= MQTT_REST_LEAST_MS);
        if (rest_ms + MQTT_REACH_DEADLINE_MS > 15000)
            fail_msg("after %u attempts it rests %u ms", attempts, rest_ms);
        assert_true(mqtt_rest_ms(attempts, true, draw(&random)) <= 30200);
    }
    assert_true(mqtt_rest_ms(UINT32_MAX, false, UINT32_MAX) <= 10000);
}

static void the_boxes_of_a_field_do_not_come_all_at_once(void **state)
{
    (void)state;
    unsigned slot[11] = {0};
    uint32_t random = 11;
    for (int i = 0; i < BOXES; i++)
        slot[mqtt_rest_ms(100, false, draw(&random)) / 1000]++;
    /* Evenly over 9.5 s about 105 a second; 4 standard deviations are 40 (binomial). */
    for (size_t i = 1; i < 9; i++)
        if (slot[i] < 65 || slot[i] > 145)
            fail_msg("%u of %d boxes come in second %zu", slot[i], BOXES, i);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(within_15_s_of_its_return_however_long_it_was_away),
        cmocka_unit_test(the_boxes_of_a_field_do_not_come_all_at_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
