/* SPDX-License-Identifier: Apache-2.0
 *
 * test_read_back.c - a session that only reads, beside brokers gone mad, which no real broker can
 * be made to be; those that are sound are in tests/walk/test_loop_check.py. Packets are written by
 * hand after MQTT 5.0, 2.1, 3.2, 3.3, 3.9, 3.14 and MQTT 3.1.1, the same sections.
 *
 * The broker is a thread with a listening descriptor on the loopback. Once it is to stay silent,
 * the session's clock runs 25 times too fast, so that 15 s take 0.6 s; until then it has its 15 s,
 * which no machine is too busy for.
 *
 * Planted defects that these tests must catch, each seen to fail (tests/planted/read-back-*): a
 * packet goes to the library without being looked into, which ends the process; the limit is the
 * daemon's own (16 KiB); a message that was handed out keeps its place; a stop isn't looked at; a
 * broker that never answers holds the command; the session has a will.
 */
#include "check.h"
#include "mad_broker.h"
#include "payload_fixture.h"

#include "uphole/read_back.h"

#include <stdlib.h>

#define WELL "heron-7"

/* ---- the session ---- */

static volatile sig_atomic_t is_stopped;

static enum up_rc open_at(const struct broker *broker, struct plan *plan, uint8_t version,
                          struct read_back **session, struct up_error *error)
{
    struct destination_plan *to = &plan->destinations[0];
    const struct read_back_options options = {
        .plan = plan, .well = WELL, .clock = &CLOCK, .is_stopped = &is_stopped};
    snprintf(to->host, sizeof to->host, "127.0.0.1");
    to->port = broker->port;
    to->mqtt_version = version;
    *error = (struct up_error){0};
    return read_back_open(&options, session, error);
}

/* ---- packets ---- */

static const uint8_t ACCEPTS_5[] = {0x20, 3, 0, 0, 0}, ACCEPTS_3[] = {0x20, 2, 0, 0};
static const uint8_t GRANTS_5[] = {0x90, 7, 0, 1, 0, 1, 1, 1, 1};
static const uint8_t GRANTS_3[] = {0x90, 6, 0, 1, 1, 1, 1, 1};
#define SAYS(bytes_of)                                                                             \
    {                                                                                              \
        .bytes = bytes_of, .n = sizeof bytes_of                                                    \
    }
#define SAYS_AND_HANGS_UP(bytes_of)                                                                \
    {                                                                                              \
        .bytes = bytes_of, .n = sizeof bytes_of, .hangs_up = true                                  \
    }

/** A message of QoS 1 (3.3), its payload n bytes that count up from `first`. */
static size_t put_message(uint8_t *into, const char *topic, uint8_t version, uint16_t id,
                          uint8_t first, size_t n)
{
    const size_t topic_n = strlen(topic);
    size_t length = 2 + topic_n + 2 + (version == 5 ? 1 : 0) + n, at = 0;
    into[at++] = 0x32;
    do { /* the algorithm of MQTT 5.0, 1.5.5 */
        into[at++] = (uint8_t)(length % 128 | (length >= 128 ? 128 : 0));
        length /= 128;
    } while (length > 0);
    into[at++] = (uint8_t)(topic_n >> 8);
    into[at++] = (uint8_t)topic_n;
    memcpy(into + at, topic, topic_n);
    at += topic_n;
    into[at++] = (uint8_t)(id >> 8);
    into[at++] = (uint8_t)id;
    if (version == 5)
        into[at++] = 0;
    for (size_t i = 0; i < n; i++)
        into[at++] = (uint8_t)(first + i);
    return at;
}

static const char *record_topic(const struct plan *plan, char into[static 128])
{
    snprintf(into, 128, "%s/%s/" WELL "/record", plan->destinations[0].topic_root, plan->site);
    return into;
}

/* ---- a session that never comes to be ---- */

static void each_way_in_which_it_can_fail_ends_in_time_and_says_why(void **state)
{
    (void)state;
    static const uint8_t HALF[] = {0x20, 3, 0};
    static const uint8_t UNKNOWN_PROPERTY[] = {0x20, 5, 0, 0, 2, 0x7F, 0};
    static const uint8_t WRONG_LENGTH[] = {0x20, 0xFF, 0xFF, 0xFF, 0xFF};
    static const uint8_t TOO_LARGE[] = {0x30, 0x81, 0x80, 0x10}; /* 262,145 bytes follow */
    static const uint8_t OTHER_PROTOCOL[] =
        "HTTP/1.1 400 Bad Request\r\nContent-Type: text/plain; charset=utf-8\r\n"
        "Connection: close\r\n\r\n400 Bad Request";
    static const uint8_t TAKES_NO_ID[] = {0x20, 3, 0, 0x85, 0};
    static const uint8_t TAKES_NO_USER[] = {0x20, 2, 0, 0x05};
    static const uint8_t GRANTS_NO_RECORD[] = {0x90, 7, 0, 1, 0, 1, 0x87, 1, 1};
    static const uint8_t GRANTS_NO_BOX[] = {0x90, 6, 0, 1, 1, 1, 1, 0x80};
    static const uint8_t LEAVES[] = {0xE0, 2, 0x8B, 0};
    static const uint8_t QOS_2[] = {0x34, 6, 0, 1, 'x', 0, 1, 0};
    static const struct {
        const char *what, *says;
        uint8_t version;
        struct says when[WHENS];
    } ROWS[] = {
        {"never answers", "does not answer as a broker within 15 s", 5, {{0}}},
        {"half an answer", "does not answer as a broker within 15 s", 5, {{0}, SAYS(HALF)}},
        {"hangs up at once", "closed the connection before it answered", 5, {{.hangs_up = true}}},
        {"hangs up on CONNECT", "closed the connection", 3, {{0}, {.hangs_up = true}}},
        {"half, and hangs up", "closed the connection", 5, {{0}, SAYS_AND_HANGS_UP(HALF)}},
        {"an unknown property", "does not speak MQTT", 5, {{0}, SAYS(UNKNOWN_PROPERTY)}},
        {"a length of five bytes", "more than 256 KiB", 5, {{0}, SAYS(WRONG_LENGTH)}},
        {"too large", "more than 256 KiB", 3, {SAYS(TOO_LARGE)}},
        {"another protocol", "does not speak MQTT", 5, {SAYS(OTHER_PROTOCOL)}},
        {"refuses the name",
         "does not take the client id upholeCheck",
         5,
         {{0}, SAYS(TAKES_NO_ID)}},
        {"refuses the user", "does not authorise this user", 3, {{0}, SAYS(TAKES_NO_USER)}},
        {"never grants", "does not answer the subscription", 5, {{0}, SAYS(ACCEPTS_5)}},
        {"grants no record",
         "record (0x87). Give it the right",
         5,
         {{0}, SAYS(ACCEPTS_5), SAYS(GRANTS_NO_RECORD)}},
        {"grants no box",
         "box/heron-edge-1 (0x80)",
         3,
         {{0}, SAYS(ACCEPTS_3), SAYS(GRANTS_NO_BOX)}},
        {"leaves with a reason",
         "is shutting down",
         5,
         {{0}, SAYS(ACCEPTS_5), SAYS_AND_HANGS_UP(LEAVES)}},
        {"breaks", "broke", 3, {{0}, SAYS(ACCEPTS_3), {.hangs_up = true}}},
        {"a message of QoS 2", "is not MQTT", 5, {{0}, SAYS(ACCEPTS_5), SAYS(QOS_2)}},
    };
    struct plan *plan = payload_plan();
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        static struct broker broker;
        struct read_back *session = NULL;
        struct up_error error;
        memcpy(broker.says, ROWS[i].when, sizeof broker.says);
        broker.silent_from = strstr(ROWS[i].says, "does not answer as") != NULL    ? AFTER_CONNECT
                             : strstr(ROWS[i].says, "does not answer the") != NULL ? AFTER_SUBSCRIBE
                                                                                   : AT_ONCE;
        begin(&broker);
        const int64_t began_us = clock_us(NULL);
        const enum up_rc rc = open_at(&broker, plan, ROWS[i].version, &session, &error);
        const int64_t took_ms = (clock_us(NULL) - began_us) / 1000;
        if (rc == UP_OK || session != NULL || strstr(error.why, ROWS[i].says) == NULL ||
            strstr(error.why, "plant-broker") == NULL)
            fail_msg("%s: code %d, \"%s\"", ROWS[i].what, (int)rc, error.why);
        run_clock_at(1);
        if (took_ms > READ_BACK_CONNECT_MS + 500000) /* a machine that is busy counts 25 fold */
            fail_msg("%s: took %lld ms", ROWS[i].what, (long long)took_ms);
        end(&broker);
    }
    plan_free(plan);
}

static void a_stop_ends_the_waiting(void **state)
{
    (void)state;
    static struct broker broker;
    struct plan *plan = payload_plan();
    struct read_back *session = NULL;
    struct up_error error;
    begin(&broker);
    is_stopped = 1;
    assert_int_equal(open_at(&broker, plan, 5, &session, &error), UP_E_TIMEOUT);
    is_stopped = 0;
    assert_non_null(strstr(error.why, "Stopped"));
    end(&broker);
    plan_free(plan);
}

/* ---- messages ---- */

struct many {
    uint8_t *bytes;
    size_t n;
    unsigned messages;
};

/** The grant, then messages of growing length, many of one byte, and one of the largest size. */
static struct many messages_of(const struct plan *plan, uint8_t version)
{
    static const size_t LENGTHS[] = {0, 1, 127, 128, 16384, 70000, 200000};
    char topic[128];
    const size_t overhead = 2 + strlen(record_topic(plan, topic)) + 2 + (version == 5 ? 1 : 0);
    struct many many = {.bytes = malloc(1 << 20)};
    assert_non_null(many.bytes);
    memcpy(many.bytes, version == 5 ? GRANTS_5 : GRANTS_3, version == 5 ? 9 : 8);
    many.n = version == 5 ? 9 : 8;
    for (size_t i = 0; i < sizeof LENGTHS / sizeof *LENGTHS; i++, many.messages++)
        many.n += put_message(many.bytes + many.n, topic, version, (uint16_t)(1 + many.messages),
                              (uint8_t)many.messages, LENGTHS[i]);
    for (int i = 0; i < 2000; i++, many.messages++)
        many.n += put_message(many.bytes + many.n, topic, version, (uint16_t)(1 + many.messages),
                              (uint8_t)many.messages, 1);
    many.n += put_message(many.bytes + many.n, topic, version, (uint16_t)(1 + many.messages),
                          (uint8_t)many.messages, READ_BACK_PACKET_MAX - overhead);
    many.messages++;
    return many;
}

/** What the broker heard holds only what a reader may say, and what it must. */
static void only_a_reader_spoke(const struct broker *broker, unsigned messages, bool said_goodbye)
{
    unsigned counts[16] = {0};
    for (size_t at = 0; at + 2 <= broker->n_heard;) {
        const uint8_t *packet = broker->heard + at;
        const bool is_long = (packet[1] & 0x80) != 0;
        if (packet[0] >> 4 == 1) /* CONNECT: neither a will nor its retain (3.1.2.5) */
            check_count("will", packet[(is_long ? 3 : 2) + 7] & 0x24, 0);
        counts[packet[0] >> 4]++;
        at += is_long ? 3 + ((packet[1] & 0x7Fu) | (size_t)packet[2] << 7) : 2u + packet[1];
    }
    for (unsigned type = 0; type < 16; type++)
        if (type != 1 && type != 4 && type != 8 && type != 12 && type != 14)
            check_count("packets that a reader may not send", counts[type], 0);
    check_count("CONNECT", counts[1], 1);
    check_count("SUBSCRIBE", counts[8], 1);
    check_count("PUBACK", counts[4], messages);
    check_count("DISCONNECT", counts[14], said_goodbye);
}

static void every_message_comes_once_whole_and_in_order(void **state)
{
    (void)state;
    for (int variant = 0; variant < 4; variant++) {
        const uint8_t version = variant % 2 == 0 ? 5 : 3;
        static struct broker broker;
        struct plan *plan = payload_plan();
        struct read_back *session = NULL;
        struct read_back_message message;
        struct up_error error;
        const struct many many = messages_of(plan, version);
        broker = (struct broker){
            .in_pieces = false,
            .says = {{0},
                     {.bytes = version == 5 ? ACCEPTS_5 : ACCEPTS_3, .n = version == 5 ? 5 : 4},
                     {.bytes = many.bytes, .n = many.n, .hangs_up = variant >= 2}}};
        begin(&broker);
        if (open_at(&broker, plan, version, &session, &error) != UP_OK)
            fail_msg("%s", error.why);
        for (unsigned i = 0; i < many.messages; i++) {
            enum up_rc rc = UP_E_TIMEOUT;
            for (int tries = 0; tries < 100 && rc == UP_E_TIMEOUT; tries++)
                rc = read_back_next(session, 10000, &message, &error);
            if (rc != UP_OK)
                fail_msg("message %u: code %d, %s", i, (int)rc, error.why);
            check_count("topic", message.topic, READ_BACK_RECORD);
            for (size_t b = 0; b < message.length; b += 997)
                check_count("byte", (uint8_t)message.payload[b], (uint8_t)(i + b));
            if (i + 1 == many.messages)
                check_count("length", (long long)message.length > 262000, 1);
        }
        const enum up_rc after =
            read_back_next(session, variant >= 2 ? 10000 : 0, &message, &error);
        if (variant >= 2)
            check_count("it says that the broker is gone", strstr(error.why, "broke") != NULL, 1);
        else
            check_count("no more", after, UP_E_TIMEOUT);
        read_back_close(session);
        end(&broker);
        if (variant < 2)
            only_a_reader_spoke(&broker, many.messages, true);
        free(many.bytes);
        plan_free(plan);
    }
}

static void what_was_not_asked_for_and_what_comes_in_pieces(void **state)
{
    (void)state;
    static uint8_t bytes[1024];
    static struct broker broker;
    struct plan *plan = payload_plan();
    struct read_back *session = NULL;
    struct read_back_message message;
    struct up_error error;
    char topic[128];
    size_t n = sizeof GRANTS_5;
    memcpy(bytes, GRANTS_5, n);
    n += put_message(bytes + n, "uphole/another/well/record", 5, 1, 0, 5);
    n += put_message(bytes + n, record_topic(plan, topic), 5, 2, 'a', 5);
    broker = (struct broker){.in_pieces = true,
                             .says = {{0}, SAYS(ACCEPTS_5), {.bytes = bytes, .n = n}}};
    begin(&broker);
    if (open_at(&broker, plan, 5, &session, &error) != UP_OK)
        fail_msg("%s", error.why);
    enum up_rc rc = UP_E_TIMEOUT;
    for (int tries = 0; tries < 100 && rc == UP_E_TIMEOUT; tries++)
        rc = read_back_next(session, 1000, &message, &error);
    assert_int_equal(rc, UP_OK);
    check_count("length", (long long)message.length, 5);
    assert_memory_equal(message.payload, "abcde", 5);
    assert_true(read_back_fd(session) >= 0);
    read_back_close(session);
    end(&broker);
    only_a_reader_spoke(&broker, 2, true);
    plan_free(plan);
}

static void a_flood_of_nothing_holds_nobody(void **state)
{
    (void)state;
    static uint8_t flood[1 << 20];
    static struct broker broker;
    struct plan *plan = payload_plan();
    struct read_back *session = NULL;
    struct read_back_message message;
    struct up_error error;
    memcpy(flood, GRANTS_5, sizeof GRANTS_5);
    for (size_t at = sizeof GRANTS_5; at + 2 <= sizeof flood; at += 2)
        flood[at] = 0xD0; /* PINGRESP, that nobody asked for */
    broker = (struct broker){
        .says = {{0}, SAYS(ACCEPTS_5), {.bytes = flood, .n = (sizeof flood & ~1u) - 1}}};
    begin(&broker);
    if (open_at(&broker, plan, 5, &session, &error) != UP_OK)
        fail_msg("%s", error.why);
    for (int i = 0; i < 100; i++)
        assert_int_equal(read_back_next(session, 0, &message, &error), UP_E_TIMEOUT);
    read_back_close(session);
    end(&broker);
    plan_free(plan);
}

static void any_bytes_end_in_a_sentence(void **state)
{
    (void)state;
    static uint8_t bytes[600];
    static struct broker broker;
    struct plan *plan = payload_plan();
    srand(11); /* any numbers will do */
    for (int round = 0; round < CHECK_SPARINGLY(300, 60); round++) {
        struct read_back *session = NULL;
        struct read_back_message message;
        struct up_error error;
        const uint8_t version = round % 2 == 0 ? 5 : 3;
        memcpy(bytes, version == 5 ? GRANTS_5 : GRANTS_3, 8);
        for (size_t at = round % 3 == 0 ? 0 : version == 5 ? 9 : 8; at < sizeof bytes;) {
            static const uint8_t TYPES[] = {0x20, 0x30, 0x32, 0x40, 0x90, 0xD0, 0xE0};
            const size_t length = (size_t)rand() % 40;
            bytes[at++] = round % 5 == 0 ? (uint8_t)rand() : TYPES[(size_t)rand() % sizeof TYPES];
            if (at < sizeof bytes)
                bytes[at++] = (uint8_t)length;
            for (size_t i = 0; i < length && at < sizeof bytes; i++)
                bytes[at++] = (uint8_t)(rand() % 4 == 0 ? rand() : rand() % 3);
        }
        broker = (struct broker){
            .says = {{0},
                     {.bytes = version == 5 ? ACCEPTS_5 : ACCEPTS_3, .n = version == 5 ? 5 : 4},
                     SAYS_AND_HANGS_UP(bytes)}};
        begin(&broker);
        enum up_rc rc = open_at(&broker, plan, version, &session, &error);
        for (int i = 0; i < 400 && (rc == UP_OK || rc == UP_E_TIMEOUT) && session != NULL; i++)
            rc = read_back_next(session, 100, &message, &error);
        if (rc == UP_OK || rc == UP_E_TIMEOUT || error.why[0] == '\0')
            fail_msg("round %d: code %d, \"%s\"", round, (int)rc, error.why);
        read_back_close(session);
        end(&broker);
    }
    plan_free(plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_way_in_which_it_can_fail_ends_in_time_and_says_why),
        cmocka_unit_test(a_stop_ends_the_waiting),
        cmocka_unit_test(every_message_comes_once_whole_and_in_order),
        cmocka_unit_test(what_was_not_asked_for_and_what_comes_in_pieces),
        cmocka_unit_test(a_flood_of_nothing_holds_nobody),
        cmocka_unit_test(any_bytes_end_in_a_sentence),
    };
    alarm(120); /* one that waits for ever fails */
    return cmocka_run_group_tests(tests, NULL, NULL);
}
