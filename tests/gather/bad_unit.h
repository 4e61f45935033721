/* SPDX-License-Identifier: Apache-2.0
 *
 * bad_unit.h - a unit on a real pty, in a thread of its own, that misbehaves in every way known,
 * and keeps a log of what it was asked and of when it was not run. See test_exchanges.c.
 */
#ifndef UPHOLE_TESTS_GATHER_BAD_UNIT_H
#define UPHOLE_TESTS_GATHER_BAD_UNIT_H

#include "uphole/gather.h"
#include "uphole/wire.h"

#include "check.h"
#include "pty.h"

#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <time.h>

#define UNIT_ID 1
#define FOREIGN_UNIT 99
#define LOG_MAX 8192
#define QUEUE_MAX 64
#define NAP_US 5000            /* a unit looks at the time at least so often */
#define LAPSE_US 20000         /* heard so late and sent so late, 155 ms are still below 200 */
#define LAPSE_COUNTS_US 200000 /* what was heard in it is answered by then, however late */
#define LAPSES_MAX 20000

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

#endif
