/* SPDX-License-Identifier: Apache-2.0
 *
 * socket_scans.c - raw registers and the plan as answers at the local socket, for commands that
 * compare: lines of words, for a program.
 *
 * `scans text WELL`: the newest scan of each source, whole.
 *   plan DIGEST
 *   now UTC_MS BOOT_MS
 *   quality POINT CODE                                        one a point that has a reading
 *   scan SOURCE SEQ UTC_MS BOOT_MS TOOK_MS OUTCOME BLOCKS
 *   block FUNCTION EXCEPTION FIRST COUNT WORDS XXXX...        its words, four hexadecimal digits
 * each, as many as stand behind WORDS end `plan text OFFSET`: `DIGEST LENGTH` in the first line,
 * then the canonical text from that byte on, at most PLAN_SLICE of it. It holds no secrets, only
 * the names of their files.
 */
#include "socket_answer.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define PLAN_SLICE (256 * 1024)

static unsigned words_of(const struct scan *scan, const struct block *block)
{
    const unsigned n = block->exception != 0               ? 0
                       : block->function <= TABLE_DISCRETE ? (block->count + 15u) / 16u
                                                           : block->count;
    return block->at + n <= scan->n_words && scan->n_words <= SCAN_WORDS_MAX ? n : 0;
}

static void add_scan(const struct scan *scan, struct socket_text *text)
{
    const unsigned blocks = scan->n_blocks <= SCAN_BLOCKS_MAX ? scan->n_blocks : SCAN_BLOCKS_MAX;
    text_add(text, "scan %u %" PRIu64 " %" PRId64 " %" PRId64 " %u %u %u\n", scan->source,
             scan->seq, scan->begun.utc_ms, scan->begun.boot_ms, scan->took_ms, scan->outcome,
             blocks);
    for (unsigned i = 0; i < blocks; i++) {
        const struct block *block = &scan->block[i];
        const unsigned n = words_of(scan, block);
        text_add(text, "block %u %u %u %u %u ", block->function, block->exception, block->first,
                 block->count, n);
        for (unsigned w = 0; w < n; w++)
            text_add(text, "%04x", scan->words[block->at + w]);
        text_add(text, "\n");
    }
}

void scans_as_text(const struct status_view *view, uint16_t well, struct socket_text *text)
{
    const struct stamp now = stamp_take(view->clock, view->watch);
    struct snapshot snapshot;
    status_snapshot(view->core, well, &now, &snapshot);
    text_add(text, "plan %s\nnow %" PRId64 " %" PRId64 "\n", view->plan->digest, now.utc_ms,
             now.boot_ms);
    for (uint16_t i = 0; i < snapshot.n; i++) {
        double age_s;
        text_add(text, "quality %u %u\n", snapshot.reading[i].point,
                 live_quality_at(&snapshot.reading[i], now.boot_ms, &age_s));
    }
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct scan *scan = status_newest_scan(view->core, well, s);
        if (scan != NULL)
            add_scan(scan, text);
    }
    text_add(text, "end\n");
}

int plan_answer(const struct status_view *view, const char *words, struct socket_text *text)
{
    char *end = NULL;
    const bool is_number = strncmp(words, "text ", 5) == 0 && words[5] >= '0' && words[5] <= '9';
    const unsigned long long from = is_number ? strtoull(words + 5, &end, 10) : 0;
    if (!is_number || *end != '\0' || from > view->plan->text_length) {
        text_add(text, "There is no such part of the plan.");
        return EX_USAGE;
    }
    const size_t left = view->plan->text_length - (size_t)from,
                 n = left < PLAN_SLICE ? left : PLAN_SLICE;
    text_add(text, "%s %zu\n%.*s", view->plan->digest, view->plan->text_length, (int)n,
             view->plan->text + from);
    return 0;
}
