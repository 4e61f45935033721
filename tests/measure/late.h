/* SPDX-License-Identifier: Apache-2.0
 *
 * late.h - scans measured live, and again late from one window before: both must give the same
 * bytes.
 */
#ifndef UPHOLE_TESTS_LATE_H
#define UPHOLE_TESTS_LATE_H

#include "made.h"

#define SCANS 5000
#define FACTS (4 * SCANS)

struct history {
    struct scan scans[SCANS];
    struct record records[SCANS];
    struct fact facts[FACTS];
    size_t n_facts, n_boundaries;
    unsigned boundaries[SCANS]; /* scans at which something changed for a while */
};

static inline void refuse(struct scan *scan, unsigned index, uint8_t exception)
{
    scan->block[index].exception = exception;
    scan->block[index].count = 0;
    scan->outcome = OUTCOME_PARTIAL;
}

/** First scan that a fold needs so as to be right at `wanted`, as journal_window_start tells. */
static inline unsigned window_start(const struct made *made, const struct history *history,
                                    unsigned wanted)
{
    struct fold_window window = fold_window_of(&made->plan, &made->well);
    unsigned start = wanted;
    uint32_t left[SOURCE_KINDS];
    for (unsigned source = 0; source < SOURCE_KINDS; source++)
        left[source] = window.scans;
    for (unsigned i = wanted; i-- > 0;) {
        uint8_t source = history->scans[i].source;
        bool is_within =
            history->scans[wanted].begun.boot_ms - history->scans[i].begun.boot_ms <= window.ms;
        if (is_within || left[source] > 0)
            start = i;
        left[source] -= left[source] > 0;
    }
    return start;
}

static inline void compare(const char *what, uint64_t seed, unsigned scan,
                           const struct record *live, const struct record *late)
{
    if (live->n != late->n)
        fail_msg("%s: seed %llu, scan %u: %u readings live, %u late", what,
                 (unsigned long long)seed, scan, live->n, late->n);
    for (unsigned i = 0; i < live->n; i++) {
        const struct reading *a = &live->reading[i], *b = &late->reading[i];
        if (memcmp(a, b, sizeof *a) != 0)
            fail_msg("%s: seed %llu, scan %u, point %u: live %.9g (%u, %g s, %u), late %.9g (%u, "
                     "%g s, %u)",
                     what, (unsigned long long)seed, scan, a->point, a->value, a->quality,
                     (double)a->age_s, a->worst_input, b->value, b->quality, (double)b->age_s,
                     b->worst_input);
    }
    assert_memory_equal(live, late, offsetof(struct record, reading));
}

static inline void replay(struct made *made, const struct history *history, uint64_t seed,
                          unsigned start, unsigned wanted, unsigned end)
{
    fold_init(made->fold);
    for (size_t k = 0; k < history->n_facts && history->facts[k].pos < wanted; k++)
        fold_load_fact(made->fold, &history->facts[k]);
    for (unsigned i = start; i < end; i++) {
        made_measure(made, &history->scans[i]);
        made->record.plan_digest = 0;
        if (i >= wanted)
            compare("late against live", seed, i, &history->records[i], &made->record);
    }
}

#endif
