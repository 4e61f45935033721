/* SPDX-License-Identifier: Apache-2.0
 *
 * test_wall.c - messages through the wall, and messages that a hostile SCADA side could send.
 *
 * Planted defects that these must catch, and did: n of a want not checked; a flag read as bool
 * before it is known to be 0 or 1; a reason without its NUL let through; the size of a record taken
 * from its count alone.
 */
#include "check.h"

#include "uphole/wall.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

#define ROWS(table) (sizeof(table) / sizeof(table)[0])

static struct wall_message message_of(enum wall_kind kind)
{
    struct wall_message message;
    memset(&message, 0, sizeof message);
    message.kind = kind;
    return message;
}

static struct wall_message full_record(uint16_t n)
{
    struct wall_message message = message_of(WALL_RECORD);
    message.record.destination = 7;
    message.record.serial = 12;
    message.record.live = true;
    struct record *record = &message.record.record;
    record->pos = 99;
    record->seq = 88120;
    record->source = SOURCE_GAUGE;
    record->outcome = OUTCOME_ANSWERED;
    record->at.clock = CLOCK_STATE_SYNCHRONISED;
    record->well = 1;
    record->n = n;
    for (uint16_t i = 0; i < n; i++)
        record->reading[i] = (struct reading){
            .point = (uint16_t)(i + 1), .quality = QUALITY_GOOD, .age_s = 28.4f, .value = i};
    return message;
}

static void pair(int fds[2])
{
    assert_int_equal(wall_pair(fds), 0);
}
static void unpair(int fds[2])
{
    close(fds[0]);
    close(fds[1]);
}

static void each_kind_goes_through_whole(void **state)
{
    (void)state;
    int fds[2];
    pair(fds);
    for (uint32_t kind = WALL_PLAN; kind < WALL_KINDS; kind++) {
        struct wall_message sent = message_of((enum wall_kind)kind), got;
        memset(&got, 0xA5, sizeof got);
        if (kind == WALL_PLAN)
            sent.plan = (struct wall_plan_piece){.total = 3, .offset = 1, .size = 2, .bytes = "ab"};
        if (kind == WALL_NUMBERS)
            sent.numbers = (struct wall_numbers){
                .version = WALL_VERSION, .run = 5, .n_wells = 2, .number = {1, 2}};
        if (kind == WALL_CURSOR)
            sent.cursor =
                (struct wall_cursor){.destination = 1, .well = 2, .stream = 1, .pos = 3, .seq = 4};
        if (kind == WALL_SNAPSHOT) {
            sent.snapshot.n = 1;
            sent.snapshot.reading[0] =
                (struct live_reading){.point = 1, .quality = QUALITY_GOOD, .value = 12345};
        }
        if (kind == WALL_RECORD)
            sent = full_record(40);
        if (kind == WALL_RECORDS) {
            const struct wall_message alone = full_record(40);
            assert_true(wall_records_add(&sent.records, &alone.record.record, true));
        }
        if (kind == WALL_GAP)
            sent.gap.gap.kind = GAP_LINE;
        if (kind == WALL_END_OF_WANT)
            sent.end_of_want = (struct wall_end_of_want){.stream = 2, .sent = 64, .more = true};
        if (kind == WALL_STATE) {
            sent.state.n_wells = 2;
            sent.state.well[1].waiting = 77;
        }
        if (kind == WALL_WANT)
            sent.want = (struct wall_want){.destination = 7, .well = 3, .stream = 1, .n = 64};
        if (kind == WALL_ACCEPTED)
            sent.accepted = (struct wall_accepted){.well = 3, .stream = 1, .pos = 9};
        if (kind == WALL_REFUSED)
            sent.refused = (struct wall_refused){
                .well = 3, .stream = 1, .code = 0x87, .reason = "not authorised"};
        if (kind == WALL_ORDER)
            sent.order = (struct wall_order){.well = 3, .order = 9, .after = 1, .to = 8, .kind = 2};
        if (kind == WALL_DESTINATION)
            sent.destination =
                (struct wall_destination){.state = DELIVERY_UP, .reason = "connected"};
        if (wall_send(fds[0], &sent) != UP_OK)
            fail_msg("kind %u was not sent", kind);
        if (wall_receive(fds[1], &got) != UP_OK)
            fail_msg("kind %u was not received", kind);
        assert_memory_equal(&got, &sent, sizeof got); /* what was not sent reads as zero */
    }
    struct wall_message none;
    assert_int_equal(wall_receive(fds[1], &none), UP_E_TIMEOUT);
    unpair(fds);
}

static void only_the_bytes_that_count_travel(void **state)
{
    (void)state;
    int fds[2];
    static unsigned char raw[sizeof(struct wall_message)];
    pair(fds);
    struct wall_message message = full_record(3);
    assert_int_equal(wall_send(fds[0], &message), UP_OK);
    ssize_t size = recv(fds[1], raw, sizeof raw, 0);
    check_count("three readings", size,
                (long long)(offsetof(struct wall_message, record.record.reading) +
                            3 * sizeof(struct reading)));
    message = message_of(WALL_ALIVE);
    assert_int_equal(wall_send(fds[0], &message), UP_OK);
    check_count("alive", recv(fds[1], raw, sizeof raw, 0), 4);
    unpair(fds);
}

static void a_count_beyond_its_array_is_not_sent(void **state)
{
    (void)state;
    int fds[2];
    pair(fds);
    struct wall_message message = full_record(3);
    message.record.record.n = RECORD_READINGS_MAX + 1;
    assert_int_equal(wall_send(fds[0], &message), UP_E_RANGE);
    message = message_of(WALL_KINDS);
    assert_int_equal(wall_send(fds[0], &message), UP_E_RANGE);
    unpair(fds);
}

static void a_full_want_of_records_fits_and_a_full_socket_says_so(void **state)
{
    (void)state;
    int fds[2];
    pair(fds);
    struct wall_message message = full_record(POINT_COUNT - 1), got;
    for (int i = 0; i < WALL_WANT_MAX; i++)
        assert_int_equal(wall_send(fds[0], &message), UP_OK);
    int more = 0;
    enum up_rc rc = UP_OK;
    for (; more < 100000 && rc == UP_OK; more++)
        rc = wall_send(fds[0], &message);
    assert_int_equal(rc, UP_E_FULL);
    assert_int_equal(wall_send_wait(fds[0], &message, 20), UP_E_FULL);
    for (int i = 0; i < WALL_WANT_MAX + more - 1; i++)
        assert_int_equal(wall_receive(fds[1], &got), UP_OK);
    assert_int_equal(wall_receive(fds[1], &got), UP_E_TIMEOUT);
    assert_int_equal(wall_send(fds[0], &message), UP_OK);
    unpair(fds);
}

static void the_end_of_the_other_side_is_seen(void **state)
{
    (void)state;
    int fds[2];
    pair(fds);
    struct wall_message message = message_of(WALL_ALIVE), got;
    assert_int_equal(wall_send(fds[1], &message), UP_OK);
    close(fds[1]);
    assert_int_equal(wall_send(fds[0], &message), UP_E_PORT);
    assert_int_equal(wall_receive(fds[0], &got),
                     UP_OK); /* what stood in the socket is still read */
    assert_int_equal(wall_receive(fds[0], &got), UP_E_PORT);
    close(fds[0]);
    assert_int_equal(wall_receive(-1, &got), UP_E_PORT);
}

static void descriptors_are_closed_on_exec(void **state)
{
    (void)state;
    int fds[2];
    pair(fds);
    char path[64], line[128];
    for (int i = 0; i < 2; i++) {
        snprintf(path, sizeof path, "/proc/self/fdinfo/%d", fds[i]);
        FILE *info = fopen(path, "r");
        unsigned flags = 0;
        if (info == NULL)
            skip();
        while (fgets(line, sizeof line, info) != NULL)
            sscanf(line, "flags: %o", &flags);
        fclose(info);
        assert_true(flags & 02000000); /* O_CLOEXEC, proc(5) */
    }
    unpair(fds);
}

/* ---- what a hostile SCADA side could send ---- */

/** Sends the first `size` bytes of a message as they are, and expects that the receiver drops them.
 */
static void check_dropped(const char *what, const struct wall_message *message, size_t size)
{
    int fds[2];
    struct wall_message got, whole = message_of(WALL_ALIVE);
    pair(fds);
    assert_int_equal(send(fds[0], message, size, 0), (ssize_t)size);
    enum up_rc rc = wall_receive(fds[1], &got);
    if (rc != UP_E_FRAME)
        fail_msg("%s: rc %d, expected UP_E_FRAME", what, (int)rc);
    check_count(what, got.kind, 0); /* nothing of it is left to be used by mistake */
    assert_int_equal(wall_send(fds[0], &whole), UP_OK); /* and the next one is read as ever */
    assert_int_equal(wall_receive(fds[1], &got), UP_OK);
    unpair(fds);
}

#define SIZE_OF(member)                                                                            \
    (offsetof(struct wall_message, member) + sizeof(((struct wall_message *)0)->member))

static void a_want_out_of_bounds_is_dropped(void **state)
{
    (void)state;
    const struct wall_want good = {
        .destination = 1, .well = 2, .stream = 1, .serial = 3, .after = 4, .n = 10};
    const struct {
        const char *what;
        struct wall_want want;
    } WANTS[] = {
        {"n of 0", {.destination = 1, .well = 2, .stream = 1, .n = 0}},
        {"n of 65", {.destination = 1, .well = 2, .stream = 1, .n = 65}},
        {"n of 65535", {.destination = 1, .well = 2, .stream = 1, .n = 65535}},
        {"destination 8", {.destination = 8, .well = 2, .stream = 1, .n = 1}},
        {"destination 65535", {.destination = 65535, .well = 2, .stream = 1, .n = 1}},
        {"well 5000", {.destination = 1, .well = 5000, .stream = 1, .n = 1}},
        {"stream 0", {.destination = 1, .well = 2, .stream = 0, .n = 1}},
        {"stream 4", {.destination = 1, .well = 2, .stream = 4, .n = 1}},
    };
    for (size_t i = 0; i < ROWS(WANTS); i++) {
        struct wall_message message = message_of(WALL_WANT);
        message.want = WANTS[i].want;
        check_dropped(WANTS[i].what, &message, SIZE_OF(want));
    }
    struct wall_message message = message_of(WALL_WANT);
    message.want = good;
    check_dropped("a byte short", &message, SIZE_OF(want) - 1);
    check_dropped("a byte long", &message, SIZE_OF(want) + 1);
    check_dropped("kind alone", &message, 4);
    check_dropped("less than a kind", &message, 3);
    check_dropped("all of the union", &message, sizeof message);
}

static void an_order_out_of_bounds_is_dropped(void **state)
{
    (void)state;
    const struct {
        const char *what;
        struct wall_order order;
    } ORDERS[] = {
        {"kind 0", {.order = 9, .to = 8, .kind = 0}},
        {"kind 4", {.order = 9, .to = 8, .kind = 4}},
        {"destination 8", {.destination = 8, .order = 9, .to = 8, .kind = 1}},
        {"well 5000", {.well = 5000, .order = 9, .to = 8, .kind = 1}},
        {"an end before its begin", {.order = 9, .after = 9, .to = 8, .kind = 1}},
    };
    for (size_t i = 0; i < ROWS(ORDERS); i++) {
        struct wall_message message = message_of(WALL_ORDER);
        message.order = ORDERS[i].order;
        check_dropped(ORDERS[i].what, &message, SIZE_OF(order));
    }
    struct wall_message message = message_of(WALL_ORDER);
    message.order = (struct wall_order){.order = 9, .to = 8, .kind = 1};
    memset(message.order.by, 'x', sizeof message.order.by);
    check_dropped("a text without end", &message, SIZE_OF(order));
}

static void a_pause_out_of_bounds_is_dropped(void **state)
{
    (void)state;
    struct wall_message message = message_of(WALL_PAUSE);
    message.pause = (struct wall_pause){.destination = 8, .until_boot_ms = 1};
    check_dropped("destination 8", &message, SIZE_OF(pause));
    message.pause = (struct wall_pause){.until_boot_ms = -1};
    check_dropped("a time before the start", &message, SIZE_OF(pause));
    message.pause = (struct wall_pause){.until_boot_ms = 1};
    memset(message.pause.by, 'x', sizeof message.pause.by);
    check_dropped("a text without end", &message, SIZE_OF(pause));
}

static void unknown_kinds_and_oversize_are_dropped(void **state)
{
    (void)state;
    static const uint32_t KINDS[] = {0, WALL_KINDS, 1000, UINT32_MAX};
    for (size_t i = 0; i < ROWS(KINDS); i++) {
        struct wall_message message = message_of(WALL_ALIVE);
        message.kind = KINDS[i];
        check_dropped("kind", &message, sizeof message.kind);
        check_dropped("kind", &message, sizeof message);
    }
    static char large[sizeof(struct wall_message) + 4096];
    struct wall_message alive = message_of(WALL_ALIVE);
    memcpy(large, &alive, sizeof alive);
    check_dropped("larger than any message", (const struct wall_message *)(const void *)large,
                  sizeof large);
}

static void texts_without_their_end_are_dropped(void **state)
{
    (void)state;
    struct wall_message message = message_of(WALL_REFUSED);
    message.refused.stream = 1;
    memset(message.refused.reason, 'x', sizeof message.refused.reason);
    check_dropped("refused", &message, SIZE_OF(refused));
    message = message_of(WALL_DESTINATION);
    memset(message.destination.reason, 'x', sizeof message.destination.reason);
    check_dropped("destination", &message, SIZE_OF(destination));
    message = message_of(WALL_GAP);
    message.gap.gap.kind = GAP_LINE;
    memset(message.gap.gap.cause, 'x', sizeof message.gap.gap.cause);
    check_dropped("gap", &message, SIZE_OF(gap));
}

static void codes_beyond_their_list_are_dropped(void **state)
{
    (void)state;
    struct wall_message message = message_of(WALL_DESTINATION);
    message.destination.state = DELIVERY_STOPPED + 1;
    check_dropped("state", &message, SIZE_OF(destination));
    message = message_of(WALL_DESTINATION);
    message.destination.cause = CAUSE_COUNT;
    check_dropped("cause", &message, SIZE_OF(destination));
    message = message_of(WALL_GAP);
    message.gap.gap.kind = GAP_KINDS;
    check_dropped("gap kind", &message, SIZE_OF(gap));
    message = message_of(WALL_NUMBERS);
    message.numbers.version = WALL_VERSION + 1;
    check_dropped("version", &message, offsetof(struct wall_message, numbers.number));
}

static void a_flag_that_is_neither_0_nor_1_is_dropped(void **state)
{
    (void)state;
    struct wall_message message = full_record(1);
    ((unsigned char *)&message)[offsetof(struct wall_message, record.live)] = 2;
    check_dropped("live", &message,
                  offsetof(struct wall_message, record.record.reading) + sizeof(struct reading));
    message = message_of(WALL_END_OF_WANT);
    message.end_of_want.stream = 1;
    ((unsigned char *)&message)[offsetof(struct wall_message, end_of_want.more)] = 255;
    check_dropped("more", &message, SIZE_OF(end_of_want));
}

static void records_and_pieces_that_do_not_add_up_are_dropped(void **state)
{
    (void)state;
    const size_t head = offsetof(struct wall_message, record.record.reading);
    struct wall_message message = full_record(10);
    check_dropped("nine of ten", &message, head + 9 * sizeof(struct reading));
    check_dropped("ten and a bit", &message, head + 10 * sizeof(struct reading) + 1);
    message.record.record.n = 65535;
    check_dropped("n of 65535", &message, sizeof message);
    message = full_record(2);
    message.record.record.reading[1].point = 1;
    check_dropped("points not ascending", &message, head + 2 * sizeof(struct reading));
    message = full_record(2);
    message.record.record.reading[1].point = POINT_COUNT;
    check_dropped("no such point", &message, head + 2 * sizeof(struct reading));
    message = full_record(2);
    message.record.record.reading[1].quality = 130;
    check_dropped("reserved quality", &message, head + 2 * sizeof(struct reading));
    message = message_of(WALL_PLAN);
    message.plan = (struct wall_plan_piece){.total = 10, .offset = 8, .size = 3};
    check_dropped("piece beyond the plan", &message, offsetof(struct wall_message, plan.bytes) + 3);
    message.plan = (struct wall_plan_piece){.total = 10, .offset = UINT32_MAX, .size = 3};
    check_dropped("offset that wraps", &message, offsetof(struct wall_message, plan.bytes) + 3);
    message.plan = (struct wall_plan_piece){.total = 10, .offset = 0, .size = WALL_PIECE_MAX + 1};
    check_dropped("piece larger than its room", &message, sizeof message);
    message = message_of(WALL_STATE);
    message.state.n_wells = 129;
    check_dropped("129 wells", &message, sizeof message);
    message = message_of(WALL_STATE);
    message.state.n_destinations = 9;
    check_dropped("9 destinations", &message, offsetof(struct wall_message, state.well));
}

static void random_bytes_are_dropped_or_sound(void **state)
{
    (void)state;
    int fds[2];
    pair(fds);
    srand(2031);
    for (int i = 0; i < 20000; i++) {
        struct wall_message message, got;
        unsigned char *bytes = (unsigned char *)&message;
        size_t size = 1 + (size_t)rand() % 600;
        for (size_t at = 0; at < size; at++)
            bytes[at] = (unsigned char)(rand() >> 7);
        uint32_t kind = (uint32_t)rand() % (WALL_KINDS + 1);
        if (size >= 4)
            memcpy(bytes, &kind, sizeof kind);
        assert_int_equal(send(fds[0], bytes, size, 0), (ssize_t)size);
        enum up_rc rc = wall_receive(fds[1], &got);
        assert_true(rc == UP_E_FRAME || rc == UP_OK);
        if (rc == UP_OK && got.kind == WALL_WANT)
            assert_true(got.want.n >= 1 && got.want.n <= WALL_WANT_MAX && got.want.destination < 8);
    }
    unpair(fds);
}

static void *drain_plan(void *context)
{
    int fd = *(int *)context;
    static char text[100000];
    uint32_t have = 0;
    struct wall_message message;
    for (;;) {
        struct pollfd ready = {.fd = fd, .events = POLLIN};
        poll(&ready, 1, 1000);
        enum up_rc rc = wall_receive(fd, &message);
        if (rc == UP_E_TIMEOUT)
            continue;
        if (rc != UP_OK || message.kind != WALL_PLAN || message.plan.offset != have)
            return NULL;
        memcpy(text + have, message.plan.bytes, message.plan.size);
        have += message.plan.size;
        if (have == message.plan.total)
            return text;
    }
}

static void a_plan_travels_in_pieces(void **state)
{
    (void)state;
    int fds[2];
    pair(fds);
    static char plan[100000];
    for (size_t i = 0; i < sizeof plan; i++)
        plan[i] = (char)('a' + i % 23);
    pthread_t reader;
    void *got = NULL;
    assert_int_equal(pthread_create(&reader, NULL, drain_plan, &fds[1]), 0);
    assert_int_equal(wall_send_plan(fds[0], 9, plan, sizeof plan, 60000), UP_OK);
    pthread_join(reader, &got);
    assert_non_null(got);
    assert_memory_equal(got, plan, sizeof plan);
    assert_int_equal(wall_send_plan(fds[0], 9, plan, 0, 5000), UP_E_RANGE);
    assert_int_equal(wall_send_plan(fds[0], 9, plan, 1024 * 1024 + 1, 5000), UP_E_RANGE);
    unpair(fds);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_kind_goes_through_whole),
        cmocka_unit_test(only_the_bytes_that_count_travel),
        cmocka_unit_test(a_count_beyond_its_array_is_not_sent),
        cmocka_unit_test(a_full_want_of_records_fits_and_a_full_socket_says_so),
        cmocka_unit_test(the_end_of_the_other_side_is_seen),
        cmocka_unit_test(descriptors_are_closed_on_exec),
        cmocka_unit_test(a_want_out_of_bounds_is_dropped),
        cmocka_unit_test(an_order_out_of_bounds_is_dropped),
        cmocka_unit_test(a_pause_out_of_bounds_is_dropped),
        cmocka_unit_test(unknown_kinds_and_oversize_are_dropped),
        cmocka_unit_test(texts_without_their_end_are_dropped),
        cmocka_unit_test(codes_beyond_their_list_are_dropped),
        cmocka_unit_test(a_flag_that_is_neither_0_nor_1_is_dropped),
        cmocka_unit_test(records_and_pieces_that_do_not_add_up_are_dropped),
        cmocka_unit_test(random_bytes_are_dropped_or_sound),
        cmocka_unit_test(a_plan_travels_in_pieces),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
