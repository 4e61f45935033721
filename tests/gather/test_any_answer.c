/* SPDX-License-Identifier: Apache-2.0
 *
 * test_any_answer.c - well-formed answers of a unit that is wrong in its head: unit id, function,
 * byte count, exception code and length at random, checksum or header right; and a judge.
 *
 * Each register's value names its address, and the judge reads the blocks as the measuring does: a
 * block without an exception holds its own registers' words, as many as it says, behind those of
 * the block before it. Its rules are those of Modbus Application Protocol V1.1b3, 4.1, 6.3, 6.4
 * and 7; it shares no code with the room.
 *
 * Planted defects, each seen to fail here: an exception of code 00 is an answer
 * (gather-exception-of-no-code, gather-overhears-no-code); any unit's answer is taken
 * (gather-unit-unchecked, gather-tcp-unit-unchecked); an answer of any length is taken
 * (gather-length-unchecked, base-answer-length-unchecked); the transaction is not looked at
 * (gather-transaction-unchecked).
 */
#include "three_ranges.h"

#define SCANS 1500

static unsigned seed;
static bool asks_ours; /* the three ranges of three_ranges.h */

static unsigned draw(unsigned below)
{
    return (unsigned)rand_r(&seed) % below;
}

static uint8_t any_code(void)
{
    static const uint8_t CODES[] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 0x0A, 0x0B, 0x80, 0xFF};
    return draw(4) ? CODES[draw(sizeof CODES)] : (uint8_t)draw(256);
}

static const struct read_request OURS[] = {{4, 0, 4}, {4, 200, 5}, {4, 400, 6}};

/** An answer to the question, or to another of ours, whose length differs. */
static size_t any_answer(uint8_t *frame, uint8_t unit_id, const struct read_request *request)
{
    /* What the maps at random ask isn't known here; what nobody asks, no unit answers. */
    const bool other = asks_ours && draw(5) == 0;
    return fake_answer(frame, unit_id, other ? &OURS[draw(3)] : request);
}

/** What another unit holds: never a value of the one that was asked. */
static size_t answer_of_another(uint8_t *frame, const struct read_request *request)
{
    return fake_answer(frame, (uint8_t)(3 + draw(245)), request);
}

static size_t spoil(uint8_t *frame, size_t n, const struct read_request *request)
{
    switch (draw(8)) {
    case 0:
        return answer_of_another(frame, request);
    case 1:
        frame[1] = (uint8_t)(draw(2) ? draw(256) : request->function ^ (1u << draw(8)));
        return n;
    case 2:
        frame[2] = (uint8_t)(frame[2] + draw(7) - 3);
        return n;
    case 3: /* an exception with whatever code, and sometimes with more behind it */
        frame[1] = (uint8_t)(request->function | 0x80);
        frame[2] = any_code();
        return draw(6) ? 3 : 3 + draw(8);
    case 4:
        return 1 + draw((unsigned)n);
    case 5:
        for (unsigned more = 1 + draw(6); more > 0; more--)
            frame[n++] = (uint8_t)draw(256);
        return n;
    default:
        return n;
    }
}

static void unit_with_a_wrong_head(struct fake *f, uint8_t unit_id,
                                   const struct read_request *request)
{
    const unsigned frames = draw(12) == 0 ? 2 : draw(15) == 0 ? 0 : 1;
    for (unsigned i = 0; i < frames; i++) {
        uint8_t frame[300];
        const bool has_wrong_header = !f->is_serial && draw(12) == 0;
        size_t n = any_answer(frame, unit_id, request);
        if (has_wrong_header) { /* of another question: transaction, protocol, length */
            n = answer_of_another(frame, request);
            frame[0] = unit_id;
            n = fake_frame(f, frame, n);
            frame[draw(6)] ^= (uint8_t)(1u << draw(8));
        } else {
            n = fake_frame(f, frame, spoil(frame, n, request));
        }
        fake_arrives(f, 5000 + (int64_t)draw(400) * 1000, frame, n);
    }
}

/** Bits come sixteen a word, all answers here being A5 A5 ... (fake_answer). */
static void judge_bits(const struct scan *scan, const struct block *block)
{
    const unsigned bytes = (block->count + 7u) / 8;
    for (unsigned i = 0; i < (bytes + 1) / 2; i++)
        check_count("bits", scan->words[block->at + i], 2 * i + 1 < bytes ? 0xA5A5 : 0x00A5);
}

static void judge(const struct scan *scan, unsigned *with_data, unsigned *without)
{
    unsigned at = 0;
    for (unsigned b = 0; b < scan->n_blocks; b++) {
        const struct block *block = &scan->block[b];
        const bool is_bits = block->function <= TABLE_DISCRETE;
        const unsigned words = is_bits ? (block->count + 15u) / 16 : block->count;
        *without += block->exception != 0;
        if (block->exception != 0)
            continue;
        (*with_data)++;
        check_count("behind the words of the block before", block->at, at);
        if (block->at + words > scan->n_words)
            fail_msg("block %u of %u from %u has words %u to %u of %u", b, block->count,
                     block->first, block->at, block->at + words, scan->n_words);
        for (unsigned i = 0; i < words && !is_bits; i++)
            check_count("its own register", scan->words[block->at + i],
                        fake_value((uint8_t)scan->well, block->first + i));
        if (is_bits)
            judge_bits(scan, block);
        at += words;
    }
    check_count("no word without a block", scan->n_words, at);
}

static void every_word_is_its_own_registers(uint8_t medium)
{
    unsigned scans = 0, with_data = 0, without = 0;
    asks_ours = true;
    for (seed = 1; scans < SCANS; seed += 1000) {
        static struct gathered item;
        three_ranges(medium, 2000, unit_with_a_wrong_head);
        fake.made.line.share_line = LINE_SHARED; /* strange frames are no reason to stop here */
        fake_start(&fake, false);
        fake_run(&fake, 600 * INT64_C(1000000));
        while (fake_take(&fake, GATHERED_SCAN, &item)) {
            scans++;
            judge(&item.scan, &with_data, &without);
        }
        fake_stop(&fake);
    }
    assert_true(with_data > SCANS && without > SCANS / 4); /* both were put to the test */
}

static void on_a_serial_line_every_word_is_its_own_registers(void **state)
{
    (void)state;
    every_word_is_its_own_registers(LINE_MEDIUM_SERIAL);
}

static void over_tcp_every_word_is_its_own_registers(void **state)
{
    (void)state;
    every_word_is_its_own_registers(LINE_MEDIUM_TCP);
}

/** Two units on one line, each with a map of its own: all four tables, holes, limits, padding. */
static void random_map(struct map *map)
{
    const unsigned n = 1 + draw(16);
    map->largest_read = (uint16_t)(4 + draw(60));
    for (unsigned i = 0; i < n; i++) {
        const uint8_t table = (uint8_t)(draw(4) ? 3 + draw(2) : 1 + draw(2));
        made_channel(map, table, (uint16_t)draw(120),
                     (uint16_t)(table <= TABLE_DISCRETE ? 1 : 1 + draw(2)));
    }
    for (unsigned i = 0; i < 3; i++) {
        const uint16_t first = (uint16_t)draw(110);
        made_readable(map, (uint8_t)(3 + draw(2)), first, (uint16_t)(first + 10));
    }
    map->has_status = draw(2);
    map->status_table = TABLE_INPUT;
    map->status_address = (uint16_t)draw(130);
}

static void whatever_the_map_every_word_is_its_own_registers(void **state)
{
    (void)state;
    unsigned scans = 0, with_data = 0, without = 0;
    asks_ours = false;
    for (seed = 3; scans < SCANS; seed += 1000) {
        static struct gathered item;
        struct read_plan reads;
        fake_init(&fake, draw(2) ? LINE_MEDIUM_SERIAL : LINE_MEDIUM_TCP);
        random_map(&fake.made.map[0]);
        random_map(&fake.made.map[1]);
        fake.made.line.share_line = LINE_SHARED;
        made_plan_join(&fake.made, 2, 3000);
        fake.unit = unit_with_a_wrong_head;
        if (read_plan_make(&fake.made.map[0], &fake.made.line, &reads, NULL) != UP_OK ||
            read_plan_make(&fake.made.map[1], &fake.made.line, &reads, NULL) != UP_OK)
            continue; /* too many ranges */
        fake_start(&fake, false);
        fake_run(&fake, 120 * INT64_C(1000000));
        while (fake_take(&fake, GATHERED_SCAN, &item)) {
            scans++;
            judge(&item.scan, &with_data, &without);
        }
        fake_stop(&fake);
    }
    assert_true(with_data > SCANS && without > SCANS / 4);
}

/** Another master asks one of our ranges after the other, each 200 ms, and is answered like that.
 */
static void beside_another_master_every_word_is_its_own_registers(void **state)
{
    (void)state;
    unsigned scans = 0, with_data = 0, without = 0;
    asks_ours = true;
    for (seed = 7; scans < SCANS; seed += 1000) {
        static struct gathered item;
        three_ranges(LINE_MEDIUM_SERIAL, 2000, NULL);
        fake.made.line.share_line = LINE_LISTENS;
        fake_start(&fake, false);
        for (unsigned i = 0; i < 1500; i++) {
            const struct read_request *request = &OURS[i % 3];
            uint8_t question[16] = {1, request->function};
            put_u16(question + 2, request->first);
            put_u16(question + 4, request->count);
            fake_arrives(&fake, 0, question, fake_frame(&fake, question, 6));
            if (draw(3)) {
                fake_answers(&fake, 30000, 1, request);
            } else {
                uint8_t frame[300];
                size_t n = spoil(frame, any_answer(frame, 1, request), request);
                fake_arrives(&fake, 30000, frame, fake_frame(&fake, frame, n));
            }
            fake_run(&fake, 200000);
        }
        check_count("sent", fake.sends, 0);
        while (fake_take(&fake, GATHERED_SCAN, &item)) {
            scans++;
            judge(&item.scan, &with_data, &without);
        }
        fake_stop(&fake);
    }
    assert_true(with_data > SCANS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(on_a_serial_line_every_word_is_its_own_registers),
        cmocka_unit_test(over_tcp_every_word_is_its_own_registers),
        cmocka_unit_test(whatever_the_map_every_word_is_its_own_registers),
        cmocka_unit_test(beside_another_master_every_word_is_its_own_registers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
