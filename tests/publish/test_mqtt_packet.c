/* SPDX-License-Identifier: Apache-2.0
 *
 * test_mqtt_packet.c - which packets of a broker go on to the client library. Source of the bytes:
 * MQTT 5.0, figures of 3.2, 3.3, 3.4, 3.9, 3.13, 3.14 and table 2-4.
 *
 * Planted defect (mqtt-any-property): properties aren't looked at; the library of Debian 12 ends
 * the process over one that it doesn't know.
 */
#include "check.h"

#include "../../daemon/publish/mqtt_packet.h"

#include <stdlib.h>

struct row {
    const char *what;
    size_t n;
    uint8_t bytes[40];
    bool sound_5, sound_3;
};

static const struct row ROWS[] = {
    {"CONNACK without properties", 5, {0x20, 3, 0, 0, 0}, true, false},
    {"CONNACK of 3.1.1", 4, {0x20, 2, 0, 1}, true, true},
    {"CONNACK with receive maximum and maximum packet size",
     13,
     {0x20, 11, 0, 0, 8, 0x21, 0, 20, 0x27, 0, 0, 0x40, 0},
     true,
     false},
    {"CONNACK with a property that ends early", 7, {0x20, 5, 0, 0, 2, 0x21, 0}, false, false},
    {"CONNACK with a property that table 2-4 doesn't name",
     7,
     {0x20, 5, 0, 0, 2, 0x7F, 0},
     false,
     false},
    {"CONNACK with property 0", 6, {0x20, 4, 0, 0, 1, 0x00}, false, false},
    {"CONNACK with flags in its head", 5, {0x21, 3, 0, 0, 0}, false, false},
    {"CONNACK with more than its properties", 6, {0x20, 4, 0, 0, 0, 9}, false, false},
    {"PUBACK, id alone", 4, {0x40, 2, 0, 10}, true, true},
    {"PUBACK with reason", 5, {0x40, 3, 0, 10, 0x10}, true, false},
    {"PUBACK with reason string",
     13,
     {0x40, 11, 0, 10, 0x87, 7, 0x1F, 0, 4, 'n', 'o', 'n', 'o'},
     true,
     false},
    {"PUBACK with user property",
     16,
     {0x40, 14, 0, 10, 0, 10, 0x26, 0, 1, 'a', 0, 4, 'b', 'c', 'd', 'e'},
     true,
     false},
    {"PUBACK whose text is longer than its properties",
     9,
     {0x40, 7, 0, 10, 0, 3, 0x1F, 0, 4},
     false,
     false},
    {"PUBACK without an id", 3, {0x40, 1, 0}, false, false},
    {"PUBLISH at QoS 0", 9, {0x30, 7, 0, 3, 'a', '/', 'b', 0, 'x'}, true, true},
    {"PUBLISH at QoS 1, retained", 10, {0x33, 8, 0, 3, 'a', '/', 'b', 0, 7, 0}, true, true},
    {"PUBLISH at QoS 2, which was never granted",
     10,
     {0x34, 8, 0, 3, 'a', '/', 'b', 0, 7, 0},
     false,
     false},
    {"PUBLISH whose topic is longer than it", 6, {0x30, 4, 0, 9, 'a', 'b'}, false, false},
    {"SUBACK", 6, {0x90, 4, 0, 1, 0, 1}, true, true},
    {"SUBACK without an answer", 5, {0x90, 3, 0, 1, 0}, false, true}, /* 3.1.1: 0 is the answer */
    {"PINGRESP", 2, {0xD0, 0}, true, true},
    {"PINGRESP with a body", 3, {0xD0, 1, 0}, false, false},
    {"DISCONNECT", 2, {0xE0, 0}, true, false},
    {"DISCONNECT with reason", 3, {0xE0, 1, 0x8E}, true, false},
    {"DISCONNECT with server reference", 9, {0xE0, 7, 0x9C, 5, 0x1C, 0, 2, 'b', '2'}, true, false},
    {"CONNECT, which a client sends", 2, {0x10, 0}, false, false},
    {"SUBSCRIBE, which a client sends", 2, {0x82, 0}, false, false},
    {"PUBREL, of QoS 2", 4, {0x62, 2, 0, 1}, false, false},
    {"UNSUBACK, never asked for", 6, {0xB0, 4, 0, 1, 0, 0}, false, false},
    {"AUTH, never begun", 2, {0xF0, 0}, false, false},
    {"type 0", 2, {0x00, 0}, false, false},
    {"a length that says less", 4, {0x40, 1, 0, 10}, false, false},
};

static void what_the_standard_lets_a_broker_say_goes_through_and_nothing_else(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        const struct row *row = &ROWS[i];
        check_count(row->what, mqtt_packet_is_sound(row->bytes, row->n, 5), row->sound_5);
        check_count(row->what, mqtt_packet_is_sound(row->bytes, row->n, 3), row->sound_3);
        for (size_t n = 0; n < row->n; n++) /* cut anywhere, it isn't whole */
            assert_false(mqtt_packet_is_sound(row->bytes, n, 5));
    }
}

/* Every identifier of table 2-4 with a value of its type, and no other one. */
static void each_property_of_the_table_goes_through(void **state)
{
    (void)state;
    static const char bytes[] = "\x01\x17\x19\x24\x25\x28\x29\x2a", twos[] = "\x13\x21\x22\x23",
                      fours[] = "\x02\x11\x18\x27",
                      texts[] = "\x03\x08\x09\x12\x15\x16\x1a\x1c\x1f";
    for (unsigned id = 0; id < 128; id++) {
        size_t size = id == 0x0B                                  ? 1
                      : id != 0 && strchr(bytes, (int)id) != NULL ? 1
                      : id != 0 && strchr(twos, (int)id) != NULL  ? 2
                      : id != 0 && strchr(fours, (int)id) != NULL ? 4
                      : id != 0 && strchr(texts, (int)id) != NULL ? 2
                      : id == 0x26                                ? 4
                                                                  : 0;
        uint8_t packet[16] = {0x40, (uint8_t)(5 + size), 0, 1, 0, (uint8_t)(1 + size), (uint8_t)id};
        bool sound = mqtt_packet_is_sound(packet, 7 + size, 5);
        if (sound != (size > 0))
            fail_msg("property 0x%02X: %d", id, sound);
    }
}

static void a_length_is_told_when_its_bytes_are_there(void **state)
{
    (void)state;
    static const uint8_t longest[] = {0x30, 0xFF, 0xFF, 0xFF, 0x7F};
    check_count("nothing", (long long)mqtt_packet_length(longest, 0), 0);
    for (size_t n = 1; n < sizeof longest; n++)
        check_count("too few", (long long)mqtt_packet_length(longest, n), 0);
    check_count("table 1-1", (long long)mqtt_packet_length(longest, 5), 5 + 268435455);
}

/* Bounds are the sanitizer's to judge: each packet stands at the end of its own block. */
static void any_bytes_are_looked_into_without_leaving_them(void **state)
{
    (void)state;
    srand(11); /* any numbers will do */
    for (int round = 0; round < 200000; round++) {
        const struct row *row = &ROWS[(size_t)rand() % (sizeof ROWS / sizeof *ROWS)];
        size_t n = rand() % 3 ? row->n : (size_t)rand() % 40;
        uint8_t *packet = malloc(n > 0 ? n : 1);
        assert_non_null(packet);
        memcpy(packet, row->bytes, n);
        for (int i = rand() % 4; i > 0 && n > 0; i--)
            packet[(size_t)rand() % n] = (uint8_t)rand();
        (void)mqtt_packet_is_sound(packet, n, 5);
        (void)mqtt_packet_is_sound(packet, n, 3);
        (void)mqtt_packet_length(packet, n);
        free(packet);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_the_standard_lets_a_broker_say_goes_through_and_nothing_else),
        cmocka_unit_test(each_property_of_the_table_goes_through),
        cmocka_unit_test(a_length_is_told_when_its_bytes_are_there),
        cmocka_unit_test(any_bytes_are_looked_into_without_leaving_them),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
