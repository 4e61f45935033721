/* SPDX-License-Identifier: Apache-2.0
 *
 * test_mqtt_pipe.c - the pipe between broker and client library: packets followed in whatever
 * pieces they come, none too large let through, every byte and the end passed on.
 *
 * Encoded lengths: MQTT 5.0, 1.5.5 and table 1-1. Planted defects that these tests must catch, each
 * seen to fail: the length's bytes are read most significant first; a packet of 16,385 bytes
 * passes; the state is lost between two pieces.
 */
#include "check.h"

#include "../../daemon/publish/mqtt_pipe.h"

#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

#define TAKE_MOST 16384u /* as the daemon's own connection */

static size_t put_packet(uint8_t *into, uint8_t type, uint32_t length)
{
    size_t n = 0;
    into[n++] = type;
    uint32_t rest = length;
    do { /* the algorithm of MQTT 5.0, 1.5.5 */
        uint8_t byte = (uint8_t)(rest % 128);
        rest /= 128;
        into[n++] = rest > 0 ? byte | 128 : byte;
    } while (rest > 0);
    memset(into + n, 0xFF, length <= TAKE_MOST ? length : 0);
    return n + (length <= TAKE_MOST ? length : 0);
}

static void table_1_1_of_the_standard_is_followed(void **state)
{
    (void)state;
    /* Smallest and largest of one to four bytes, from the table; those above our limit must be
     * refused at their head's last byte. */
    static const struct {
        uint8_t bytes[5];
        size_t n;
        bool passes;
    } rows[] = {
        {{0x30, 0x00}, 2, true},
        {{0x30, 0x7F}, 2, true},
        {{0x30, 0x80, 0x01}, 3, true},
        {{0x30, 0xFF, 0x7F}, 3, true},        /* 16,383 */
        {{0x30, 0x80, 0x80, 0x01}, 4, true},  /* 16,384: the limit itself */
        {{0x30, 0x81, 0x80, 0x01}, 4, false}, /* 16,385 */
        {{0x30, 0xFF, 0xFF, 0x7F}, 4, false}, /* 2,097,151 */
        {{0x30, 0x80, 0x80, 0x80, 0x01}, 5, false},
        {{0x30, 0xFF, 0xFF, 0xFF, 0x7F}, 5, false}, /* 268,435,455 */
        {{0x30, 0x80, 0x80, 0x80, 0x80}, 5, false}, /* no MQTT length */
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct mqtt_follow follow = {.most = TAKE_MOST};
        check_count("passes", mqtt_follow_bytes(&follow, rows[i].bytes, rows[i].n), rows[i].passes);
        follow = (struct mqtt_follow){.most = TAKE_MOST};
        assert_true(mqtt_follow_bytes(&follow, rows[i].bytes, rows[i].n - 1));
    }
}

static void packets_are_followed_in_whatever_pieces_they_come(void **state)
{
    (void)state;
    static uint8_t stream[512 * 1024];
    srand(7); /* any numbers will do */
    for (int round = 0; round < 200; round++) {
        size_t n = 0;
        while (n < sizeof stream / 2)
            n += put_packet(stream + n, (uint8_t)(rand() & 0xF0),
                            (uint32_t)rand() % (rand() % 4 ? 300 : TAKE_MOST + 1));
        size_t good = n;
        n += put_packet(stream + n, 0x30, TAKE_MOST + 1 + (uint32_t)rand() % 1000000);
        struct mqtt_follow follow = {.most = TAKE_MOST};
        bool passes = true;
        size_t at = 0;
        while (passes && at < n) {
            size_t step = 1 + (size_t)rand() % (rand() % 3 ? 20 : 20000);
            if (step > n - at)
                step = n - at;
            passes = mqtt_follow_bytes(&follow, stream + at, step);
            at += step;
            if (at <= good)
                assert_true(passes);
        }
        assert_false(passes);
    }
}

static void every_byte_is_passed_on_and_then_the_end(void **state)
{
    (void)state;
    int pair[2];
    static uint8_t stream[300000], got[300000];
    static struct mqtt_pipe pipe;
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, pair), 0);
    int library = pair[0], broker = pair[1];
    assert_true(mqtt_pipe_prepare(&pipe, TAKE_MOST));
    assert_true(mqtt_pipe_open(&pipe, library, 0));
    size_t n = 0, taken = 0, sent = 0;
    while (n < sizeof stream - TAKE_MOST - 5)
        n += put_packet(stream + n, 0x40, (uint32_t)n % 3000);
    bool ended = false;
    for (int rounds = 0; rounds < 100000 && !ended; rounds++) {
        if (sent < n) {
            ssize_t put = send(broker, stream + sent, n - sent, MSG_DONTWAIT);
            sent += put > 0 ? (size_t)put : 0;
            if (sent == n)
                shutdown(broker, SHUT_WR);
        }
        mqtt_pipe_take(&pipe);
        ssize_t put = recv(library, got + taken, sizeof got - taken, MSG_DONTWAIT);
        taken += put > 0 ? (size_t)put : 0;
        ended = put == 0;
    }
    assert_true(ended);
    check_count("bytes", (long long)taken, (long long)n);
    assert_memory_equal(got, stream, n);
    assert_true(pipe.ended && pipe.why == 0 && !pipe.too_large);
    mqtt_pipe_close(&pipe);
    mqtt_pipe_discard(&pipe);
    mqtt_pipe_discard(&pipe);
    close(library);
    close(broker);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(table_1_1_of_the_standard_is_followed),
        cmocka_unit_test(packets_are_followed_in_whatever_pieces_they_come),
        cmocka_unit_test(every_byte_is_passed_on_and_then_the_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
