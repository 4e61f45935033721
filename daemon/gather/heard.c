/* SPDX-License-Identifier: Apache-2.0
 *
 * heard.c - see heard.h.
 *
 * Invariant: a block holds the words of one exchange, under the address that its question stated.
 */
#include "heard.h"

#include <string.h>

#define MARGIN_US 20000    /* before the due time behind it passes, too */
#define EXPECTED_PERIODS 3 /* what was not heard for so long isn't waited for */

void heard_init(struct heard_source *heard, const struct map *map, uint32_t period_ms,
                int64_t now_us)
{
    memset(heard, 0, sizeof *heard);
    needs_collect(&heard->needs, map);
    heard->since_us = now_us;
    heard->period_us = (int64_t)period_ms * 1000;
    for (unsigned i = 0; map->has_status && i < heard->needs.n; i++) {
        const struct item *item = &heard->needs.item[i];
        if (item->table != map->status_table || map->status_address < item->first ||
            map->status_address > item->last)
            continue;
        heard->has_status = true;
        heard->status_item = (int)i;
    }
}

/* ---- which registers ---- */

static bool touches(const struct heard_pair *pair, const struct item *item)
{
    return pair->request.function == item->table && pair->request.first <= item->last &&
           item->first < pair->request.first + pair->request.count;
}

static bool covers(const struct heard_pair *pair, const struct item *item)
{
    return pair->exception == 0 && pair->request.function == item->table &&
           pair->request.first <= item->first &&
           item->last < pair->request.first + pair->request.count;
}

static bool covers_status(const struct heard_source *heard, const struct heard_pair *pair)
{
    return heard->has_status && covers(pair, &heard->needs.item[heard->status_item]);
}

bool heard_concerns(const struct heard_source *heard, const struct heard_pair *pair)
{
    for (unsigned i = 0; i < heard->needs.n; i++)
        if (pair->exception == 0 ? covers(pair, &heard->needs.item[i])
                                 : touches(pair, &heard->needs.item[i]))
            return true;
    return false;
}

static bool is_covered(const struct heard_source *heard, const struct item *item)
{
    if (heard->has_before && covers(&heard->before, item))
        return true;
    for (unsigned i = 0; i < heard->n; i++)
        if (covers(&heard->value[i], item))
            return true;
    return false;
}

/** All that this master was heard to read lately stands in the scan. */
static bool has_all_expected(const struct heard_source *heard, int64_t now_us)
{
    for (unsigned i = 0; i < heard->needs.n; i++)
        if (heard->covered_us[i] != 0 &&
            now_us - heard->covered_us[i] <= EXPECTED_PERIODS * heard->period_us &&
            !is_covered(heard, &heard->needs.item[i]))
            return false;
    return true;
}

/** The status stands in another exchange than a value, and was not heard again behind it. */
static bool wants_behind(const struct heard_source *heard, int64_t now_us)
{
    return heard->has_before && !heard->has_behind &&
           (heard->n > 0 || !has_all_expected(heard, now_us));
}

/* ---- one scan ---- */

void heard_open(struct heard_source *heard, int64_t end_us)
{
    heard->is_open = true;
    heard->end_us = end_us;
    heard->has_before = heard->has_behind = heard->has_refused = heard->has_late = false;
    heard->n = 0;
}

static bool is_same_question(const struct heard_pair *a, const struct heard_pair *b)
{
    return a->request.function == b->request.function && a->request.first == b->request.first &&
           a->request.count == b->request.count;
}

static void take_status(struct heard_source *heard, const struct heard_pair *pair, bool is_late)
{
    if (heard->has_before) {
        heard->behind = *pair;
        heard->has_behind = true;
    } else if (!is_late) {
        heard->before = *pair;
        heard->has_before = true;
        heard->n = 0; /* values without a status before them */
    }
}

/** A late one only where the scan lacks it: a round of the other master may cross the due time. */
static void take_value(struct heard_source *heard, const struct heard_pair *pair, bool is_late)
{
    unsigned at = 0;
    while (at < heard->n && !is_same_question(&heard->value[at], pair))
        at++;
    if (at == HEARD_VALUES_MAX || (is_late && at < heard->n))
        return;          /* the scan is full: its points stay without data */
    if (at < heard->n) { /* the newer one, behind the others */
        memmove(&heard->value[at], &heard->value[at + 1],
                (heard->n - at - 1) * sizeof heard->value[0]);
        heard->n--;
    }
    heard->value[heard->n++] = *pair;
    heard->has_behind = false;
}

void heard_take(struct heard_source *heard, const struct heard_pair *pair)
{
    for (unsigned i = 0; i < heard->needs.n; i++)
        if (covers(pair, &heard->needs.item[i]))
            heard->covered_us[i] = pair->answered_us;
    if (!heard->is_open || !heard_concerns(heard, pair))
        return;
    const bool is_late = pair->asked_us >= heard->end_us;
    if (is_late) {
        heard->late = *pair;
        heard->has_late = true;
    }
    if (pair->exception != 0) {
        if (is_late)
            return;
        heard->refused = *pair;
        heard->has_refused = true;
    } else if (covers_status(heard, pair)) {
        take_status(heard, pair, is_late);
    } else if (!is_late || (heard->has_before && !heard->has_behind)) {
        take_value(heard, pair, is_late);
    }
}

bool heard_is_whole(const struct heard_source *heard, int64_t now_us)
{
    const bool has_any = heard->has_before || (heard->n > 0 && !heard->has_status);
    /* In the first period it isn't known yet what else this master reads. */
    return heard->is_open && has_any && now_us - heard->since_us >= heard->period_us &&
           !wants_behind(heard, now_us) && has_all_expected(heard, now_us);
}

int64_t heard_deadline_us(const struct heard_source *heard, int64_t now_us)
{
    if (!wants_behind(heard, now_us))
        return heard->end_us;
    const int64_t margin_us = heard->period_us / 4 < MARGIN_US ? heard->period_us / 4 : MARGIN_US;
    return heard->end_us + heard->period_us - margin_us;
}

/* ---- into a scan ---- */

static unsigned words_of(const struct heard_pair *pair)
{
    return pair->exception == 0 ? pair->n_words : 0;
}

static bool put_pair(struct scan *scan, const struct heard_pair *pair, int64_t *begun_us,
                     int64_t *ended_us)
{
    const unsigned n = words_of(pair);
    if (scan->n_blocks >= SCAN_BLOCKS_MAX || scan->n_words + n > SCAN_WORDS_MAX)
        return false;
    scan->block[scan->n_blocks++] = (struct block){.function = pair->request.function,
                                                   .exception = pair->exception,
                                                   .first = pair->request.first,
                                                   .count = pair->request.count,
                                                   .at = scan->n_words};
    memcpy(scan->words + scan->n_words, pair->words, n * sizeof pair->words[0]);
    scan->n_words = (uint16_t)(scan->n_words + n);
    if (*begun_us == 0 || pair->asked_us < *begun_us)
        *begun_us = pair->asked_us;
    if (pair->answered_us > *ended_us)
        *ended_us = pair->answered_us;
    return true;
}

/** The status behind was not heard: what stands between may be torn, and the scan says so. */
static void put_no_status(struct scan *scan, const struct heard_source *heard)
{
    const struct item *item = &heard->needs.item[heard->status_item];
    if (scan->n_blocks >= SCAN_BLOCKS_MAX)
        return;
    scan->block[scan->n_blocks++] =
        (struct block){.function = item->table,
                       .exception = BLOCK_NO_ANSWER,
                       .first = (uint16_t)item->first,
                       .count = (uint16_t)(item->last - item->first + 1),
                       .at = scan->n_words};
}

static uint8_t outcome_of_exception(uint8_t exception)
{
    return exception == MODBUS_PATH_UNAVAILABLE || exception == MODBUS_TARGET_SILENT
               ? OUTCOME_PATH_DOWN
               : OUTCOME_EXCEPTION;
}

void heard_close(struct heard_source *heard, struct scan *scan, int64_t *begun_us,
                 int64_t *ended_us)
{
    *begun_us = *ended_us = 0;
    bool is_all = true;
    if (heard->has_before)
        is_all = put_pair(scan, &heard->before, begun_us, ended_us);
    for (unsigned i = 0; i < heard->n; i++)
        is_all = put_pair(scan, &heard->value[i], begun_us, ended_us) && is_all;
    const bool is_torn = heard->has_before && heard->n > 0 && !heard->has_behind;
    if (heard->n > 0 && heard->has_behind)
        is_all = put_pair(scan, &heard->behind, begun_us, ended_us) && is_all;
    else if (is_torn)
        put_no_status(scan, heard);
    is_all = is_all && !is_torn && has_all_expected(heard, *ended_us);
    if (scan->n_blocks > 0)
        scan->outcome = is_all ? OUTCOME_ANSWERED : OUTCOME_PARTIAL;
    else if (heard->has_refused && put_pair(scan, &heard->refused, begun_us, ended_us))
        scan->outcome = outcome_of_exception(heard->refused.exception);
    else
        scan->outcome = OUTCOME_SILENT;
    heard->is_open = false;
}
