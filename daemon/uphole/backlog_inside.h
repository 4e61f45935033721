/* SPDX-License-Identifier: Apache-2.0
 *
 * backlog_inside.h - the backlog's state, shared by backlog.c (rows as they come) and
 * backlog_order.c (rows that an order sends once more), and the way of folding that export_fold.c
 * borrows. Nobody else includes it.
 */
#ifndef UPHOLE_BACKLOG_INSIDE_H
#define UPHOLE_BACKLOG_INSIDE_H

#include "backlog.h"

#include "uphole/measure.h"

#define PLANS_KEPT 4
#define FACTS_READ_MAX 512

struct kept_plan {
    uint32_t id;
    uint64_t used; /* larger is younger */
    struct plan *plan;
};

struct kept_fold {
    uint64_t pos; /* of the last scan folded; 0: nothing */
    uint64_t run, seq;
    const struct row_order
        *times;     /* scans are folded with the times that it gives; NULL: as read */
    uint64_t order; /* of a fold of orders: which, */
    uint16_t well;  /* and whose */
    struct fold *fold;
};

/** Within [from, to] measuring of the well began anew with row `newest` in that run, and with no
 * later one; 0: with none. */
struct known_anew {
    uint16_t well; /* 0: nothing is known */
    uint64_t run, from, to, newest;
};

struct backlog {
    struct backlog_options options;
    struct journal_reader *reader;
    struct kept_plan plans[PLANS_KEPT];
    uint64_t clock;                                 /* of use */
    struct kept_fold *folds;                        /* destination * n_wells + well index */
    struct kept_fold orders[PLAN_DESTINATIONS_MAX]; /* a destination works on one order at a time */
    struct row_order order[PLAN_DESTINATIONS_MAX], times[PLAN_DESTINATIONS_MAX];
    struct known_anew anew;
    uint64_t slice_to;  /* last row of the slice being folded; the journal holds what goes with it */
    struct scan *scans; /* JOURNAL_SLICE_MAX */
    struct gap *gaps;   /* JOURNAL_SLICE_MAX */
    struct fact *facts; /* FACTS_READ_MAX */
    struct fact made[MEASURE_FACTS_MAX];
    struct scan corrected;
    struct record record;
    struct wall_message message;
};

/** Folds one scan; backlog->record is its record. */
enum up_rc backlog_fold_one(struct backlog *backlog, struct kept_fold *kept,
                            const struct scan *scan, struct up_error *error);
/** Brings a fold to just before `first`, from one window earlier. Uses backlog->scans. */
enum up_rc backlog_rebuild(struct backlog *backlog, struct kept_fold *kept,
                           const struct scan *first, struct up_error *error);
bool backlog_end_of_want(struct backlog *backlog, const struct wall_want *want, size_t sent,
                         uint64_t last, bool more);
enum up_rc backlog_serve_order(struct backlog *backlog, const struct wall_want *want,
                               struct up_error *error);

#endif
