/* SPDX-License-Identifier: Apache-2.0
 *
 * test_mqtt_words.c - sentences to people: each failing layer has its own, names the broker, fits
 * its room, and uses no word of the machine room.
 */
#include "check.h"
#include "payload_fixture.h"

#include "../../daemon/publish/mqtt_words.h"

#include <errno.h>

static void each_layer_has_its_own_sentence_that_fits(void **state)
{
    (void)state;
    static const char *const BANNED[] = {"socket", "errno", "slave", "SSL", "NULL", "TCP"};
    static const int CODES[] = {0,        1,    2,    3,    4,    5,    0x80,         0x84,
                                0x85,     0x86, 0x87, 0x88, 0x89, 0x8A, 0x8B,         0x8D,
                                0x8E,     0x93, 0x95, 0x97, 0x9B, 0x9F, ECONNREFUSED, ENETUNREACH,
                                ETIMEDOUT};
    char seen[MQTT_TROUBLE_KINDS][MQTT_WORDS_MAX];
    struct plan *plan = payload_plan();
    struct destination_plan *to = &plan->destinations[0];
    snprintf(to->host, sizeof to->host, "broker.heron.example");
    for (uint8_t kind = 0; kind < MQTT_TROUBLE_KINDS; kind++) {
        for (size_t i = 0; i < sizeof CODES / sizeof *CODES; i++) {
            struct mqtt_trouble trouble = {
                .kind = kind, .code = CODES[i], .detail = "certificate verify failed"};
            size_t n = mqtt_words(&trouble, plan, to, seen[kind]);
            assert_int_equal(n, strlen(seen[kind]));
            if (n >= MQTT_WORDS_MAX - 1)
                fail_msg("kind %u code %d is cut: %s", kind, CODES[i], seen[kind]);
            assert_non_null(strstr(seen[kind], "plant-broker"));
            for (size_t b = 0; b < sizeof BANNED / sizeof *BANNED; b++)
                if (strstr(seen[kind], BANNED[b]) != NULL)
                    fail_msg("\"%s\" says %s", seen[kind], BANNED[b]);
            assert_true((mqtt_cause(&trouble) == CAUSE_NONE) == (kind == MQTT_NO_TROUBLE));
        }
        for (uint8_t other = 0; other < kind; other++)
            if (strcmp(seen[kind], seen[other]) == 0 &&
                !(kind == MQTT_ENDED && other == MQTT_REFUSED))
                fail_msg("two layers say the same: %s", seen[kind]);
    }
    memset(to->host, 'h', sizeof to->host - 1);
    to->host[sizeof to->host - 1] = '\0';
    struct mqtt_trouble trouble = {.kind = MQTT_LOOKUP};
    assert_int_equal(mqtt_words(&trouble, plan, to, seen[0]), MQTT_WORDS_MAX - 1);
    plan_free(plan);
}

static void a_refusal_is_told_by_its_reason_code(void **state)
{
    (void)state;
    /* MQTT 5.0, 3.4.2.1 */
    assert_non_null(strstr(mqtt_refusal(0x10), "nobody subscribes"));
    assert_int_equal(mqtt_refusal_cause(0x10), CAUSE_NO_SUBSCRIBER);
    assert_non_null(strstr(mqtt_refusal(0x87), "not authorised"));
    assert_int_equal(mqtt_refusal_cause(0x87), CAUSE_NOT_AUTHORISED);
    assert_int_equal(mqtt_refusal_cause(0x97), CAUSE_QUOTA);
    assert_non_null(mqtt_refusal(0xF3));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_layer_has_its_own_sentence_that_fits),
        cmocka_unit_test(a_refusal_is_told_by_its_reason_code),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
