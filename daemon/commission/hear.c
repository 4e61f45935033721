/* SPDX-License-Identifier: Apache-2.0
 *
 * hear.c - listening: before anything is asked, and beside all that is asked.
 *
 * One window serves where nobody speaks. Where bytes come that make no frames at the settings of
 * the moment, the next likely ones are tried; opening in the middle of a frame costs its rest, so
 * settings are given up after the second run of bytes without a frame.
 */
#include "finder.h"

#include <string.h>

#define RUN_GAP_US 30000 /* silence that ends a run of bytes */
#define RUNS_TO_GIVE_UP 3
#define BYTES_TO_GIVE_UP 600
#define SURE_TIMES 3 /* a question heard so often has a period */
#define CYCLES_MAX 3
#define GAP_WAIT_MOST_US 10000000
#define QUIET_BEFORE_ASKING_US 20000
#define MARGIN_US 300000 /* another master is not punctual; of short periods a quarter */

void finder_begin_hearing(struct finder *finder)
{
    overhear_init(&finder->ear, &finder->line, finder_now_us(finder));
    memset(finder->times, 0, sizeof finder->times);
}

static struct heard_question *question_of(struct find_heard *heard,
                                          const struct known_question *known, int64_t now_us)
{
    for (unsigned i = 0; i < heard->n_questions; i++) {
        struct heard_question *question = &heard->question[i];
        if (question->unit_id == known->unit_id &&
            question->request.function == known->request.function &&
            question->request.first == known->request.first &&
            question->request.count == known->request.count)
            return question;
    }
    if (heard->n_questions == OVERHEAR_QUESTIONS_MAX)
        return NULL;
    struct heard_question *question = &heard->question[heard->n_questions++];
    *question = (struct heard_question){
        .unit_id = known->unit_id, .request = known->request, .first_us = now_us};
    return question;
}

/** Takes over what the ear has newly counted. */
static bool take_questions(struct finder *finder)
{
    struct find_heard *heard = &finder->report->heard;
    const int64_t now_us = finder_now_us(finder);
    bool is_new = false;
    for (unsigned i = 0; i < finder->ear.n_questions; i++) {
        const struct known_question *known = &finder->ear.questions[i];
        if (known->times == finder->times[i])
            continue;
        struct heard_question *question = question_of(heard, known, now_us);
        if (question != NULL) {
            question->times += known->times - finder->times[i];
            question->last_us = now_us;
        }
        finder->times[i] = known->times;
        is_new = true;
    }
    if (is_new && !heard->has_master) {
        heard->has_master = true;
        heard->line = finder->line;
    }
    return is_new;
}

static void keep_words(struct finder *finder, const struct heard_pair *pair)
{
    struct register_book *book = &finder->report->book;
    const uint8_t table = pair->request.function;
    const bool is_of_other_unit =
        finder->report->unit.unit_id != 0 && finder->report->unit.unit_id != pair->unit_id;
    finder->report->heard.has_answers = true;
    if (pair->exception != 0 || table < TABLE_HOLDING || is_of_other_unit || finder->may_ask)
        return;
    const int first = book_index(book, table, pair->request.first);
    const bool is_new = first >= 0 && book->n_samples > 0 &&
                        pair->answered_us - book->taken_us[book->n_samples - 1] > 500000;
    finder->report->unit.unit_id = pair->unit_id;
    (void)book_put(book, is_new, pair->answered_us, table, pair->request.first, pair->words,
                   pair->n_words);
}

bool finder_hear(struct finder *finder, const uint8_t *bytes, size_t n)
{
    struct find_heard *heard = &finder->report->heard;
    struct heard_pair pair;
    if (!line_speaks_rtu(&finder->line))
        return false;
    const uint64_t unused = finder->ear.counts.unused_bytes;
    overhear_take(&finder->ear, bytes, n, finder_now_us(finder));
    while (overhear_next(&finder->ear, &pair))
        keep_words(finder, &pair);
    heard->bytes += n;
    const uint64_t of_no_frame = finder->ear.counts.unused_bytes - unused;
    heard->unused_bytes += of_no_frame;
    return take_questions(finder);
}

/* ---- before anything is asked ---- */

struct listening {
    unsigned setting, cycles, runs, run; /* run: bytes of the newest */
    uint64_t bytes;
    int64_t end_us, new_us; /* newest question that wasn't known */
    bool is_locked;
    unsigned n_questions;
};

/** The master's round is known: each question was heard often, and none is new for two of the
 * longest periods. */
static bool knows_enough(const struct finder *finder, const struct listening *listening)
{
    const struct find_heard *heard = &finder->report->heard;
    int64_t longest_us = 0;
    for (unsigned i = 0; i < heard->n_questions; i++) {
        const struct heard_question *question = &heard->question[i];
        if (question->times < SURE_TIMES)
            return false;
        const int64_t period_us = (question->last_us - question->first_us) / (question->times - 1);
        longest_us = period_us > longest_us ? period_us : longest_us;
    }
    return heard->n_questions > 0 &&
           finder_now_us(finder) - listening->new_us > 2 * longest_us + 500000;
}

static bool next_setting(struct finder *finder, struct listening *listening)
{
    struct line_plan line;
    if (finder->line.medium == LINE_MEDIUM_TCP)
        return false; /* its far side's settings are its own */
    if (!setting_at(finder->options, ++listening->setting, &line)) {
        listening->setting = 0;
        if (++listening->cycles >= CYCLES_MAX || !setting_at(finder->options, 0, &line))
            return false;
    }
    listening->runs = 0;
    listening->bytes = 0;
    finder->report->heard.settings_tried++;
    line.share_line = LINE_LISTENS;
    return finder_open(finder, &line);
}

static void take_bytes(struct finder *finder, struct listening *listening, const uint8_t *bytes,
                       size_t n, int64_t quiet_us)
{
    struct find_heard *heard = &finder->report->heard;
    if (heard->bytes == 0) /* somebody speaks: a whole window more, to know what */
        listening->end_us = finder_now_us(finder) + (int64_t)finder->options->listen_ms * 1000;
    const bool is_new_run = quiet_us > RUN_GAP_US || listening->bytes == 0;
    listening->runs += is_new_run;
    listening->run = (unsigned)n + (is_new_run ? 0 : listening->run);
    listening->bytes += n;
    if (finder_hear(finder, bytes, n))
        listening->is_locked = true;
    if (heard->n_questions != listening->n_questions) {
        listening->n_questions = heard->n_questions;
        listening->new_us = finder_now_us(finder);
    }
}

/** 00 and FF in what made no frame: bytes of a pair without bias, or turned round. */
static void count_idle(struct find_evidence *evidence, const uint8_t *bytes, size_t n, unsigned run)
{
    evidence->longest_run = run > evidence->longest_run ? run : evidence->longest_run;
    for (size_t i = 0; i < n; i++) {
        evidence->zeros += bytes[i] == 0x00;
        evidence->ones += bytes[i] == 0xFF;
    }
    evidence->idle_bytes += n;
    evidence->of_no_frame += n;
}

void finder_listen_first(struct finder *finder)
{
    struct listening listening = {0};
    struct line_plan line;
    uint8_t bytes[RTU_ADU_MAX];
    const int64_t began_us = finder_now_us(finder);
    finder->phase = FIND_LISTENS;
    listening.end_us = began_us + (int64_t)finder->options->listen_ms * 1000;
    if (!setting_at(finder->options, 0, &line) || finder->options->listen_ms == 0)
        return;
    if (line.medium ==
        LINE_MEDIUM_TCP) { /* a serial device server passes on what is said behind it */
        if (finder->options->has_framing && line.framing == LINE_FRAMING_TCP)
            return;
        line.framing = LINE_FRAMING_RTU;
    }
    line.share_line = LINE_LISTENS;
    finder->report->heard.settings_tried = 1;
    if (!finder_open(finder, &line))
        return;
    while (finder_now_us(finder) < listening.end_us && finder_goes_on(finder)) {
        const int64_t before_us = finder->heard_us;
        finder->phase_left_us = listening.end_us - finder_now_us(finder);
        const size_t n = finder_receive(finder, listening.end_us, bytes, sizeof bytes);
        if (n > 0) {
            take_bytes(finder, &listening, bytes, n, finder->heard_us - before_us);
            if (!listening.is_locked)
                count_idle(&finder->report->evidence, bytes, n, listening.run);
        }
        if (listening.is_locked && knows_enough(finder, &listening))
            break;
        if (!listening.is_locked &&
            (listening.runs >= RUNS_TO_GIVE_UP || listening.bytes > BYTES_TO_GIVE_UP) &&
            !next_setting(finder, &listening))
            break;
    }
    finder->report->heard.listened_us = finder_now_us(finder) - began_us;
    if (listening.is_locked) { /* what made no frame did so at the wrong settings */
        struct find_evidence *evidence = &finder->report->evidence;
        evidence->zeros = evidence->ones = 0;
        evidence->idle_bytes = evidence->of_no_frame = 0;
        evidence->longest_run = 0;
    }
    finder->report->heard.has_runs = finder->report->evidence.longest_run >= QUESTION_BYTES;
    finder_close(finder);
}

/* ---- between another master's exchanges ---- */

/** When the first of its questions may come, by their periods. INT64_MAX: unknown. */
static int64_t next_due_us(const struct find_heard *heard, int64_t now_us)
{
    int64_t next_us = INT64_MAX;
    for (unsigned i = 0; i < heard->n_questions; i++) {
        const struct heard_question *question = &heard->question[i];
        if (question->times < 2)
            continue;
        const int64_t period_us = (question->last_us - question->first_us) / (question->times - 1);
        const int64_t margin_us = period_us / 4 < MARGIN_US ? period_us / 4 : MARGIN_US;
        const int64_t due_us = question->last_us + period_us - margin_us;
        if (due_us > now_us - period_us / 2 && due_us < next_us)
            next_us = due_us;
    }
    return next_us;
}

void finder_wait_for_gap(struct finder *finder, int64_t need_us)
{
    uint8_t bytes[RTU_ADU_MAX];
    const int64_t end_us = finder_now_us(finder) + GAP_WAIT_MOST_US;
    int64_t quiet_since_us = finder->heard_us;
    while (finder_now_us(finder) < end_us && finder_goes_on(finder) && finder->port != NULL) {
        const int64_t now_us = finder_now_us(finder);
        const int64_t next_us = next_due_us(&finder->report->heard, now_us);
        const bool is_quiet = now_us - quiet_since_us >= QUIET_BEFORE_ASKING_US;
        if (is_quiet && !finder->ear.has_question &&
            (next_us == INT64_MAX || next_us - now_us > need_us))
            return;
        const size_t n =
            finder_receive(finder, now_us + QUIET_BEFORE_ASKING_US / 4, bytes, sizeof bytes);
        if (n == 0)
            continue;
        (void)finder_hear(finder, bytes, n);
        quiet_since_us = finder_now_us(finder);
    }
}
