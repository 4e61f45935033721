/* SPDX-License-Identifier: Apache-2.0
 *
 * day_faults.c - an evil line: late, doubled, cut, foreign, wrong, garbled, missing and strange
 * answers, at random by seed.
 */
#include "day_faults.h"

#include "uphole/pdu.h"

#include <string.h>

static uint32_t next(struct evil *evil)
{
    evil->state = evil->state * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)(evil->state >> 33);
}

static void recheck(uint8_t *frame, size_t n)
{
    const uint16_t crc = crc16(frame, n - 2);
    frame[n - 2] = (uint8_t)(crc & 0xFF);
    frame[n - 1] = (uint8_t)(crc >> 8);
}

/** Answers of other questions, as a second master or a late unit puts them on the pair. */
static void remember(struct evil *evil, const uint8_t *question, const struct day_answer *answer)
{
    evil->old[evil->n_old % EVIL_OLD_MAX] = *answer;
    memcpy(evil->question[evil->n_old % EVIL_OLD_MAX], question, 8);
    evil->n_old++;
}

/**
 * Only of another question: an answer to the very same question that is a whole poll old can't be
 * told apart on RTU by anybody, and can't come about either, because the rest after a fault is
 * longer than the slowest answer seen.
 */
static void append_old(struct evil *evil, const uint8_t *question, struct day_answer *answer)
{
    if (evil->n_old == 0)
        return;
    const size_t kept = evil->n_old < EVIL_OLD_MAX ? evil->n_old : EVIL_OLD_MAX;
    const size_t which = next(evil) % kept;
    const struct day_answer *old = &evil->old[which];
    if (answer->n + old->n > sizeof answer->bytes ||
        memcmp(evil->question[which], question, 8) == 0)
        return;
    memcpy(answer->bytes + answer->n, old->bytes, old->n);
    answer->n += old->n;
}

static void harm_rtu(struct evil *evil, const uint8_t *question, struct day_answer *answer)
{
    switch (next(evil) % 11) {
    case 0: /* late: by less, or by more, than the response timeout */
    case 1:
        answer->delay_us = 200000 + next(evil) % 2600000;
        break;
    case 2: /* sent twice */
        if (2 * answer->n <= sizeof answer->bytes) {
            memcpy(answer->bytes + answer->n, answer->bytes, answer->n);
            answer->n *= 2;
        }
        break;
    case 3: /* cut short */
        answer->n = next(evil) % answer->n;
        break;
    case 4: /* another unit's */
        answer->bytes[0] = (uint8_t)(1 + next(evil) % 247);
        recheck(answer->bytes, answer->n);
        break;
    case 5: /* another function's */
        answer->bytes[1] ^= 7;
        recheck(answer->bytes, answer->n);
        break;
    case 6: /* a flipped bit */
        answer->bytes[next(evil) % answer->n] ^= (uint8_t)(1u << next(evil) % 8);
        break;
    case 7:
        answer->n = 0;
        break;
    case 8: /* an old answer instead of this one, as after a late reply that nobody waited for */
        answer->n = 0;
        append_old(evil, question, answer);
        break;
    case 9: /* an old answer behind this one */
        append_old(evil, question, answer);
        break;
    default: /* stray bytes before it */
        if (answer->n + 3 <= sizeof answer->bytes) {
            memmove(answer->bytes + 3, answer->bytes, answer->n);
            memset(answer->bytes, 0, 3);
            answer->n += 3;
        }
        break;
    }
}

void evil_harm(struct day *day, void *context, uint16_t line, const uint8_t *request,
               size_t n_request, struct day_answer *answer)
{
    struct evil *evil = context;
    (void)n_request;
    const bool harm = answer->n > 0 && next(evil) % 1000 < evil->per_mille;
    if (day_plan(day)->lines[line].medium == LINE_MEDIUM_TCP) {
        if (harm) {
            evil->harmed++;
            answer->n = 0;
        }
        return;
    }
    const struct day_answer honest = *answer;
    if (harm) {
        evil->harmed++;
        harm_rtu(evil, request, answer);
    }
    if (honest.n > 0)
        remember(evil, request, &honest);
}
