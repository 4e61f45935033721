/* SPDX-License-Identifier: Apache-2.0
 *
 * test_exchanges.c - the headline: randomised exchanges on real ptys with a unit that misbehaves in
 * every way known, and a judge.
 *
 * Each register's value names its address and the number of the question that it answers, so a word
 * of another range, of another unit, or of an earlier question is seen as such. Asserted: not one
 * block holds a word that is not its own, in 1,000 exchanges on 8 ptys (UPHOLE_LONG=1: 10,000).
 * Judged by the unit's own log of questions, which shares no code with the room.
 *
 * Late answers come 105 to 155 ms after the question, with a response_timeout of 100 ms: too late,
 * but within response_timeout + rest, beyond which nothing can tell an answer to the first try from
 * one to the second try of the same registers. A machine that is too busy to run a unit in time
 * makes them later than that, so each unit notes when it wasn't run for LAPSE_US: scans beside a
 * lapse are not judged, and the run goes on until there were exchanges enough without one.
 *
 * Planted defects, each seen to fail here (they vary a little from machine to machine):
 * - flush only, no rest after a failure: 36 of 884 blocks hold an earlier question's words, 1 of
 *   them in a scan without stray bytes;
 * - no length rule, four ranges of 4 registers: 87 of 1,041 blocks hold another range's words, 14
 *   of them without stray bytes;
 * - both: 212 of 1,031 blocks are wrong, 31 of them without stray bytes;
 * - none: 0 of 948; in 10,928 exchanges 0 of 7,663.
 */
#include "uphole/gather.h"
#include "uphole/wire.h"

#include "check.h"
#include "made.h"
#include "pty.h"

#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <time.h>

#define PTYS 8
#define UNIT_ID 1
#define FOREIGN_UNIT 99
#define LOG_MAX 8192
#define QUEUE_MAX 64
#define RING_SLOTS 16384
#define NAP_US 5000            /* a unit looks at the time at least so often */
#define LAPSE_US 20000         /* heard so late and sent so late, 155 ms are still below 200 */
#define LAPSE_COUNTS_US 400000 /* an answer and what rests for it are over by then */
#define LAPSES_MAX 20000
#define RUN_MOST_S 240

enum fault {
    FINE,
    LATE,
    TWICE,
    FOREIGN_FIRST,
    FOREIGN_ONLY,
    CUT,
    STRAY_BEFORE,
    STRAY_AFTER,
    WRONG_FUNCTION,
    BAD_CRC,
    SILENT,
    EXCEPTION,
    ANSWER_OF_BEFORE,
    LATE_AND_TWICE,
    REST_COMES_LATE,
    DRIP,
    FAULTS
};
static const char *const FAULT_NAMES[FAULTS] = {"fine",
                                                "late",
                                                "sent twice",
                                                "foreign frame first",
                                                "foreign frame only",
                                                "cut short",
                                                "stray before",
                                                "stray after",
                                                "wrong function",
                                                "bad checksum",
                                                "silent",
                                                "exception",
                                                "answer of an earlier question",
                                                "late and twice",
                                                "second half late",
                                                "in drips"};

struct question_heard {
    int64_t at_us;
    uint8_t function;
    uint16_t first, count;
};
struct lapse {
    int64_t from_us, until_us;
};
struct outgoing {
    int64_t at_us;
    size_t n;
    uint8_t bytes[300];
};
struct bad_unit {
    struct pty pty;
    unsigned seed;
    pthread_t thread;
    atomic_bool stopping;
    atomic_uint heard, calm; /* calm: of them those without a lapse just before */
    struct lapse lapse[LAPSES_MAX];
    unsigned n_lapses;
    unsigned faults[FAULTS];
    struct question_heard log[LOG_MAX];
    struct outgoing queue[QUEUE_MAX];
    unsigned n_queued;
    size_t n_in;
    uint8_t in[512];
};

static int64_t now_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_BOOTTIME, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}
static int64_t between(struct bad_unit *unit, int64_t low, int64_t high)
{
    return low + rand_r(&unit->seed) % (high - low + 1);
}

/** Six bits of address, ten of the question's number: what the judge reads back. */
static uint16_t value_of(unsigned address, unsigned generation)
{
    return (uint16_t)((address & 0x3F) << 10 | (generation & 0x3FF));
}

static void send_at(struct bad_unit *unit, int64_t at_us, const uint8_t *bytes, size_t n)
{
    if (unit->n_queued == QUEUE_MAX || n == 0)
        return;
    struct outgoing *out = &unit->queue[unit->n_queued++];
    out->at_us = at_us;
    out->n = n;
    memcpy(out->bytes, bytes, n);
}

/* Own arithmetic, not the room's: the unit must not share a mistake with what it tests. */
static size_t close_frame(uint8_t *frame, size_t n)
{
    unsigned crc = 0xFFFF;
    for (size_t i = 0; i < n; i++) {
        crc ^= frame[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ 0xA001 : crc >> 1;
    }
    frame[n] = (uint8_t)(crc & 0xFF);
    frame[n + 1] = (uint8_t)(crc >> 8);
    return n + 2;
}
static size_t put_answer(uint8_t *frame, uint8_t unit_id, const struct question_heard *q,
                         unsigned generation)
{
    frame[0] = unit_id;
    frame[1] = q->function;
    frame[2] = (uint8_t)(2 * q->count);
    for (unsigned i = 0; i < q->count; i++) {
        uint16_t value = value_of(q->first + i, generation);
        frame[3 + 2 * i] = (uint8_t)(value >> 8);
        frame[4 + 2 * i] = (uint8_t)(value & 0xFF);
    }
    return close_frame(frame, 3 + 2 * (size_t)q->count);
}

/** The newest question before this one that asked for other registers; this one, where there is
 * none. */
static unsigned other_question_before(const struct bad_unit *unit, unsigned generation)
{
    for (unsigned g = generation; g > 0; g--)
        if (unit->log[g - 1].first != unit->log[generation].first)
            return g - 1;
    return generation;
}

static void misbehave(struct bad_unit *unit, enum fault fault, unsigned generation, int64_t at_us)
{
    const struct question_heard *q = &unit->log[generation];
    uint8_t answer[300], other[300];
    unsigned before;
    size_t n = put_answer(answer, UNIT_ID, q, generation), m;
    switch (fault) {
    case LATE:
        send_at(unit, at_us + between(unit, 100000, 130000), answer, n);
        break;
    case TWICE:
        send_at(unit, at_us, answer, n);
        send_at(unit, at_us + between(unit, 2000, 20000), answer, n);
        break;
    case FOREIGN_FIRST:
    case FOREIGN_ONLY:
        m = put_answer(other, FOREIGN_UNIT, q, generation + 300);
        send_at(unit, at_us, other, m);
        if (fault == FOREIGN_FIRST)
            send_at(unit, at_us + between(unit, 1000, 20000), answer, n);
        break;
    case CUT:
        send_at(unit, at_us, answer, (size_t)between(unit, 1, (int64_t)n - 1));
        break;
    case STRAY_BEFORE:
    case STRAY_AFTER:
        for (m = 0; m < 3; m++)
            other[m] = (uint8_t)between(unit, 0, 255);
        send_at(unit, fault == STRAY_BEFORE ? at_us : at_us + between(unit, 0, 8000), other,
                (size_t)between(unit, 1, 3));
        send_at(unit, fault == STRAY_BEFORE ? at_us + between(unit, 0, 8000) : at_us, answer, n);
        break;
    case WRONG_FUNCTION:
        answer[1] = answer[1] == 3 ? 4 : 3;
        send_at(unit, at_us, answer, close_frame(answer, n - 2));
        break;
    case BAD_CRC:
        answer[between(unit, 3, (int64_t)n - 1)] ^= (uint8_t)between(unit, 1, 255);
        send_at(unit, at_us, answer, n);
        break;
    case EXCEPTION:
        answer[1] |= 0x80;
        answer[2] = 4;
        send_at(unit, at_us, answer, close_frame(answer, 3));
        break;
    case ANSWER_OF_BEFORE:
        before = other_question_before(unit, generation);
        m = put_answer(other, UNIT_ID, &unit->log[before], before);
        send_at(unit, at_us, other, m);
        break;
    case LATE_AND_TWICE:
        at_us += between(unit, 100000, 120000);
        send_at(unit, at_us, answer, n);
        send_at(unit, at_us + between(unit, 1000, 20000), answer, n);
        break;
    case REST_COMES_LATE:
        send_at(unit, at_us, answer, n / 2);
        send_at(unit, at_us + between(unit, 100000, 130000), answer + n / 2, n - n / 2);
        break;
    case DRIP:
        for (size_t i = 0; i < n && i < 12; i++)
            send_at(unit, at_us + (int64_t)i * 3000, answer + i, i == 11 ? n - 11 : 1);
        break;
    case SILENT:
        break;
    case FINE:
    case FAULTS:
        send_at(unit, at_us, answer, n);
        break;
    }
}

static void hear_question(struct bad_unit *unit, const uint8_t *frame)
{
    unsigned generation = atomic_load(&unit->heard);
    if (generation >= LOG_MAX)
        return;
    const int64_t at_us = now_us();
    unit->log[generation] = (struct question_heard){.at_us = at_us,
                                                    .function = frame[1],
                                                    .first = (uint16_t)(frame[2] << 8 | frame[3]),
                                                    .count = (uint16_t)(frame[4] << 8 | frame[5])};
    int dice = (int)between(unit, 0, 2 * (FAULTS - 1));
    enum fault fault = dice < FAULTS ? (enum fault)dice : FINE;
    unit->faults[fault]++;
    misbehave(unit, fault, generation, at_us + between(unit, 5000, 15000));
    atomic_store(&unit->heard, generation + 1);
    if (unit->n_lapses == 0 || unit->lapse[unit->n_lapses - 1].until_us + LAPSE_COUNTS_US < at_us)
        atomic_fetch_add(&unit->calm, 1);
}

static void read_questions(struct bad_unit *unit)
{
    ssize_t n = read(unit->pty.master, unit->in + unit->n_in, sizeof unit->in - unit->n_in);
    if (n <= 0)
        return;
    unit->n_in += (size_t)n;
    while (unit->n_in >= 8) {
        uint8_t check[8];
        memcpy(check, unit->in, 6);
        close_frame(check, 6);
        size_t used = memcmp(check, unit->in, 8) == 0 ? 8 : 1;
        if (used == 8)
            hear_question(unit, unit->in);
        unit->n_in -= used;
        memmove(unit->in, unit->in + used, unit->n_in);
    }
}

static void send_due(struct bad_unit *unit)
{
    for (unsigned i = 0; i < unit->n_queued;) {
        if (unit->queue[i].at_us > now_us()) {
            i++;
            continue;
        }
        if (write(unit->pty.master, unit->queue[i].bytes, unit->queue[i].n) < 0)
            return;
        memmove(&unit->queue[i], &unit->queue[i + 1],
                (--unit->n_queued - i) * sizeof unit->queue[0]);
    }
}

/** What should have taken NAP_US at most took from `from_us` until now. */
static void note_lapse(struct bad_unit *unit, int64_t from_us)
{
    const int64_t until_us = now_us();
    if (until_us - from_us <= NAP_US + LAPSE_US)
        return;
    if (unit->n_lapses == LAPSES_MAX) /* the last one goes on to the end */
        unit->lapse[LAPSES_MAX - 1].until_us = until_us;
    else
        unit->lapse[unit->n_lapses++] = (struct lapse){.from_us = from_us, .until_us = until_us};
}

static void *unit_run(void *argument)
{
    struct bad_unit *unit = argument;
    while (!atomic_load(&unit->stopping)) {
        const int64_t from_us = now_us();
        int64_t next_us = from_us + NAP_US;
        for (unsigned i = 0; i < unit->n_queued; i++)
            if (unit->queue[i].at_us < next_us)
                next_us = unit->queue[i].at_us;
        int64_t left_us = next_us - now_us();
        struct timespec left = {.tv_nsec = left_us > 0 ? (long)left_us * 1000 : 0};
        struct pollfd wait = {.fd = unit->pty.master, .events = POLLIN};
        if (ppoll(&wait, 1, &left, NULL) > 0)
            read_questions(unit);
        send_due(unit);
        note_lapse(unit, from_us);
    }
    return NULL;
}

/* ---- the judge ---- */

struct verdicts {
    unsigned scans, left_out, blocks, other_range, other_question, undisturbed_wrong;
};

/** Whether the unit answers for what was asked between these two instants. */
static bool is_beside_a_lapse(const struct bad_unit *unit, int64_t from_us, int64_t until_us)
{
    for (unsigned i = 0; i < unit->n_lapses; i++)
        if (unit->lapse[i].from_us < until_us &&
            unit->lapse[i].until_us + LAPSE_COUNTS_US > from_us)
            return true;
    return false;
}

/** Questions from..end - 1 of the unit's log belong to this scan. The block's words must name their
 * addresses and its range's last question. */
static void judge_block(const struct bad_unit *unit, const struct scan *scan,
                        const struct block *block, unsigned from, unsigned end,
                        struct verdicts *verdicts)
{
    bool is_other_range = false, is_other_question = false;
    int own = -1;
    for (unsigned g = from; g < end; g++)
        if (unit->log[g].function == block->function && unit->log[g].first == block->first &&
            unit->log[g].count == block->count)
            own = (int)g;
    for (unsigned i = 0; i < block->count; i++) {
        uint16_t word = scan->words[block->at + i];
        if (word >> 10 != ((block->first + i) & 0x3F))
            is_other_range = true;
        else if (own < 0 || (word & 0x3FF) != (own & 0x3FF))
            is_other_question = true;
    }
    verdicts->blocks++;
    verdicts->other_range += is_other_range;
    verdicts->other_question += !is_other_range && is_other_question;
    if ((is_other_range || is_other_question) && scan->stray == 0)
        verdicts->undisturbed_wrong++;
}

/** A scan's questions are those that were heard from its begin to that of the next one. */
static void judge_scan(const struct bad_unit *unit, const struct scan *scan, int64_t next_begun_us,
                       struct verdicts *verdicts)
{
    const int64_t begun_us = scan->begun.boot_ms * 1000;
    const unsigned heard = atomic_load(&unit->heard);
    unsigned from = 0, end;
    if (is_beside_a_lapse(unit, begun_us, next_begun_us)) {
        verdicts->left_out++;
        return;
    }
    while (from < heard && unit->log[from].at_us < begun_us)
        from++;
    for (end = from; end < heard && unit->log[end].at_us < next_begun_us; end++)
        ;
    check_count("questions heard", end - from, scan->tries);
    verdicts->scans++;
    for (unsigned b = 0; b < scan->n_blocks; b++)
        if (scan->block[b].exception == 0)
            judge_block(unit, scan, &scan->block[b], from, end, verdicts);
}

/** All scans but the last, which the end of the run may have cut off. */
static void judge(const struct bad_unit *unit, struct ring *ring, struct verdicts *verdicts)
{
    static struct gathered item;
    static struct scan scan;
    bool is_first = true;
    while (ring_get(ring, &item)) {
        if (item.kind != GATHERED_SCAN)
            continue;
        if (!is_first)
            judge_scan(unit, &scan, item.scan.begun.boot_ms * 1000, verdicts);
        scan = item.scan;
        is_first = false;
    }
}

/* ---- the run ---- */

struct rig {
    struct made_plan made;
    struct bad_unit unit;
    struct ring *ring;
    struct gatherer *gatherer;
};

/* Four ranges of one function and of equal length, with room to pad: only the length rule tells
 * them apart. They become 4, 5, 6 and 7. */
static void make_map(struct map *map)
{
    made_map(map);
    made_channels(map, TABLE_HOLDING, 0, 4);
    made_channels(map, TABLE_HOLDING, 18, 4);
    made_channels(map, TABLE_HOLDING, 36, 4);
    made_channels(map, TABLE_HOLDING, 54, 4);
    made_readable(map, TABLE_HOLDING, 0, 63);
}

static void rig_start(struct rig *rig, unsigned index, const struct up_clock *clock)
{
    struct up_error error = {0};
    assert_int_equal(pty_open(&rig->unit.pty), 0);
    rig->unit.seed = 1000 + index;
    rig->made.line = made_serial(9600, 'N');
    rig->made.line.response_timeout_ms = 100;
    rig->made.line.share_line = true; /* foreign frames are part of the trial and must not end it */
    snprintf(rig->made.line.device, sizeof rig->made.line.device, "%s", rig->unit.pty.path);
    make_map(&rig->made.map[0]);
    made_plan_join(&rig->made, 1, 100);
    rig->made.entry[0].down_after = 0; /* no back-off: many exchanges are wanted */
    rig->ring = ring_create(RING_SLOTS, sizeof(struct gathered));
    assert_non_null(rig->ring);
    assert_int_equal(pthread_create(&rig->unit.thread, NULL, unit_run, &rig->unit), 0);
    struct line_options options = {.plan = &rig->made.plan,
                                   .clock = clock,
                                   .ring = rig->ring,
                                   .wake_fd = -1,
                                   .run = 1,
                                   .grid_start_us = clock_boot_us(clock),
                                   .seed = index + 1};
    if (gather_start(&options, &rig->gatherer, &error) != UP_OK)
        fail_msg("%s", error.why);
}

static void no_block_holds_a_word_that_is_not_its_own(void **state)
{
    (void)state;
    static struct rig rigs[PTYS];
    const char *is_long = getenv("UPHOLE_LONG");
    unsigned each = (is_long != NULL && is_long[0] == '1' ? 10000u : 1000u) / PTYS;
    struct up_clock clock;
    struct verdicts verdicts = {0};
    unsigned exchanges = 0, calm = 0, faults[FAULTS] = {0};
    clock_of_system(&clock);
    const int64_t end_us = now_us() + RUN_MOST_S * INT64_C(1000000);
    for (unsigned i = 0; i < PTYS; i++)
        rig_start(&rigs[i], i, &clock);
    for (unsigned i = 0; i < PTYS; i++)
        while (atomic_load(&rigs[i].unit.calm) < each && now_us() < end_us &&
               atomic_load(&rigs[i].unit.heard) < LOG_MAX)
            usleep(20000);
    for (unsigned i = 0; i < PTYS; i++) {
        gather_stop(rigs[i].gatherer);
        atomic_store(&rigs[i].unit.stopping, true);
        pthread_join(rigs[i].unit.thread, NULL);
        exchanges += atomic_load(&rigs[i].unit.heard);
        calm += atomic_load(&rigs[i].unit.calm);
        for (unsigned f = 0; f < FAULTS; f++)
            faults[f] += rigs[i].unit.faults[f];
        judge(&rigs[i].unit, rigs[i].ring, &verdicts);
        check_count("items lost by a full ring", (long long)ring_take_lost(rigs[i].ring), 0);
        ring_destroy(rigs[i].ring);
        pty_close(&rigs[i].unit.pty);
    }
    print_message(
        "%u exchanges, %u of them without a lapse; %u scans judged, %u not; %u blocks with "
        "data; of another range %u, of another question %u, of these without stray %u\n",
        exchanges, calm, verdicts.scans, verdicts.left_out, verdicts.blocks, verdicts.other_range,
        verdicts.other_question, verdicts.undisturbed_wrong);
    for (unsigned f = 0; f < FAULTS; f++) {
        print_message("  %-30s %u\n", FAULT_NAMES[f], faults[f]);
        assert_true(faults[f] > 0);
    }
    check_count("blocks with words of another range", verdicts.other_range, 0);
    check_count("blocks with words of another question", verdicts.other_question, 0);
    if (verdicts.blocks < each * PTYS / 8) {
        print_message("SKIPPED: this machine is too busy to play units in time\n");
        skip();
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(no_block_holds_a_word_that_is_not_its_own)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
