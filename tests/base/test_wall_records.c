/* SPDX-License-Identifier: Apache-2.0
 *
 * test_wall_records.c - several records in one message of the wall, and packs that do not add up.
 */
#include "check.h"

#include "uphole/wall.h"

#include <sys/socket.h>
#include <unistd.h>

/* Of a record in a pack, before its readings of 16 bytes and their uncertainties of 8. */
#define HEAD_BYTES (8 + offsetof(struct record, reading))

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

/** Records of 1, 2, 3 ... readings; every second one is live, every third has uncertainties. */
static struct record record_at(unsigned i)
{
    struct record record = full_record((uint16_t)i).record.record;
    record.pos = i;
    for (unsigned k = 0; i % 3 == 0 && k < i; k++)
        record.reading[k].u = k % 2 == 0 ? 0.25 * k : 0.0; /* none of its first, too */
    return record;
}

static struct wall_message pack_of(unsigned n)
{
    struct wall_message message = message_of(WALL_RECORDS);
    message.records.destination = 3;
    message.records.serial = 12;
    for (unsigned i = 1; i <= n; i++) {
        const struct record record = record_at(i);
        assert_true(wall_records_add(&message.records, &record, i % 2 == 0));
    }
    return message;
}

static void check_dropped(const char *what, const struct wall_message *message, size_t size)
{
    int fds[2];
    struct wall_message got, whole = message_of(WALL_ALIVE);
    assert_int_equal(wall_pair(fds), 0);
    assert_int_equal(send(fds[0], message, size, 0), (ssize_t)size);
    enum up_rc rc = wall_receive(fds[1], &got);
    if (rc != UP_E_FRAME)
        fail_msg("%s: rc %d, expected UP_E_FRAME", what, (int)rc);
    check_count(what, got.kind, 0); /* nothing of it is left to be used by mistake */
    assert_int_equal(wall_send(fds[0], &whole), UP_OK); /* and the next one is read as ever */
    assert_int_equal(wall_receive(fds[1], &got), UP_OK);
    close(fds[0]);
    close(fds[1]);
}

static void records_of_a_pack_are_what_they_would_be_alone(void **state)
{
    (void)state;
    const struct wall_message pack = pack_of(20);
    static struct wall_record taken;
    size_t at = 0;
    for (unsigned i = 1; i <= 20; i++) {
        const struct record want = record_at(i);
        memset(&taken, 0, sizeof taken);
        assert_true(wall_records_take(&pack.records, &at, &taken));
        assert_int_equal(taken.destination, 3);
        assert_int_equal(taken.serial, 12);
        assert_int_equal(taken.live, i % 2 == 0);
        assert_memory_equal(&taken.record, &want, sizeof want);
    }
    assert_false(wall_records_take(&pack.records, &at, &taken));
    check_count("all of it", (long long)at, pack.records.size);
}

static void a_pack_takes_no_more_than_it_holds_and_no_more_than_a_want(void **state)
{
    (void)state;
    struct wall_message pack = message_of(WALL_RECORDS);
    const struct record large = full_record(RECORD_READINGS_MAX).record.record;
    const struct record small = full_record(0).record.record;
    unsigned n = 0;
    while (wall_records_add(&pack.records, &large, false))
        n++;
    check_count("large ones", n, WALL_RECORDS_BYTES / (HEAD_BYTES + RECORD_READINGS_MAX * 16));
    pack = message_of(WALL_RECORDS);
    for (n = 0; wall_records_add(&pack.records, &small, false); n++)
        ;
    check_count("small ones", n, WALL_WANT_MAX);
    struct record impossible = small;
    impossible.n = RECORD_READINGS_MAX + 1;
    pack = message_of(WALL_RECORDS);
    assert_false(wall_records_add(&pack.records, &impossible, false));
}

static const struct wall_end_of_want END = {.destination = 3,
                                            .well = 2,
                                            .stream = 1,
                                            .serial = 12,
                                            .sent = 20,
                                            .last_pos = 20,
                                            .more = true};

static void the_last_pack_of_a_want_brings_its_end(void **state)
{
    (void)state;
    int fds[2];
    struct wall_message sent = pack_of(20), got;
    sent.records.ends = true;
    sent.records.end = END;
    assert_int_equal(wall_pair(fds), 0);
    assert_int_equal(wall_send(fds[0], &sent), UP_OK);
    assert_int_equal(wall_receive(fds[1], &got), UP_OK);
    check_count("records", got.records.n, 20);
    assert_true(got.records.ends);
    assert_memory_equal(&got.records.end, &END, sizeof END);
    close(fds[0]);
    close(fds[1]);
}

/* Planted defects that this must catch, and did: the count of records is not compared
 * (wall-pack-count); the end's want is not (wall-pack-end). */
static void packs_that_do_not_add_up_are_dropped(void **state)
{
    (void)state;
    const size_t head = offsetof(struct wall_message, records.bytes);
    struct wall_message message = pack_of(5);
    const size_t whole = head + message.records.size;
    check_dropped("a byte too few", &message, whole - 1);
    check_dropped("a byte too many", &message, whole + 1);
    message.records.n = 6;
    check_dropped("six of five", &message, whole);
    message = pack_of(5);
    message.records.size -= 16;
    check_dropped("the last record cut", &message, head + message.records.size);
    message = pack_of(0);
    check_dropped("nothing", &message, head);
    message = pack_of(5);
    message.records.destination = 8;
    check_dropped("no such destination", &message, whole);
    message = pack_of(2);
    const uint16_t beyond = 65535;
    memcpy(message.records.bytes + 8 + offsetof(struct record, n), &beyond, sizeof beyond);
    check_dropped("n of 65535", &message, head + message.records.size);
    message = pack_of(2);
    message.records.bytes[0] = 2;
    check_dropped("a flag of 2", &message, head + message.records.size);
    message = pack_of(2);
    message.records.bytes[1] = 1;
    check_dropped("uncertainties that are not there", &message, head + message.records.size);
    message.records.bytes[1] = 2;
    check_dropped("another flag of 2", &message, head + message.records.size);
    message = pack_of(2);
    message.records.end = END;
    const unsigned char two = 2;
    memcpy(&message.records.ends, &two, 1);
    check_dropped("an end of 2", &message, head + message.records.size);
    message.records.ends = true;
    message.records.end.serial++;
    check_dropped("the end of another want", &message, head + message.records.size);
    message.records.end = END;
    message.records.end.destination++;
    check_dropped("an end elsewhere", &message, head + message.records.size);
    message.records.end = END;
    message.records.end.stream = 4;
    check_dropped("an end of no stream", &message, head + message.records.size);
    message.records.end = END;
    memcpy(&message.records.end.more, &two, 1);
    check_dropped("more of 2", &message, head + message.records.size);
    message = pack_of(1);
    message.records.size = WALL_RECORDS_BYTES + 1;
    check_dropped("larger than its room", &message, sizeof message);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(records_of_a_pack_are_what_they_would_be_alone),
        cmocka_unit_test(a_pack_takes_no_more_than_it_holds_and_no_more_than_a_want),
        cmocka_unit_test(the_last_pack_of_a_want_brings_its_end),
        cmocka_unit_test(packs_that_do_not_add_up_are_dropped),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
